"""Drift: the charts of an instrument's readings, and what is said of its movement."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from pipelines.locating.drift import chart_drift, describe_drift, describe_levels, ewma_limits, sum_cumulatively
from pipelines.locating.instrument_levels import Levels, still_levels
from shared.settings import Settings
from tests.locating_fleets import as_it_stands, made_up_fit, mixture_covariance

AS_OF = pd.Timestamp("2024-01-01", tz="UTC")
T = stats.t.ppf(0.95, 12)  # the made-up fit has 12 degrees of freedom


def make_history(drift: float, n: int = 240, seed: int = 1) -> pd.DataFrame:
    """Readings over twenty years that drift from the thirteenth on, 2.5 % noise."""
    rng = np.random.default_rng(seed)
    years = np.sort(rng.uniform(0, 20, n))
    return pd.DataFrame(
        {
            "instrument_id": "A",
            "reading_id": [f"r{i:04d}" for i in range(n)],
            "read_at": pd.Timestamp("2006-01-01", tz="UTC") + pd.to_timedelta(years * 365.25, unit="D"),
            "relative_error": drift * np.maximum(years - 13, 0) + rng.normal(0, 0.025, n),
            "standard_error": 0.025,
            "insulation": "XLPE",
        }
    )


def test_one_slip_raises_no_alarm() -> None:
    history = make_history(0.0, n=60)
    history["relative_error"] = np.where(history.index == 30, 2.0, 0.0)
    assert not chart_drift(history)["is_out"].any()


def test_few_readings_are_not_charted() -> None:
    assert chart_drift(make_history(0.0, n=11)).empty
    both = pd.concat([make_history(0.0, n=11), make_history(0.0, n=12).assign(instrument_id="B")])
    assert chart_drift(both)["instrument_id"].tolist() == ["B"] * 12


def test_a_sum_that_never_passes_its_limit_has_no_place() -> None:
    found = sum_cumulatively(np.zeros(20), 0.0, 0.5, 5.0)
    assert (found.first_out, found.onset) == (-1, -1)


def test_a_sum_stands_at_its_limit_without_passing_it_and_its_onset_is_after_the_last_nought() -> None:
    exact = sum_cumulatively(np.array([2.0, 2.0]), 0.0, 0.5, 3.0)
    assert (exact.high.tolist(), exact.first_out) == ([1.5, 3.0], -1)
    up = sum_cumulatively(np.array([2.0, -3.0, 2.0, 2.0, 2.0]), 0.0, 0.5, 3.0)
    assert (up.first_out, up.onset) == (4, 2)
    down = sum_cumulatively(np.array([1.0, -2.0, -2.0, -2.0]), 0.0, 0.5, 3.0)
    assert (down.low.tolist(), down.first_out, down.onset) == ([0, 1.5, 3.0, 4.5], 3, 1)
    assert sum_cumulatively(np.array([9.0, 0.0]), 0.0, 0.5, 3.0).onset == 0


def chart_of(scores: list[float], instrument: str = "A", error: float = 0.02) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Readings a day apart with these errors in standard errors, and their chart."""
    n = len(scores)
    readings = pd.DataFrame(
        {
            "instrument_id": instrument,
            "reading_id": [f"{instrument}{i:02d}" for i in range(n)],
            "read_at": pd.Timestamp("2020-01-01", tz="UTC") + pd.to_timedelta(np.arange(n), unit="D"),
            "relative_error": error * np.array(scores),
            "standard_error": error,
        }
    )
    return readings, chart_drift(readings.iloc[::-1])


def test_either_chart_calls_a_reading_out() -> None:
    """0.9 each: sums of 0.4 pass 5 at the thirteenth, averages stay below 0.9. Nought and threes: averages go first."""
    _, slow = chart_of([0.9] * 15)
    assert slow["is_out"].tolist() == [False] * 12 + [True] * 3
    assert slow["cusum_high"].to_numpy() == pytest.approx(0.4 * np.arange(1, 16))
    assert slow["ewma"].to_numpy() == pytest.approx(0.9 * (1 - 0.8 ** np.arange(1, 16)))
    _, fast = chart_of([0.0] * 10 + [-3.0, -40.0, 0.0])
    assert fast["standardised_error"].tolist()[10:] == pytest.approx([-3, -3, 0])  # cut at three
    assert fast["error_pct"].tolist()[10:] == pytest.approx([-6, -80, 0])
    assert fast["ewma"].tolist()[10:] == pytest.approx([-0.6, -1.08, -0.864])
    assert fast["cusum_low"].tolist()[10:] == pytest.approx([2.5, 5.0, 4.5])
    assert fast["is_out"].tolist()[10:] == [False, True, False]
    limit = 2.86 * np.sqrt(0.2 / 1.8 * (1 - 0.8 ** (2 * np.arange(1, 14))))
    assert fast["ewma_limit"].to_numpy() == pytest.approx(limit)
    assert ewma_limits(2, 1.0, 3.0).tolist() == [3.0, 3.0]


def moving_levels() -> Levels:
    """I1 drifts, I2 is steady; of the four years before the day there are three knots."""
    return replace(
        still_levels(2),
        at_years=np.array([[-4.0, -2.0, 0.0]] * 2),
        scale=np.array([[-0.02, -0.01, 0.0], [0.0, 0.0, 0.0]]),
        zero_m=np.array([[-0.4, -0.1, 0.0], [0.0, 0.0, 0.0]]),
        sd=np.array([[[0.004, 0.2], [0.003, 0.1], [0.002, 0.3]], np.zeros((3, 2))]),
        rate=np.array([0.006, 0.0]),
        moved=np.array([np.diag([4e-6, 0.09, 9e-6]), np.zeros((3, 3))]),
        chance=np.array([[0.02, 0.9, 0.08], [0.97, 0.02, 0.01]]),
        evidence=np.array([80.0, 0.3]),
        started_years=np.array([-3.0, -1.0]),
    )


