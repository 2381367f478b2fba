"""Windows of age, likely dates, and what was known at a date, on fleets written out by hand."""

from __future__ import annotations

import dataclasses
import datetime as dt

import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_allclose

from pipelines.survival.history import (
    code_names,
    find_rows,
    known_at,
    list_loop_failures,
    list_own_failures,
    share_over_loops,
)
from pipelines.survival.missing_dates import spread_dates
from pipelines.survival.observation_windows import build_windows, loop_only_failures
from tests.survival_fleets import small_history


@pytest.fixture(scope="module")
def history():
    """Of every kind one: injected, injected and retired later than the as-of date, laid later, without a date."""
    sections = [
        {"length_km": 2.0, "rejuvenated_on": "2012-01-01", "loop_id": "L2"},
        {"installed_on": "2004-01-01", "retired_on": "2012-01-01", "rejuvenated_on": "2024-01-01"},
        {"installed_on": "2024-01-01"},
        {"installed_on": None, "is_installed_on_known": False, "length_km": 4.0},
        {"retired_on": "2020-01-01"},
        {"installed_on": "1984-01-01", "retired_on": "1996-01-01", "rejuvenated_on": "1980-01-01", "cable_class": "B"},
        {"retired_on": "2024-01-01", "loop_id": "L3"},
    ]
    failures = [
        {"section_id": "S0", "failed_on": "2008-01-01"},
        {"section_id": "S3", "failed_on": "2016-01-01", "why_not": "undated_section"},
        {"section_id": "S1", "failed_on": "2004-01-01", "closed_on": "2012-01-02"},
        {"section_id": "S1", "failed_on": "2008-01-01", "why_not": "excluded_cause"},
        {"loop_id": "L1", "cable_class": "A", "failed_on": "2008-01-01", "why_not": "loop_only"},
        {"loop_id": "L9", "cable_class": "A", "failed_on": "2008-01-01", "why_not": "loop_only"},
        {"section_id": "S9", "loop_id": "L1", "failed_on": "2008-01-01", "why_not": "not_in_register"},
        {"section_id": "S2", "loop_id": "L1", "failed_on": "2024-01-01"},
    ]
    return small_history(sections, failures)


def test_windows_by_hand(history) -> None:
    w = build_windows(history)
    # S1 then S3, S4, S5 of L1, S0 of L2, S6 of L3; S2 is laid later. The like of S3 on L1: 1 km of 1988, 1 of 2004
    assert w.sections["section_id"].tolist() == ["S1", "S3", "S4", "S5", "S0", "S6"]
    half = {year: (pd.Timestamp("2020-01-01") - pd.Timestamp(f"{year}-07-01")).days / 365.25 for year in (1988, 2004)}
    recorded = 20.0
    assert w.owner.tolist() == [0, 1, 1, 2, 3, 4, 5]
    assert_allclose(w.weight, [1, 0.5, 0.5, 1, 1, 1, 1])
    assert_allclose(w.km, [1, 2, 2, 1, 1, 2, 1])
    assert_allclose(w.entry_years, [0, half[1988] - recorded, 0, 12, 12, 12, 12])
    assert_allclose(w.exit_years, [8, half[1988], half[2004], 32, 12, 32, 32])
    assert_allclose(w.age_now, [16, half[1988], half[2004], 32, 36, 32, 32])
    assert_allclose(w.treated_years, [np.inf, np.inf, np.inf, np.inf, 0, 24, np.inf])
    # in the order of the jobs: S0, both windows of S3, S1 on its first day
    assert w.event_window.tolist() == [5, 1, 2, 0]
    assert_allclose(w.event_age_years, [20, half[1988] - 4, half[2004] - 4, 0], atol=1e-12)
    assert_allclose(w.event_weight, [1, 0.5, 0.5, 1])
    assert w.event_on.astype("datetime64[Y]").astype(str).tolist() == ["2008", "2016", "2016", "2004"]
    assert w.in_service.tolist() == [False, True, False, False, True, True]  # S4 leaves on the as-of date
    assert w.sum_by_section(np.arange(7.0)).tolist() == [0, 1 + 2, 3, 4, 5, 6]
    assert w.sum_by_section(np.array([2.0, 3.0]), np.array([2, 1])).tolist() == [0, 5, 0, 0, 0, 0]


