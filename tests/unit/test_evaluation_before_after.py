"""Sets picked, failures counted on either side of the day, and what was to be expected, on small fleets."""

from __future__ import annotations

import dataclasses
import datetime as dt

import numpy as np
import pandas as pd
import pytest

from pipelines.evaluation.before_after import LEAST_EXPECTED, expect_nothing_done, list_events, tabulate_before_after
from pipelines.evaluation.cohorts import (
    join_members,
    list_by_rules,
    list_injected,
    list_members,
    list_replaced,
    list_watched,
)
from pipelines.survival.history import FailureHistory, code_names, known_at
from pipelines.survival.model import FailureModel, fit_failure_model
from shared.errors import UserError
from shared.settings import Settings
from tests.survival_fleets import make_fleet

DAY = pd.Timestamp("2021-06-30")
REASONS = pd.DataFrame({"section_id": ["S000000"], "retired_because": ["programme"]})


def table_of(
    history: FailureHistory, model: FailureModel, members: pd.DataFrame, years: float, coverage: float
) -> pd.DataFrame:
    """Before and after of the sets by one model."""
    return tabulate_before_after(history, expect_nothing_done(history, model, members, years), coverage)


def place_sections(history: FailureHistory) -> FailureHistory:
    """Each section in a place of its own."""
    return dataclasses.replace(history, sections=history.sections.assign(position=np.arange(len(history.sections))))


@pytest.fixture(scope="module")
def history() -> FailureHistory:
    return place_sections(make_fleet(11, loops=60).history)


@pytest.fixture(scope="module")
def model(history: FailureHistory) -> FailureModel:
    return fit_failure_model(known_at(history, dt.date(2020, 12, 31)), Settings())


def replace_first(history: FailureHistory, after: int) -> FailureHistory:
    """The first section in service is replaced on a day; so many failures follow on the cable in its place."""
    sections = history.sections.copy()
    old = sections[sections["retired_on"].isna() & sections["is_installed_on_known"]].index[0]
    # its name comes after all others, whose numbers stay those that the model knows
    new = sections.loc[[old]].assign(section_id="ZNEW", installed_on=DAY, in_view_from=DAY)
    sections.loc[old, ["retired_on", "in_view_to"]] = DAY
    failures = history.failures
    failures = failures[failures["section_id"].ne(sections.loc[old, "section_id"])]
    # three before the day, one of them more than three years before; those that follow, and one too late to count
    days = [DAY + pd.Timedelta(days=d) for d in (-10, -400, -2000, 1300, *range(30, 30 + after))]
    added = pd.DataFrame(
        {
            "job_id": [f"X{k}" for k in range(len(days))],
            "loop_id": sections.loc[old, "loop_id"],
            "section_id": [sections.loc[old, "section_id"]] * 3 + ["ZNEW"] * (1 + after),
            "failed_on": days,
            "closed_on": days,
            "is_counted": True,
            "why_not": None,
            "district_id": "D1",
            "cause": "unknown",
            "failed_component": "cable",
        }
    )
    return dataclasses.replace(
        history,
        sections=pd.concat([sections, new], ignore_index=True),
        failures=pd.concat([failures, added], ignore_index=True),
    )


def test_replaced_cable_is_followed_in_its_place(history: FailureHistory, model: FailureModel) -> None:
    now = replace_first(history, after=2)
    replaced = list_replaced(now, REASONS)
    table = table_of(now, model, replaced, 3.0, 0.9).set_index(["grouped_by", "group_name"])
    row = table.loc["replaced_in", "2021"]
    assert (row["sections"], row["failures_before"], row["seen_after"]) == (1, 2, 2)
    assert (row["years_before"], row["years_after"]) == (pytest.approx(3.0, abs=0.01), pytest.approx(3.0, abs=0.01))
    assert row["naive_after"] == pytest.approx(2.0, rel=0.01)
    assert row["naive_fall_pct"] == pytest.approx(0.0, abs=0.5)
    # every other section of this fleet left without cable in its place: nobody can say what followed
    followed = replaced[replaced["is_followed"] & replaced["grouped_by"].eq("replaced_in")]
    assert followed["on"].tolist() == [DAY]


def test_failures_up_to_the_day_are_known_on_the_day(history: FailureHistory, model: FailureModel) -> None:
    """The model stands half a year before the day; the failure ten days before it must raise what it expects."""
    now = replace_first(history, after=0)
    quiet = dataclasses.replace(now, failures=now.failures[now.failures["job_id"].ne("X0")])
    expected = [
        table_of(h, model, list_replaced(h, REASONS), 3.0, 0.9)
        .query("grouped_by == 'replaced_in' and group_name == '2021'")["expected_after"]
        .iloc[0]
        for h in (now, quiet)
    ]
    assert expected[0] > 1.1 * expected[1]


