"""The 2.5 beta threshold."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
import pytest

from pipelines.restoration.major_events import fit_major_event_threshold, fit_yearly_thresholds, mark_major_event_days


def test_threshold_is_a_formula_of_the_logs() -> None:
    # logs alternate between -1 and 1 about -2: mean -2, standard deviation sqrt(200 / 199)
    saidi = np.exp(-2 + np.tile([1.0, -1.0], 100))
    found = fit_major_event_threshold(saidi)
    assert found.alpha == pytest.approx(-2)
    assert found.beta == pytest.approx(math.sqrt(200 / 199))
    assert found.threshold_min == pytest.approx(math.exp(-2 + 2.5 * math.sqrt(200 / 199)))


def test_days_without_an_interruption_are_left_out() -> None:
    saidi = np.exp(-2 + np.tile([1.0, -1.0], 100))
    assert fit_major_event_threshold(np.append(saidi, np.zeros(500))) == fit_major_event_threshold(saidi)


def test_too_few_days_give_no_threshold() -> None:
    found = fit_major_event_threshold(np.full(99, 0.1))
    assert math.isnan(found.threshold_min)
    assert found.days == 99


def test_about_two_days_in_three_hundred_exceed_it_where_daily_saidi_is_lognormal() -> None:
    saidi = np.random.default_rng(1).lognormal(-3, 1.4, 100_000)
    share = np.mean(saidi > fit_major_event_threshold(saidi).threshold_min)
    assert share == pytest.approx(0.00621, abs=0.001)  # upper tail of the normal beyond 2.5


def daily(flagged: bool = False) -> pd.DataFrame:
    rng = np.random.default_rng(3)
    days = pd.date_range("2010-01-01", "2016-12-31", freq="5D")
    saidi = rng.lognormal(-3, 1, len(days))
    saidi[-1] = 50.0
    flags = np.zeros(len(days), dtype=bool)
    flags[3] = flagged
    return pd.DataFrame({"reported_on": days, "jobs": 1, "saidi_min": saidi, "is_flagged": flags})


def mark(days: pd.DataFrame) -> pd.DataFrame:
    return mark_major_event_days(days, fit_yearly_thresholds(days))


def test_the_threshold_stands_on_the_five_years_before() -> None:
    days = daily()
    found = mark(days).set_index("reported_on")
    years = days["reported_on"].dt.year
    before = days.loc[(years >= 2011) & (years < 2016), "saidi_min"]
    of_2016 = found.loc["2016", "threshold_min"].unique()
    assert of_2016 == pytest.approx([fit_major_event_threshold(before).threshold_min])
    assert found.loc["2010", "threshold_min"].isna().all()
    assert found["is_major_event_day"].iloc[-1]
    assert set(found["marked_by"]) == {"2.5 beta"}


def test_the_utilitys_own_flags_come_first() -> None:
    found = mark(daily(flagged=True))
    assert found["is_major_event_day"].sum() == 1
    assert found["is_major_event_day"].iloc[3]
    assert found["is_over_threshold"].iloc[-1]
    assert set(found["marked_by"]) == {"flags"}


def test_a_hundred_days_set_a_threshold_that_a_day_must_exceed() -> None:
    """Days of one minute each: mean log 0, no spread, so the threshold is one minute."""
    before = pd.DataFrame({"reported_on": pd.date_range("2011-01-01", periods=100), "jobs": 1, "saidi_min": 1.0})
    judged = pd.DataFrame(
        {"reported_on": pd.to_datetime(["2016-01-01", "2016-01-02"]), "jobs": 1, "saidi_min": [1.0, 1.01]}
    )
    days = pd.concat([before, judged], ignore_index=True).assign(is_flagged=False)
    found = mark(days).tail(2)
    assert found["threshold_min"].tolist() == [1, 1]
    assert found["is_over_threshold"].tolist() == found["is_major_event_day"].tolist() == [False, True]
    without_one = mark(days.assign(saidi_min=days["saidi_min"].where(days.index > 0))).tail(2)
    assert without_one["threshold_min"].isna().all() and not without_one["is_over_threshold"].any()
    later = days.assign(
        reported_on=days["reported_on"].where(days.index < 100, days["reported_on"] + pd.DateOffset(years=1))
    )
    assert mark(later)["threshold_min"].isna().all()  # six years before is too long ago
