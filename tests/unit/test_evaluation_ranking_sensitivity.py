"""The ranking under other readings of the records, against fits from the beginning."""

from __future__ import annotations

import dataclasses
import datetime as dt
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from pipelines.evaluation.ranking_sensitivity import (
    VARIANTS,
    Evidence,
    _is_occasion,
    _place_failures,
    _weigh_evidence,
    explain_variant,
    gather_evidence,
    rank_again,
    share_of_ageing,
    tabulate_duplicates,
    tabulate_sensitivity,
    weigh_failures,
)
from pipelines.survival.hierarchical_frailty import Variances
from pipelines.survival.history import FailureHistory
from pipelines.survival.model import FailureModel, fit_failure_model
from shared.settings import Settings
from tests.survival_fleets import make_fleet

HORIZON = 5.0
CAUSES = ["unknown", "water_treeing", "workmanship"]


@pytest.fixture(scope="module")
def history() -> FailureHistory:
    """A fleet with a quarter of its causes unknown, a fifth of its failures known by loop alone, a fifth undated."""
    made = make_fleet(7, loops=300, missing_dates=0.2, loop_only=0.2).history
    causes = np.random.default_rng(7).choice(CAUSES, len(made.failures), p=[0.25, 0.5, 0.25])
    return dataclasses.replace(made, failures=made.failures.assign(cause=causes))


@pytest.fixture(scope="module")
def model(history: FailureHistory) -> FailureModel:
    return fit_failure_model(history, Settings())


def rank_by(model: FailureModel) -> list[str]:
    loops = model.forecast_groups(HORIZON, "loop_id")
    rate = loops["expected_failures"] / loops["length_km"]
    return loops.assign(rate=rate).sort_values(["rate", "loop_id"], ascending=[False, True])["loop_id"].tolist()


def test_evidence_as_it_is_is_the_models_own(history: FailureHistory, model: FailureModel) -> None:
    found = gather_evidence(history, model, np.ones(len(history.failures)))
    assert found.failures == pytest.approx(model.failures)
    assert found.occasions == pytest.approx(model.tree.failures)


def test_as_it_is_gives_the_ranking_itself(history: FailureHistory, model: FailureModel) -> None:
    base = gather_evidence(history, model, np.ones(len(history.failures)))
    assert rank_again(model, base, base, HORIZON) == rank_by(model)


@pytest.mark.parametrize("variant", ["unknown_causes_left_out", "loop_only_left_out", "undated_left_out"])
def test_the_head_is_that_of_a_fit_from_the_beginning(
    history: FailureHistory, model: FailureModel, variant: str
) -> None:
    sections, failures = history.sections, history.failures
    if variant == "undated_left_out":
        sections = sections[sections["is_installed_on_known"]]
    weights = weigh_failures(failures, variant, 1.0)
    anew = rank_by(
        fit_failure_model(dataclasses.replace(history, sections=sections, failures=failures[weights > 0]), Settings())
    )
    base = gather_evidence(history, model, np.ones(len(failures)))
    given = gather_evidence(history, model, weights)
    if variant == "undated_left_out":
        dated = model.windows.sections["is_installed_on_known"].to_numpy(dtype=bool)
        given = Evidence(base.failures, base.occasions, base.recent, dated)
    again = rank_again(model, base, given, HORIZON)
    kept = len(set(again[:25]) & set(anew[:25]))
    moved = len(set(rank_by(model)[:25]) & set(anew[:25]))
    print(variant, "as the full fit:", kept, "of 25; the ranking itself:", moved)
    assert kept >= 23
    # the short way must say more of the variant than the ranking left as it is
    assert kept >= moved


def test_a_class_that_failed_less_of_late_falls(history: FailureHistory, model: FailureModel) -> None:
    base = gather_evidence(history, model, np.ones(len(history.failures)))
    sections = model.windows.sections
    quiet = sections["cable_class"].eq("XLPE/bare/buried").to_numpy()
    given = Evidence(base.failures, base.occasions, np.where(quiet, 0.0, base.recent), base.is_used)
    of_class = set(sections.loc[quiet, "loop_id"])
    before, after = (
        np.mean([place for place, loop in enumerate(rank_again(model, base, evidence, HORIZON)) if loop in of_class])
        for evidence in (base, given)
    )
    assert after > before + 5