def test_the_row_of_an_instrument_names_when_each_chart_went_out_and_how_it_moves() -> None:
    """The verdict is that of the evidence, whatever the charts say; they stand beside it."""
    _, moved_chart = chart_of([0.9] * 15, "I1")
    _, calm_chart = chart_of([1e-9] * 10 + [3.0, 8.0, 8.0, 8.0], "I2", 0.03)
    chart = pd.concat([calm_chart, moved_chart])
    calibrated = pd.Series({"I2": pd.Timestamp("2019-05-01")})
    found = as_it_stands(made_up_fit(), moving_levels())
    rows = describe_drift(chart, found, AS_OF, calibrated, Settings()).set_index("instrument_id")
    day = pd.Timestamp("2020-01-01", tz="UTC")
    assert rows["readings"].tolist() == [15, 14]
    a, b = rows.loc["I1"], rows.loc["I2"]
    assert (a["cusum_out_at"], b["cusum_out_at"]) == (day + pd.Timedelta(days=12), day + pd.Timedelta(days=12))
    assert pd.isna(a["ewma_out_at"]) and b["ewma_out_at"] == day + pd.Timedelta(days=11)
    assert (a["drift_from_at"], pd.isna(b["drift_from_at"])) == (AS_OF - pd.Timedelta(days=3 * 365.25), True)
    assert pd.isna(a["last_calibrated_on"]) and b["last_calibrated_on"] == pd.Timestamp("2019-05-01")
    assert rows["is_drifting"].tolist() == [True, False]
    assert rows["drift_verdict"].tolist() == ["drifting", "steady"]
    assert rows["drift_evidence"].tolist() == [80.0, 0.3]
    assert a[["drift_pct_per_year", "drift_lo", "drift_hi"]].tolist() == pytest.approx(
        [0.6, 0.6 - T * 0.3, 0.6 + T * 0.3]
    )
    # 0.9 (1 - 0.8^15) standard errors of 2 %; 0.2 x 3 four times of 3 %, the median
    average = 0.6 * (1 + 0.8 + 0.8**2 + 0.8**3)
    assert rows["last_ewma_pct"].tolist() == pytest.approx([0.9 * (1 - 0.8**15) * 2.0, average * 3.0])
    nothing = describe_drift(chart.iloc[:0], found, AS_OF, calibrated, Settings())
    assert nothing.empty and list(nothing.columns) == list(rows.reset_index().columns)


def test_the_last_day_in_tolerance_is_that_of_its_level() -> None:
    """Dug were 80 to 200 m, of these 86 to 171 m are looked at: 3 m are allowed up to 150 m, from there 2 %."""
    _, first = chart_of([0.0] * 12, "I1")
    _, second = chart_of([0.0] * 12, "I2")
    calibrated = pd.Series(dtype=object)
    # scale of I1 today; at 86.6 m with half a metre of offset 3 m are 2.9 %, at 171.2 m 2 % are left to 1.7 %
    for today, day in ((0.03, dt.date(2020, 1, 1)), (0.0205, dt.date(2021, 12, 31)), (0.01, None), (0.1, None)):
        fit = made_up_fit()
        fit = replace(fit, state=replace(fit.state, scale=np.array([today, -0.02])))
        found = as_it_stands(fit, moving_levels())
        rows = describe_drift(pd.concat([first, second]), found, AS_OF, calibrated, Settings())
        assert rows["in_tolerance_until_on"].tolist() == [day, None], today


def test_levels_in_time_written_out() -> None:
    """Scale and offset of each knot, with the limits of their means and of the movement about them."""
    fit, levels = made_up_fit(), moving_levels()
    fit = replace(fit, moved=levels.moved[:, :2, :2])
    rows = describe_levels(as_it_stands(fit, levels), AS_OF, Settings())
    assert rows["instrument_id"].tolist() == ["I1"] * 3 + ["I2"] * 3
    days = [dt.date(2020, 1, 1), dt.date(2021, 12, 31), dt.date(2024, 1, 1)]
    assert rows["level_on"].tolist() == days * 2
    slowness = (1.02 + 0.95) / 2
    for g, (scale, zero) in enumerate([([-0.01, 0.0, 0.01], [0.1, 0.4, 0.5]), ([-0.02] * 3, [3.2] * 3)]):
        own = rows[rows["instrument_id"] == f"I{g + 1}"]
        mean = [mixture_covariance(fit, np.zeros(4), at, np.zeros(4), at, g) for at in np.eye(2)]
        sd = np.sqrt(np.array(mean) + levels.sd[g] ** 2)
        for name, limits, middle, reach in (
            ("scale_error_pct", "scale_error", 100 * np.array(scale), 100 * T * sd[:, 0]),
            ("offset_m", "offset", np.array(zero) / slowness, T * sd[:, 1] / slowness),
        ):
            assert own[name].tolist() == pytest.approx(middle)
            assert own[f"{limits}_lo"].tolist() == pytest.approx(middle - reach)
            assert own[f"{limits}_hi"].tolist() == pytest.approx(middle + reach)
    # knots of one day are one row, the later of them
    twice = replace(levels, at_years=np.array([[-4.0, -3.9999, 0.0]] * 2))
    same = describe_levels(as_it_stands(fit, twice), AS_OF, Settings())
    assert same.loc[same["instrument_id"] == "I1", "scale_error_pct"].tolist() == pytest.approx([0.0, 1.0])