def test_a_failure_known_by_loop_alone_may_be_of_any_cable_in_view_that_day(history) -> None:
    w = build_windows(history)
    failure, window, age = loop_only_failures(history, w)
    # S1 in view from 0 to 8, both windows of S3, S4; S5 left in 1996, the other loop has none
    assert (failure.tolist(), window.tolist()) == ([0, 0, 0, 0], [0, 1, 2, 3])
    assert_allclose(age, w.age_now[:4] - 12)
    on_the_edge = small_history(
        [{}, {"installed_on": "2008-01-01"}, {"retired_on": "2008-01-01"}, {"installed_on": "2012-01-01"}],
        [{"loop_id": "L1", "failed_on": "2008-01-01", "why_not": "loop_only"}],
    )
    _, window, age = loop_only_failures(on_the_edge, build_windows(on_the_edge))
    assert (window.tolist(), age.tolist()) == ([0, 1, 2], [20, 0, 20])


@pytest.mark.parametrize(
    ("row", "first", "dates", "weights"),
    [
        ({"loop_id": "L1", "cable_class": "A"}, None, ["1975-07-01", "1980-07-01"], [0.75, 0.25]),
        ({"loop_id": "L2", "cable_class": "A"}, None, ["1970-07-01", "1975-07-01", "1980-07-01"], [0.2, 0.6, 0.2]),
        (
            {"loop_id": "L3", "district_id": "D3", "cable_class": "A"},
            None,
            [*map("{}-07-01".format, (1960, 1970, 1975, 1980))],
            [0.5, 0.1, 0.3, 0.1],
        ),
        ({"loop_id": "L3", "cable_class": "C", "insulation": "X"}, None, ["1985-07-01"], [1.0]),
        (
            {"loop_id": "L3", "cable_class": "C", "insulation": "Z"},
            "1972-03-01",
            ["1960-07-01", "1970-07-01"],
            [0.5 / 0.6, 0.1 / 0.6],
        ),
        ({"loop_id": "L1", "cable_class": "A"}, "1975-03-01", ["1975-03-01"], [1.0]),  # its first half alone
        # like cable laid after the as-of date does not count, whatever it failed
        (
            {"loop_id": "L4", "cable_class": "A"},
            "2023-03-01",
            ["1970-07-01", "1975-07-01", "1980-07-01"],
            [0.2, 0.6, 0.2],
        ),
        ({"loop_id": "L1", "cable_class": "A"}, "1979-12-31", ["1975-07-01"], [1.0]),
        ({"loop_id": "L1", "cable_class": "A"}, "1950-03-01", ["1950-03-01"], [1.0]),  # nothing of its like is so old
        ({"loop_id": "L1", "cable_class": "A", "retired_on": pd.Timestamp("1978-02-01")}, None, ["1975-07-01"], [1.0]),
    ],
)
def test_likely_dates_are_those_of_the_nearest_like(row: dict, first: str | None, dates: list, weights: list) -> None:
    base = {
        "district_id": "D1",
        "insulation": "A",
        "is_installed_on_known": True,
        "retired_on": pd.NaT,
        "length_km": 0.1,
    }
    laid = [
        {"loop_id": "L1", "cable_class": "A", "length_km": 0.3, "installed_on": "1975-03-01"},
        {"loop_id": "L1", "cable_class": "A", "installed_on": "1980-03-01"},
        {"loop_id": "L9", "cable_class": "A", "installed_on": "1970-03-01"},
        {"loop_id": "L9", "district_id": "D2", "cable_class": "A", "length_km": 0.5, "installed_on": "1960-03-01"},
        {"loop_id": "L9", "district_id": "D2", "cable_class": "B", "insulation": "X", "installed_on": "1985-03-01"},
        {"loop_id": "L4", "cable_class": "A", "installed_on": "2022-03-01"},
        {"is_installed_on_known": False, "installed_on": None, "length_km": 7.0} | row,
    ]
    sections = pd.DataFrame([base | each for each in laid])
    sections["installed_on"] = pd.to_datetime(sections["installed_on"])
    firsts = pd.Series([pd.NaT] * 6 + [pd.Timestamp(first) if first else pd.NaT])
    spread = spread_dates(sections, firsts, pd.Timestamp("2020-01-01"))
    assert spread["row"].is_monotonic_increasing
    assert (spread["row"] < 6).sum() == 6
    assert (spread.loc[spread["row"] < 6, "weight"] == 1).all()
    own = spread[spread["row"] == 6]
    assert own["installed_on"].astype(str).tolist() == dates
    assert_allclose(own["weight"], weights)