def test_weights_follow_the_share_of_known_causes() -> None:
    failures = pd.DataFrame(
        {
            "cause": ["dig_in", "water_treeing", "workmanship", "overload", "unknown", "unknown", "water_treeing"],
            "why_not": ["excluded_cause", None, None, "loop_only", None, "loop_only", "other_component"],
        }
    )
    share, known = share_of_ageing(failures)
    # of dig_in, water_treeing, workmanship and overload three were nobody's doing; the termination is no cable
    assert (share, known) == (3 / 4, 4)
    assert weigh_failures(failures, "unknown_causes_in_proportion", share).tolist() == [1, 1, 1, 1, 0.75, 0.75, 1]
    assert weigh_failures(failures, "unknown_causes_left_out", share).tolist() == [1, 1, 1, 1, 0, 0, 1]
    assert weigh_failures(failures, "loop_only_left_out", share).tolist() == [1, 1, 1, 0, 1, 0, 1]


def test_the_table_names_who_leaves_and_who_comes(history: FailureHistory, model: FailureModel) -> None:
    table = tabulate_sensitivity(history, model, HORIZON).set_index("variant")
    assert table.index.tolist() == list(VARIANTS)
    assert table["top_loops"].eq(25).all()
    assert table.loc["as_it_is", "top_stay"] == 25
    for row in table.itertuples():
        left, came = (set(filter(None, str(text).split(", "))) for text in (row.top_left, row.top_came))
        assert len(left) == len(came) == 25 - row.top_stay
    assert table.loc["unknown_causes_left_out", "failures_used"] < table.loc["as_it_is", "failures_used"]
    assert table.loc["undated_left_out", "sections_used"] < table.loc["as_it_is", "sections_used"]


def test_jobs_that_may_be_one_are_told_both_ways(history: FailureHistory, model: FailureModel) -> None:
    failures = history.failures
    first = rank_by(model)[0]
    doubted = failures[failures["loop_id"].eq(first) & failures["is_counted"]]["job_id"].tolist()[1:]
    assert len(doubted) >= 3
    table = tabulate_duplicates(history, model, HORIZON, doubted).set_index(["grouped_by", "group_name"])
    own = failures["is_counted"] | failures["why_not"].eq("undated_section")
    whole = table.loc[("all", "all")]
    assert (whole["failures"], whole["failures_joined"]) == (own.sum(), own.sum() - len(doubted))
    loop, before = table.loc[("loop", first)], (own & failures["loop_id"].eq(first)).sum()
    assert (loop["failures"], loop["failures_joined"]) == (before, before - len(doubted))
    base = gather_evidence(history, model, np.ones(len(failures)))
    kept = gather_evidence(history, model, np.where(failures["job_id"].isin(doubted), 0.0, 1.0))
    then = rank_again(model, base, kept, HORIZON)
    assert (loop["rank"], loop["rank_joined"]) == (1, then.index(first) + 1)
    assert loop["rank_joined"] > 1
    # the loop that would be first then is told of too, though none of its jobs is in doubt
    assert table.loc[("loop", then[0]), "rank_joined"] == 1
    classes = table.loc["cable_class"]
    dated = failures[failures["job_id"].isin(doubted)].merge(history.sections[["section_id", "cable_class"]])
    assert set(classes.index) == set(dated["cable_class"])
    for name, row in classes.iterrows():
        km_years = history.sections.loc[history.sections["cable_class"].eq(name), "exposure_km_years"].sum()
        gap = row["rate_per_100km_year"] - row["rate_joined_per_100km_year"]
        assert gap == pytest.approx(100 * dated["cable_class"].eq(name).sum() / km_years)
    assert tabulate_duplicates(history, model, HORIZON, []).empty
    variants = tabulate_sensitivity(history, model, HORIZON, doubted).set_index("variant")
    assert first in variants.loc["duplicates_joined", "top_left"] or loop["rank_joined"] <= 25