def test_what_follows_changes_nothing_of_what_was_expected(history: FailureHistory, model: FailureModel) -> None:
    tables = [
        table_of(h, model, list_replaced(h, REASONS), 3.0, 0.9).set_index(["grouped_by", "group_name"])
        for h in (replace_first(history, after=0), replace_first(history, after=9))
    ]
    mine = ("replaced_in", "2021")
    # only the share of failures whose section is on record may move, and that by little
    assert tables[0].loc[mine, "expected_after"] == pytest.approx(tables[1].loc[mine, "expected_after"], rel=0.01)
    assert tables[1].loc[mine, "seen_after"] == 9


def test_a_section_on_the_models_own_day_is_expected_as_the_forecast_says(
    history: FailureHistory, model: FailureModel
) -> None:
    forecast = model.forecast_loops(3.0).set_index("loop_id")
    loop = forecast.index[3]
    code = history.keep(code_names).sections.set_index("loop_id").loc[loop, "loop_code"].iloc[0]
    members = list_watched(history, {loop: dt.date(2020, 12, 31)})
    known = model.windows.sections.loc[model.windows.in_service, "section_id"]
    members = members[members["section_id"].isin(known)]
    table = table_of(history, model, members, 3.0, 0.9)
    # failures closed after the day are known to the comparison and not to the model: none on this loop
    late = list_events(history).query("failed_on <= '2020-12-31' < closed_on")
    assert code not in set(late["loop_code"])
    assert table["expected_after"].iloc[0] == pytest.approx(forecast.loc[loop, "expected_failures"], rel=0.002)


def test_injected_and_watched_sets() -> None:
    history = place_sections(make_fleet(3, loops=12).history)
    sections = history.sections.assign(
        rejuvenated_on=pd.Series(pd.Timestamp("2022-05-01"), history.sections.index).where(
            history.sections["section_id"] == "S000004"
        )
    )
    now = dataclasses.replace(history, sections=sections)
    injected = list_injected(now)
    assert injected[["group_name", "section_id"]].to_numpy().tolist() == [["2022", "S000004"], ["all years", "S000004"]]
    # a failure of the injected cable itself is counted, and one of which the loop alone is known is not
    assert injected[["counts", "counts_loop_only", "is_followed"]].to_numpy().tolist() == [["same", False, True]] * 2
    watched = list_watched(now, {"L00001": dt.date(2021, 1, 1)})
    there = sections[
        (sections["loop_id"] == "L00001")
        & ~(sections["retired_on"] < "2021-01-01")
        & ~(sections["installed_on"] > "2021-01-01")
    ]
    assert sorted(watched["section_id"]) == there["section_id"].tolist()
    assert set(watched["counts"]) == {"loop"}


def test_a_fleet_of_which_nothing_was_replaced_injected_or_watched_has_no_set() -> None:
    history = place_sections(make_fleet(3, loops=5).history)
    sections = history.sections.assign(retired_on=pd.NaT, rejuvenated_on=pd.NaT)
    nothing = list_members(dataclasses.replace(history, sections=sections), REASONS, {})
    assert nothing.empty
    assert list(nothing.columns) == list(list_watched(history, {"L00001": history.as_of}).columns)


def test_no_verdict_without_enough_to_expect(history: FailureHistory, model: FailureModel) -> None:
    members = join_members(list_members(history, REASONS, {}), list_by_rules(history, model))
    table = table_of(history, model, members, 3.0, 0.9)
    few = table["expected_after"] < LEAST_EXPECTED
    assert (table.loc[few, "effect_verdict"] == "too_few").all()
    assert (table.loc[~few, "effect_verdict"] != "too_few").all()
    claimed = table["effect_verdict"].eq("fewer_than_expected")
    assert (table["seen_over_expected_hi"].lt(1.0) & ~few).equals(claimed)


def test_a_set_before_any_model_has_no_row(history: FailureHistory, model: FailureModel) -> None:
    members = list_watched(history, {"L00001": dt.date(2015, 1, 1)})
    assert table_of(history, model, members, 3.0, 0.9).empty
    later = list_watched(history, {"L00001": model.windows.as_of + dt.timedelta(days=1)})
    assert table_of(history, model, later, 3.0, 0.9)["group_name"].tolist() == ["L00001"]


