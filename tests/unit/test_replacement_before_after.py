"""Sets picked, failures counted on either side of the day, and what was to be expected, on small fleets."""

from __future__ import annotations

import dataclasses
import datetime as dt

import numpy as np
import pandas as pd
import pytest

from pipelines.replacement.before_after import LEAST_EXPECTED, list_events, tabulate_before_after
from pipelines.replacement.picked_sets import list_injected, list_members, list_replaced, list_watched
from pipelines.survival.history import FailureHistory, known_at
from pipelines.survival.model import FailureModel, fit_failure_model
from shared.errors import UserError
from shared.settings import Settings
from tests.survival_fleets import make_fleet

DAY = pd.Timestamp("2021-06-30")
REASONS = pd.DataFrame({"section_id": ["S000000"], "retired_because": ["programme"]})


def place_sections(history: FailureHistory) -> FailureHistory:
    """Each section in a place of its own."""
    return dataclasses.replace(
        history, sections=history.sections.assign(position=np.arange(len(history.sections))))


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
    new = sections.loc[[old]].assign(section_id="NEW", installed_on=DAY, in_view_from=DAY)
    sections.loc[old, ["retired_on", "in_view_to"]] = DAY
    failures = history.failures
    failures = failures[failures["section_id"].ne(sections.loc[old, "section_id"])]
    # three before the day, one of them more than three years before, and those that follow
    days = [DAY + pd.Timedelta(days=d) for d in (-10, -400, -2000, *range(30, 30 + after))]
    added = pd.DataFrame({
        "job_id": [f"X{k}" for k in range(len(days))], "loop_id": sections.loc[old, "loop_id"],
        "section_id": [sections.loc[old, "section_id"]] * 3 + ["NEW"] * after, "failed_on": days, "closed_on": days,
        "is_counted": True, "why_not": None, "district_id": "D1", "cause": "unknown", "failed_component": "cable",
    })
    return dataclasses.replace(
        history, sections=pd.concat([sections, new], ignore_index=True),
        failures=pd.concat([failures, added], ignore_index=True),
    )


def test_replaced_cable_is_followed_in_its_place(history: FailureHistory, model: FailureModel) -> None:
    now = replace_first(history, after=2)
    replaced = list_replaced(now, REASONS)
    table = tabulate_before_after(now, [model], replaced, 3.0, 0.9).set_index(["grouped_by", "group_name"])
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
        tabulate_before_after(h, [model], list_replaced(h, REASONS), 3.0, 0.9).query(
            "grouped_by == 'replaced_in' and group_name == '2021'")["expected_after"].iloc[0]
        for h in (now, quiet)
    ]
    assert expected[0] > 1.1 * expected[1]


def test_what_follows_changes_nothing_of_what_was_expected(history: FailureHistory, model: FailureModel) -> None:
    tables = [
        tabulate_before_after(h, [model], list_replaced(h, REASONS), 3.0, 0.9).set_index(["grouped_by", "group_name"])
        for h in (replace_first(history, after=0), replace_first(history, after=9))
    ]
    mine = ("replaced_in", "2021")
    # only the share of failures whose section is on record may move, and that by little
    assert tables[0].loc[mine, "expected_after"] == pytest.approx(tables[1].loc[mine, "expected_after"], rel=0.01)
    assert tables[1].loc[mine, "seen_after"] == 9


def test_a_section_on_the_models_own_day_is_expected_as_the_forecast_says(
    history: FailureHistory, model: FailureModel,
) -> None:
    forecast = model.forecast_loops(3.0).set_index("loop_id")
    loop = forecast.index[3]
    members = list_watched(history, {loop: dt.date(2020, 12, 31)})
    known = model.windows.sections.loc[model.windows.in_service, "section_id"]
    members = members[members["section_id"].isin(known)]
    table = tabulate_before_after(history, [model], members, 3.0, 0.9)
    # failures closed after the day are known to the comparison and not to the model: none on this loop
    late = list_events(history).query("failed_on <= '2020-12-31' < closed_on")
    assert loop not in set(late["loop_id"])
    assert table["expected_after"].iloc[0] == pytest.approx(forecast.loc[loop, "expected_failures"], rel=0.002)


def test_injected_and_watched_sets() -> None:
    history = place_sections(make_fleet(3, loops=12).history)
    sections = history.sections.assign(
        rejuvenated_on=pd.Series(pd.Timestamp("2022-05-01"), history.sections.index).where(
            history.sections["section_id"] == "S000004"))
    now = dataclasses.replace(history, sections=sections)
    injected = list_injected(now)
    assert injected[["group_name", "section_id"]].to_numpy().tolist() == [["2022", "S000004"]]
    watched = list_watched(now, {"L00001": dt.date(2021, 1, 1)})
    there = sections[(sections["loop_id"] == "L00001") & ~(sections["retired_on"] < "2021-01-01")
                     & ~(sections["installed_on"] > "2021-01-01")]
    assert watched["section_id"].tolist() == there["section_id"].tolist()
    assert set(watched["counts"]) == {"loop"}


def test_no_verdict_without_enough_to_expect(history: FailureHistory, model: FailureModel) -> None:
    table = tabulate_before_after(
        history, [model], list_members(history, REASONS, [model], {}), 3.0, 0.9)
    few = table["expected_after"] < LEAST_EXPECTED
    assert (table.loc[few, "effect_verdict"] == "too_few").all()
    assert (table.loc[~few, "effect_verdict"] != "too_few").all()
    claimed = table["effect_verdict"].eq("fewer_than_expected")
    assert (table["seen_over_expected_hi"].lt(1.0) & ~few).equals(claimed)


def test_a_set_before_any_model_has_no_row(history: FailureHistory, model: FailureModel) -> None:
    members = list_watched(history, {"L00001": dt.date(2015, 1, 1)})
    assert tabulate_before_after(history, [model], members, 3.0, 0.9).empty


def test_a_watched_loop_that_is_not_there_is_named() -> None:
    history = place_sections(make_fleet(3, loops=12).history)
    with pytest.raises(UserError) as caught:
        list_watched(history, {"L00001": dt.date(2021, 1, 1), "L99999": dt.date(2021, 1, 1)})
    assert str(caught.value) == (
        "setting replacement.watched names L99999, which has no section loaded\n  where: settings file\n"
        "  to do: correct the loop_id, or load loops.csv and sections.csv, then: loopwear refresh"
    )