def test_without_a_known_cause_the_share_is_whole_and_variants_are_told_in_words() -> None:
    nothing = pd.DataFrame({"cause": ["unknown"], "why_not": [None]})
    assert share_of_ageing(nothing) == (1.0, 0)
    assert (
        weigh_failures(nothing, "as_it_is", 0.5).tolist()
        == weigh_failures(nothing, "undated_left_out", 0.5).tolist()
        == [1]
    )
    assert "counts 0.76: the share of 12 known" in explain_variant("unknown_causes_in_proportion", 0.755, 12)
    assert len({explain_variant(variant, 0.5, 1) for variant in VARIANTS}) == len(VARIANTS)


def stub(**more) -> SimpleNamespace:
    """A model of three loops: two sections on the first, one on each other."""
    sections = pd.DataFrame(
        {
            "section_id": [*"abcd"],
            "loop_id": [*"LLMN"],
            "cable_class": [*"PPPQ"],
            "length_km": [1.0, 1.0, 2.0, 0.5],
            "rejuvenated_on": pd.to_datetime([None, "2020-06-30", None, None]),
        }
    )
    windows = SimpleNamespace(
        sections=sections, as_of=pd.Timestamp("2025-12-31"), in_service=np.array([True, True, True, True])
    )
    tree = SimpleNamespace(
        loop_of_half=np.array([0, 1, 2]),
        half_of_section=np.array([0, 0, 1, 2]),
        loop_starts=np.array([0, 1, 2]),
        half_starts=np.array([0, 2, 3]),
        relative_length=np.ones(4),
    )
    shared = {"failures": np.array([3.5, 4.5, 0.0, 1.0]), "recorded": np.array([2.0, 4.0, 0.0, 1.0])}
    return SimpleNamespace(windows=windows, tree=tree, **shared, **more)


def test_evidence_by_hand() -> None:
    year = pd.Timedelta(days=365)
    day = pd.Timestamp("2025-12-31")
    rows = [
        ("a", "L", day, True),
        (
            "a",
            "L",
            day - pd.Timedelta(days=90),
            True,
        ),  # followed within ninety days: the first of the two is the occasion
        ("a", "L", day - pd.Timedelta(days=181), True),
        ("b", "L", pd.Timestamp("2020-06-30"), True),  # the day of its injection is before it
        ("b", "L", pd.Timestamp("2020-07-01"), True),
        ("b", "L", day - year, True),
        (None, "L", day, False),
        (None, "L", day - 5 * year, False),
        (None, "X", day, False),
        ("z", "L", day, True),
        ("d", "N", day, True),
    ]
    failures = pd.DataFrame(rows, columns=["section_id", "loop_id", "failed_on", "is_counted"])
    failures["why_not"] = pd.Series(None, failures.index, dtype=object).where(failures["is_counted"], "loop_only")
    history, model = FailureHistory(pd.DataFrame(), failures, dt.date(2025, 12, 31)), stub()
    placed = _place_failures(history, model)
    assert placed.section.tolist() == [0, 0, 0, 1, 1, 1, -1, -1, -1, -1, 3]
    assert placed.loop.tolist() == [-1] * 6 + [0, 0, -1, -1, -1]  # of the three known by loop alone, one on none
    assert placed.is_own.tolist() == [True] * 6 + [False] * 4 + [True]
    assert np.flatnonzero(placed.is_alone).tolist() == [6, 7]
    assert np.flatnonzero(~placed.is_bare[:6]).tolist() == [4, 5]
    assert np.flatnonzero(_is_occasion(placed, placed.is_own)).tolist() == [1, 2, 3, 5, 10]
    without = placed.is_own & (np.arange(11) != 1)
    assert np.flatnonzero(_is_occasion(placed, without)).tolist() == [0, 2, 3, 5, 10]
    assert not _is_occasion(placed, np.zeros(11, dtype=bool)).any()

    weights = np.array([0.5, 1, 1, 1, 1, 1, 0.25, 1, 1, 1, 0.0])
    found = _weigh_evidence(placed, model, weights)
    # shares of loop L, 1.5 and 0.5, times the mean weight of the two known by loop alone
    shared = np.array([1.5, 0.5, 0, 0]) * (0.25 + 1) / 2
    assert found.failures == pytest.approx(np.array([2.5, 3, 0, 0]) + shared)
    assert found.occasions == pytest.approx(np.array([2.0, 2, 0, 0]) + shared)
    # a failure fades by e in five years of 365.25 days; on cable already injected it tells nothing of the class

    def fade(days: float) -> float:
        return np.exp(-days / 365.25 / 5)

    recent = np.array([0.5 + fade(90) + fade(181), fade((day - pd.Timestamp("2020-06-30")).days), 0, 0])
    recent += np.array([1.5, 0.5, 0, 0]) * (0.25 + fade(5 * 365)) / 2
    assert found.recent == pytest.approx(recent)
    assert found.is_used.all()
    assert gather_evidence(history, model, weights).failures == pytest.approx(found.failures)