def test_a_watched_loop_that_is_not_there_is_named() -> None:
    history = place_sections(make_fleet(3, loops=12).history)
    with pytest.raises(UserError) as caught:
        list_watched(history, {"L00001": dt.date(2021, 1, 1), "L99999": dt.date(2021, 1, 1)})
    assert str(caught.value) == (
        "setting replacement.watched names L99999, which has no section loaded\n  where: settings file\n"
        "  to do: correct the loop_id, or load loops.csv and sections.csv, then: loopwear refresh"
    )


def test_an_older_model_brought_up_to_date_says_nearly_what_a_new_one_says(
    history: FailureHistory, model: FailureModel
) -> None:
    """Three years lie between the model and the day: their failures and their exposure must count."""
    day = dt.date(2023, 12, 31)
    fresh = fit_failure_model(known_at(history, day), Settings())
    loops = sorted(set(history.sections["loop_id"]))
    watched = list_watched(history, dict.fromkeys(loops, day))
    old, new = (
        table_of(history, m, watched, 2.0, 0.9).set_index("group_name")["expected_after"] for m in (model, fresh)
    )
    # 190 failures in all: the level of the last years alone moves by a tenth
    assert old.sum() == pytest.approx(new.sum(), rel=0.15)
    assert np.corrcoef(np.log(old), np.log(new))[0, 1] > 0.97
    # as the model stood three years before, untold of what happened since, it is further off
    since = known_at(history, dt.date(2020, 12, 31)).failures
    untold = dataclasses.replace(history, failures=since)
    stale = table_of(untold, model, watched, 2.0, 0.9).set_index("group_name")["expected_after"]
    assert np.corrcoef(np.log(stale), np.log(new))[0, 1] < np.corrcoef(np.log(old), np.log(new))[0, 1]


def test_time_without_a_failure_since_the_models_day_lowers_what_is_expected(
    history: FailureHistory, model: FailureModel
) -> None:
    day = pd.Timestamp("2023-12-31")
    quiet = dataclasses.replace(history, failures=known_at(history, dt.date(2020, 12, 31)).failures)
    watched = list_watched(quiet, dict.fromkeys(sorted(set(history.sections["loop_id"])), day.date()))
    expected = table_of(quiet, model, watched, 2.0, 0.9)["expected_after"].sum()
    # the same cable and years with the multipliers as they were on the model's own day
    ahead = model.expected_by_class(5.0) - model.expected_by_class(3.0)
    stays = model.windows.sections["section_id"].isin(watched["section_id"]).to_numpy()
    untouched = (ahead * model.posterior.shape / model.posterior.rate)[stays].sum()
    assert 0.5 * untouched < expected < 0.95 * untouched


def test_sets_of_sections_are_expected_only_the_failures_whose_section_is_told(
    history: FailureHistory, model: FailureModel
) -> None:
    """With every second later failure known by loop alone, half as many are expected to be seen on a section."""
    after = pd.to_datetime(history.failures["failed_on"]).gt(DAY)
    second = after & (np.arange(len(history.failures)) % 2 == 0) & history.failures["is_counted"]
    blurred = history.failures.assign(
        section_id=history.failures["section_id"].where(~second),
        is_counted=history.failures["is_counted"] & ~second,
        why_not=history.failures["why_not"].where(~second, "loop_only"),
    )
    mine = ("replaced_in", "2021")
    expected, shares = [], []
    for failures in (history.failures, blurred):
        now = replace_first(dataclasses.replace(history, failures=failures), after=0)
        table = table_of(now, model, list_replaced(now, REASONS), 3.0, 0.9)
        expected.append(table.set_index(["grouped_by", "group_name"]).loc[mine, "expected_after"])
        later = list_events(now).query("failed_on > @DAY")
        shares.append(later["section_code"].ge(0).mean())
    assert shares[1] < 0.65 * shares[0]
    assert expected[1] / expected[0] == pytest.approx(shares[1] / shares[0], rel=0.01)


def test_loops_left_alone_are_followed_until_something_is_done(history: FailureHistory, model: FailureModel) -> None:
    members = list_by_rules(history, model)
    picked = members["section_id"].iloc[0]
    injected = pd.Timestamp("2021-12-31")
    sections = history.sections.assign(
        rejuvenated_on=pd.Series(injected, history.sections.index).where(history.sections["section_id"].eq(picked))
    )
    now = list_by_rules(dataclasses.replace(history, sections=sections), model)
    assert now.loc[now["section_id"].eq(picked), "until"].eq(injected).all()
    retired = history.sections.set_index("section_id")["retired_on"].reindex(members["section_id"])
    gone = retired.notna().to_numpy()
    assert members.loc[gone, "until"].tolist() == retired[gone].tolist()
    assert members.loc[~gone, "until"].isna().all()