def test_what_was_known_in_2012_by_hand(history) -> None:
    then = known_at(history, dt.date(2012, 1, 1))
    s = then.sections.set_index("section_id")
    assert "S2" not in s.index
    assert (then.as_of, len(s)) == (dt.date(2012, 1, 1), 6)
    assert s["retired_on"].notna().to_dict() == {
        "S1": True,
        "S3": False,
        "S4": False,
        "S5": True,
        "S0": False,
        "S6": False,
    }
    assert s["rejuvenated_on"].notna().to_dict() == {
        "S1": False,
        "S3": False,
        "S4": False,
        "S5": True,
        "S0": True,
        "S6": False,
    }
    assert s["exposure_years"].to_dict() == {"S1": 8, "S3": 0, "S4": 12, "S5": 0, "S0": 12, "S6": 12}
    assert s.loc["S0", "exposure_km_years"] == 24
    # the failure of 2004 was closed a day later
    assert then.failures["section_id"].fillna("").tolist() == ["S0", "S1", "", "", "S9"]
    day_later = known_at(history, dt.date(2012, 1, 2))
    assert len(day_later.failures) == 6
    early = known_at(history, dt.date(2002, 1, 1)).sections.set_index("section_id")
    assert early.loc["S0", "in_view_to"] == pd.Timestamp("2002-01-01")
    assert "S1" not in early.index
    assert known_at(history, dt.date(1999, 12, 31)).sections[["in_view_from", "in_view_to"]].isna().all(axis=None)
    on_the_day = known_at(history, dt.date(2004, 1, 1)).sections.set_index("section_id")
    assert on_the_day.loc["S1", ["in_view_from", "in_view_to"]].tolist() == [pd.Timestamp("2004-01-01")] * 2
    open_ended = history.failures.assign(closed_on=pd.NaT)
    again = known_at(type(history)(history.sections, open_ended, history.as_of), dt.date(2008, 1, 1))
    assert len(again.failures) == 6  # closed when reported


def test_own_and_loop_failures_are_listed(history) -> None:
    coded = code_names(history)
    own = list_own_failures(coded)
    assert own["section_code"].tolist() == [0, 3, 1, 2]
    assert own["closed_on"].astype(str).tolist() == ["2008-01-01", "2016-01-01", "2012-01-02", "2024-01-01"]
    turned = dataclasses.replace(coded, sections=coded.sections.iloc[[2, 0, 1]])
    assert find_rows(turned).tolist() == [1, 2, 0]
    alone = list_loop_failures(coded)
    assert alone["loop_code"].tolist() == [0, -1]
    assert alone["failed_on"].dt.year.tolist() == [2008, 2008]


def test_failures_of_a_loop_are_shared_by_what_is_expected() -> None:
    struck, loop = np.array([0, 0, -1, 2, 3]), np.array([0, 0, 1, 2])
    # two of loop 0 by 1 to 3; loop 2 expects nothing, loop 3 has no section
    assert share_over_loops(struck, loop, np.array([1.0, 3.0, 5.0, 0.0])).tolist() == [0.5, 1.5, 0, 0]
    assert share_over_loops(struck[:0], loop[:0], np.zeros(0)).tolist() == []
