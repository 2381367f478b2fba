"""Committed work told from the register, and failures seen against expected, on fleets small enough for a pencil."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from pipelines.evaluation.commitments import YEARS_PROMISED
from pipelines.evaluation.follow_up import Spans, Weighed, find_power, find_work, tabulate_follow_up, weigh
from pipelines.survival.history import FailureHistory
from shared.intervals import jeffreys_ratio_limits
from tests.survival_fleets import small_history

START, AS_OF = "2016-01-01", "2020-01-01"  # 1,461 days: four years
NO_REASONS = pd.DataFrame({"section_id": [], "retired_because": []}, dtype=object)
NO_SUCCESSORS = pd.DataFrame({"old_section_id": [], "new_section_id": []}, dtype=object)


def promise(sections: list[dict[str, object]]) -> pd.DataFrame:
    """Rows of a promise; what a row leaves out: one failure a year without work, half of it with, known exactly."""
    base = {
        "commitment_id": "c1", "role": "committed", "loop_id": "L1", "district_id": "D1", "cable_class": "A",
        "compared_in": "D1", "action": "replace", "due_from": "2017-01-01", "due_to": "2017-12-31", "length_km": 1.0,
        "cost": 10.0, "own_variance": 0.0, "loop_variance": 0.0, "level_error": 0.0, "known_on": START,
        "committed_on": START, "is_lifted": False, "cost_recorded": np.nan, "follow_method": "as agreed",
        "yearly": 1.0,
    }  # fmt: skip
    rows = pd.DataFrame([base | row for row in sections])
    rows["section_now"] = rows["section_id"]
    rows["without"] = [np.full(YEARS_PROMISED, each) for each in rows["yearly"]]
    rows["planned"] = [np.full(YEARS_PROMISED, each / 2) for each in rows["yearly"]]
    for name in ("due_from", "due_to", "known_on", "committed_on"):
        rows[name] = pd.to_datetime(rows[name])
    return rows


def place(rows: list[dict[str, object]], failures: list[dict[str, object]] = ()) -> FailureHistory:
    """A history whose sections have places of their own, unless they say one."""
    placed = [{"position": 100 + n} | row for n, row in enumerate(rows)]
    return small_history(placed, list(failures), as_of=AS_OF)


REGISTER = place(
    [
        {"section_id": "early", "position": 1, "retired_on": "2016-06-01"},
        {"section_id": "early-2", "position": 1, "installed_on": "2016-05-20"},
        {"section_id": "in_year", "rejuvenated_on": "2017-06-01"},
        {"section_id": "late", "position": 2, "retired_on": "2018-06-01"},
        {"section_id": "late-2", "position": 2, "installed_on": "2018-06-01"},
        {"section_id": "gone", "retired_on": "2017-03-01"},
        {"section_id": "split", "retired_on": "2017-03-01"},
        {"section_id": "undone"},
        {"section_id": "lifted"},
        {"section_id": "to_come"},
        {"section_id": "stated", "retired_on": "2017-03-01"},
        {"section_id": "stated-2", "installed_on": "2017-03-01"},
        {"section_id": "before", "rejuvenated_on": "2015-06-01"},
    ]
)


def test_work_is_told_from_the_register() -> None:
    names = ["early", "in_year", "late", "gone", "split", "undone", "lifted", "to_come", "stated", "before", "lost"]
    promised = promise(
        [
            {"section_id": name, "is_lifted": name == "lifted"}
            | ({"due_from": "2019-06-01", "due_to": "2020-05-31"} if name == "to_come" else {})
            for name in names
        ]
    )
    found = find_work(
        promised,
        REGISTER,
        pd.DataFrame({"section_id": ["split"], "retired_because": ["regrouped"]}),
        pd.DataFrame({"old_section_id": ["stated"], "new_section_id": ["stated-2"]}),
    ).set_index("section_id")
    assert found["work_status"].to_dict() == {
        "early": "done_early", "in_year": "done_in_its_year", "late": "done_late", "gone": "out_of_service",
        "split": "regrouped", "undone": "overdue", "lifted": "lifted", "to_come": "not_yet_due",
        "stated": "done_in_its_year", "before": "overdue", "lost": "overdue",
    }  # fmt: skip
    done_as = found["done_as"].dropna().to_dict()
    assert done_as == {"early": "replace", "in_year": "inject", "late": "replace", "stated": "replace"}
    assert found.loc["in_year", "done_on"] == pd.Timestamp("2017-06-01")
    assert found.loc["lost", "section_code"] == -1


def failures(*struck: tuple[str, str]) -> list[dict[str, object]]:
    return [{"section_id": name, "failed_on": day} for name, day in struck]


@pytest.fixture
def small() -> dict[str, pd.DataFrame]:
    """One section replaced after two years and one injected after one, a cohort of two sections that fails doubly."""
    history = place(
        [
            {"section_id": "old", "position": 1, "retired_on": "2018-01-01"},
            {"section_id": "new", "position": 1, "installed_on": "2018-01-01"},
            {"section_id": "injected", "rejuvenated_on": "2017-01-01"},
            {"section_id": "c1"},
            {"section_id": "c2"},
        ],
        failures(
            ("old", "2015-06-01"),  # before the commitment
            ("old", "2016-06-01"),
            ("old", "2018-01-01"),  # the day of a replacement belongs to the cable taken out
            ("new", "2018-03-01"),
            ("injected", "2016-03-01"),
            ("injected", "2019-03-01"),
            *(("c1", f"{year}-0{month}-01") for year in (2016, 2017, 2018, 2019) for month in (2, 5)),
            *(("c2", f"{year}-0{month}-01") for year in (2016, 2017, 2018, 2019) for month in (3, 6)),
        ),
    )  # fmt: skip
    promised = promise(
        [
            {"section_id": "old"},
            {"section_id": "injected", "action": "inject"},
            {"section_id": "c1", "role": "cohort", "action": None},
            {"section_id": "c2", "role": "cohort", "action": None},
        ]
    )
    return tabulate_follow_up(promised, history, NO_REASONS, NO_SUCCESSORS, 0.9)


def test_failures_since_the_work_are_held_against_twice_the_forecast(small: dict[str, pd.DataFrame]) -> None:
    effect = small["marts.follow_up_effect"].set_index("followed_group")
    done, rest, cohort = effect.loc["done"], effect.loc["not_done"], effect.loc["cohort"]
    assert (done["seen_after"], rest["seen_after"], cohort["seen_after"]) == (2, 3, 16)
    assert done["section_years"] == pytest.approx(2.0 + 3.0, abs=0.01)
    assert done["expected_without"] == pytest.approx(5.0, abs=0.01)
    assert done["expected_with"] == pytest.approx(2.5, abs=0.01)
    # the cohort failed twice as often as was expected of it, in every year
    assert cohort["effect_ratio"] == pytest.approx(2.0)
    assert done["expected_adjusted"] == pytest.approx(10.0, abs=0.02)
    assert done["effect_ratio"] == pytest.approx(0.2, abs=0.001)
    assert done["planned_ratio"] == pytest.approx(0.5)
    assert rest["expected_adjusted"] == pytest.approx(2 * 3.0, abs=0.02)
    # a count of 16 with equal weights is a relative variance of about a sixteenth, nothing else being uncertain
    year = np.array([0.0, 1.0, 2.0, 2.0])
    weights = np.repeat(year / 2, 4)
    lo, hi = jeffreys_ratio_limits(2, 10.0, weights.sum() ** 2 / (weights**2).sum(), 0.9)
    assert (done["effect_ratio_lo"], done["effect_ratio_hi"]) == (
        pytest.approx(float(lo), rel=0.01), pytest.approx(float(hi), rel=0.01)
    )  # fmt: skip
    assert done["follow_verdict"] == "as_planned" and (effect["follow_method"] == "as agreed").all()


def test_work_and_years_are_summed(small: dict[str, pd.DataFrame]) -> None:
    work = small["marts.work_done"].set_index("section_id")
    assert work["work_status"].to_dict() == {"old": "done_late", "injected": "done_in_its_year"}
    assert work["seen_after"].to_dict() == {"old": 1, "injected": 1}
    assert work["expected_without"].round(2).to_dict() == {"old": 2.0, "injected": 3.0}
    year = small["marts.programme_follow_up"].iloc[0]
    assert year[["year", "sections_planned", "sections_done", "planned_cost"]].tolist() == [2017, 2, 2, 20.0]
    assert year[["sections_done_late", "sections_done_otherwise", "sections_with_cost"]].tolist() == [1, 0, 0]


def test_work_without_a_commitment_has_rows_of_its_own() -> None:
    promised = promise([{"section_id": "undone"}, {"section_id": "to_come", "role": "cohort", "action": None}])
    tables = tabulate_follow_up(promised, REGISTER, NO_REASONS, NO_SUCCESSORS, 0.9)
    alone = tables["marts.work_done"].query("commitment_id == 'none'")
    assert set(alone["section_id"]) == {"early", "in_year", "late"}
    years = tables["marts.programme_follow_up"].query("commitment_id == 'none'").set_index("year")
    assert years["sections_done"].to_dict() == {2016: 1, 2017: 1, 2018: 1}
    assert not years["sections_planned"].any()


def test_what_a_shared_cohort_says_counts_once_however_many_commitments_it_serves() -> None:
    history = place(
        [{"section_id": "a", "rejuvenated_on": "2016-06-01"}, {"section_id": "b", "rejuvenated_on": "2016-06-01"},
         {"section_id": "c"}],
        failures(*(("c", f"{year}-0{month}-01") for year in (2016, 2017, 2018, 2019) for month in (2, 5, 8))),
    )  # fmt: skip
    rows = [
        {"section_id": name, "commitment_id": each, "role": role}
        for each, name in (("c1", "a"), ("c2", "b"))
        for name, role in ((name, "committed"), ("c", "cohort"))
    ]
    effect = tabulate_follow_up(promise(rows), history, NO_REASONS, NO_SUCCESSORS, 0.9)["marts.follow_up_effect"]
    done = effect[effect["followed_group"].eq("done")].set_index("commitment_id")
    assert set(done.index) == {"all", "c1", "c2"}
    assert done.loc["all", "expected_adjusted"] == pytest.approx(2 * done.loc["c1", "expected_adjusted"])
    # twice the work but the same twelve failures of the cohort: the limits are those of one, but for the work's count
    _, hi = jeffreys_ratio_limits(0, done.loc["all", "expected_adjusted"], 1 / cohort_variance(), 0.9)
    assert done.loc["all", "effect_ratio_hi"] == pytest.approx(float(hi), rel=0.01)
    assert done.loc["c1", "effect_ratio_hi"] > 1.5 * done.loc["all", "effect_ratio_hi"]


def test_a_section_committed_anew_counts_with_its_last_commitment_alone() -> None:
    history = place([{"section_id": "a", "rejuvenated_on": "2018-01-01"}, {"section_id": "c"}])
    rows = [
        {"section_id": name, "commitment_id": each, "role": role, "committed_on": day, "is_lifted": each == "c1"}
        for each, day in (("c1", "2016-01-01"), ("c2", "2016-06-01"))
        for name, role in (("a", "committed"), ("c", "cohort"))
    ]
    tables = tabulate_follow_up(promise(rows), history, NO_REASONS, NO_SUCCESSORS, 0.9)
    assert tables["marts.work_done"]["commitment_id"].tolist() == ["c2"]
    done = tables["marts.follow_up_effect"].query("followed_group == 'done' and commitment_id == 'all'").iloc[0]
    assert done["expected_without"] == pytest.approx(2.0, abs=0.01)


def cohort_variance() -> float:
    """Relative variance of twelve failures weighed by the part of each year that followed the work."""
    weights = np.repeat([1 - 152 / 365.25, 1.0, 1.0, 1.0], 3) / 3
    return float((weights**2).sum() / weights.sum() ** 2)


def test_posterior_loop_and_class_widen_what_is_expected() -> None:
    rows = promise(
        [
            {"section_id": "a", "own_variance": 0.04, "loop_variance": 0.09, "level_error": 0.1},
            {"section_id": "b", "own_variance": 0.04, "loop_variance": 0.09, "level_error": 0.1},
            {"section_id": "c", "loop_id": "L2", "cable_class": "B", "level_error": 0.2},
        ]
    )
    on, off = np.array([1.0, 1.0, 0.0]), np.array([0.0, 0.0, 1.0])
    work, cohort = Spans(rows, np.zeros(3), 2.0 * on), Spans(rows, np.zeros(3), 2.0 * off)
    weighed = weigh(work, cohort, np.zeros(3, dtype=np.int64))
    # two sections expect two each: own variances add up, what the loop shares is added before it is squared
    own, loop, level = 2 * 0.04 * 2.0**2 / 4.0**2, 0.09, 0.1**2 + 0.2**2
    assert weighed.expected == pytest.approx(4.0)
    assert weighed.variance == pytest.approx(own + loop + level)
    # the cohort expects two failures
    assert weighed.count_variance == pytest.approx(1 / 2)
    # of the same class on both sides its level says nothing
    alike = weigh(
        Spans(rows.assign(cable_class="A", level_error=0.1), np.zeros(3), 2.0 * on),
        Spans(rows.assign(cable_class="A", level_error=0.1), np.zeros(3), 2.0 * off),
        np.zeros(3, dtype=np.int64),
    )
    assert alike.variance == pytest.approx(own + loop)


@pytest.mark.parametrize(("expected", "planned"), [(40.0, 20.0), (8.0, 1.0)])
def test_power_is_the_lesser_of_both_chances(expected: float, planned: float) -> None:
    weighed = Weighed(expected, planned, np.zeros(0), 0.01, 0.01)
    draws = np.random.default_rng(1)
    true = draws.gamma(50.0, 1 / 50.0, 200_000)
    shares = []
    for ratio in (planned / expected, 1.0):
        lo, hi = jeffreys_ratio_limits(draws.poisson(ratio * expected * true), expected, 50.0, 0.9)
        shares.append((hi < 1).mean() if ratio < 1 else (lo > planned / expected).mean())
    assert find_power(weighed, 0.9) == pytest.approx(min(shares), abs=0.005)


def test_work_that_plans_nothing_can_never_be_told() -> None:
    assert find_power(Weighed(50.0, 50.0, np.zeros(0), 0.0, 0.01), 0.9) == 0.0
    assert find_power(Weighed(0.0, 0.0, np.zeros(0), 0.0, 0.0), 0.9) == 0.0


def test_when_it_can_be_told_rests_on_what_was_promised_alone() -> None:
    def followed(struck: list[dict[str, object]]) -> pd.Series:
        rows = [{"section_id": f"w{n}", "rejuvenated_on": "2018-01-01"} for n in range(6)]
        history = place([*rows, *({"section_id": f"c{n}"} for n in range(60))], struck)
        promised = promise(
            [{"section_id": f"w{n}", "action": "inject"} for n in range(6)]
            + [{"section_id": f"c{n}", "role": "cohort", "action": None} for n in range(60)]
        )
        effect = tabulate_follow_up(promised, history, NO_REASONS, NO_SUCCESSORS, 0.9)["marts.follow_up_effect"]
        return effect.set_index("followed_group").loc["done"]

    few = followed(failures(*((f"c{n}", "2018-06-01") for n in range(20))))
    many = followed(failures(*((f"c{n}", f"201{k}-06-01") for n in range(60) for k in (6, 7, 8, 9))))
    assert (few["power"], few["years_to_tell"]) == (many["power"], many["years_to_tell"])
    # six failures a year: 12 expected so far, and 25 are needed to tell half of them from all at such limits
    ahead = int(few["years_to_tell"])
    chance = [
        find_power(Weighed(6.0 * y, 3.0 * y, np.zeros(0), 0.0, 1 / (60.0 * y)), 0.9) for y in (1 + ahead, 2 + ahead)
    ]
    assert chance[0] < 0.8 <= chance[1] and not few["can_tell"]