def test_loops_ranked_again_by_hand() -> None:
    # Multipliers without variance: a loop's rate is its class's, times what the level of the class becomes.
    level = np.array([2.0, 2.0, 2.0, 0.5])
    ahead = np.array([2.0, 4.0, 5.0, 0.6])
    model = stub(
        class_level=level,
        ahead=lambda years: {5.0: ahead}[years],
        expected=np.full(4, 2.0),
        variances=Variances(loop=0.0, half_loop=0.0, section=1e-12),
    )
    everything = np.ones(4, dtype=bool)
    base = Evidence(np.array([2.0, 3, 0, 1]), np.array([2.0, 3, 0, 1]), np.array([1.0, 2, 1, 1]), everything)
    # per km: L 6 / 2 = 3, M 5 / 2 = 2.5, N 0.6 / 0.5 = 1.2
    assert rank_again(model, base, base, 5.0) == ["L", "M", "N"]
    # Class P: half a failure more, (0.5 + 0) / (0.5 + 5) of its failures; Q (0.5 + f) / (0.5 + 1). With trust 10 P
    # awaited (10 + 4) / 2 - 10 = -3, and its new level is (10 + r) / (10 - 3 x factor) where r was seen of late.

    def rates(failures: list[float], recent: list[float], used: np.ndarray) -> list[float]:
        kind = np.array([0, 0, 0, 1])
        given = [np.bincount(kind[used], np.array(v)[used], 2) for v in (failures, recent)]
        before = [np.bincount(kind[used], np.array(v)[used], 2) for v in (base.failures, base.recent)]
        factor = (given[0] + 0.5) / (before[0] + 0.5)
        old = np.array([2.0, 0.5])
        new = (10 + given[1]) / np.maximum(10 + ((10 + before[1]) / old - 10) * factor, 1e-9)
        scaled = ahead * (factor * new / old)[kind] * used
        km = np.bincount([0, 0, 1, 2], [1.0, 1, 2, 0.5] * used)
        return list(np.bincount([0, 0, 1, 2], scaled)[km > 0] / km[km > 0])

    rng = np.random.default_rng(2)
    seen = set()
    for _ in range(200):
        used = rng.random(4) < 0.8
        if not used.any():
            continue
        failures, recent = rng.gamma(1.0, 2.0, 4), rng.gamma(1.0, 4.0, 4)
        given = Evidence(failures, failures, recent, used)
        names = [loop for loop, there in zip("LMN", (used[:2].any(), used[2], used[3]), strict=True) if there]
        rate = rates(failures, recent, used)
        order = tuple(names[k] for k in np.argsort(-np.array(rate), kind="stable"))
        assert tuple(rank_again(model, base, given, 5.0)) == order
        seen.add(order)
    assert len(seen) > 6


def test_the_head_of_a_small_fleet_is_a_tenth_of_its_loops() -> None:
    made = make_fleet(5, loops=31, missing_dates=0.3).history
    made = dataclasses.replace(made, failures=made.failures.assign(cause="unknown"))
    model = fit_failure_model(made, Settings())
    table = tabulate_sensitivity(made, model, HORIZON).set_index("variant")
    assert table["top_loops"].eq(4).all()  # a tenth of 31, rounded up
    own = model.windows.sections["is_installed_on_known"] & model.windows.in_service
    assert table.loc["undated_left_out", "sections_used"] == own.sum()
    assert table.loc["as_it_is", "failures_used"] == pytest.approx(model.failures.sum())
    assert table.loc["undated_left_out", "failures_used"] == pytest.approx(
        model.failures[model.windows.sections["is_installed_on_known"]].sum()
    )
    assert (table.loc["as_it_is", ["top_left", "top_came"]] == "").all()
    # no cause is known: in proportion they count as they are
    assert table.loc["unknown_causes_in_proportion", "top_stay"] == 4
