"""Drift and season: found where planted, not found where not."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm
from scipy import stats

from pipelines.locating.drift import chart_drift, describe_drift, ewma_limits, fit_hinge, sum_cumulatively

CALIBRATED = pd.Series({"A": pd.Timestamp("2019-05-01")})


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


def test_a_planted_drift_is_found_with_its_start_and_its_rate() -> None:
    history = make_history(0.006)
    found = describe_drift(chart_drift(history), history, CALIBRATED, 0.90).iloc[0]
    assert found["is_drifting"]
    assert found["drift_lo"] < 0.6 < found["drift_hi"]
    assert abs((found["drift_from_at"] - pd.Timestamp("2019-01-01", tz="UTC")).days) < 2 * 365
    assert found["ewma_out_at"] > pd.Timestamp("2019-01-01", tz="UTC")
    assert found["last_calibrated_on"] == pd.Timestamp("2019-05-01")


def test_settled_instruments_are_seldom_called_drifting() -> None:
    called = 0
    for seed in range(100, 160):
        history = make_history(0.0, seed=seed)
        called += bool(describe_drift(chart_drift(history), history, CALIBRATED, 0.90)["is_drifting"].iloc[0])
    assert called <= 4


def test_one_slip_raises_no_alarm() -> None:
    history = make_history(0.0, n=60)
    history["relative_error"] = np.where(history.index == 30, 2.0, 0.0)
    assert not chart_drift(history)["is_out"].any()


def test_few_readings_are_not_charted() -> None:
    assert chart_drift(make_history(0.0, n=11)).empty
    both = pd.concat([make_history(0.0, n=11), make_history(0.0, n=12).assign(instrument_id="B")])
    assert chart_drift(both)["instrument_id"].tolist() == ["B"] * 12


def test_the_hinge_of_noiseless_readings_is_exact() -> None:
    years = np.linspace(0, 10, 101)
    place = int(10 * 0.85 * 101 / 24)  # one of the moments tried
    hinge = fit_hinge(years, 0.02 * np.maximum(years - years[place], 0), np.full(101, 0.01), 0.90)
    assert hinge.place == place
    assert hinge.slope == pytest.approx(0.02, rel=1e-9)
    assert hinge.is_real


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


def test_the_row_of_an_instrument_names_when_each_chart_went_out() -> None:
    calm, calm_chart = chart_of([0.9] * 15)
    moved, moved_chart = chart_of([0.0] * 10 + [3.0, 8.0, 8.0, 8.0], "B", 0.03)
    moved.loc[0, "standard_error"] = 0.05
    chart = pd.concat([moved_chart, calm_chart])
    calibrated = pd.Series({"B": pd.Timestamp("2019-05-01")})
    found = describe_drift(chart, pd.concat([moved, calm]), calibrated, 0.90).set_index("instrument_id")
    day = pd.Timestamp("2020-01-01", tz="UTC")
    assert found["readings"].tolist() == [15, 14]
    a, b = found.loc["A"], found.loc["B"]
    assert (a["cusum_out_at"], b["cusum_out_at"]) == (day + pd.Timedelta(days=12), day + pd.Timedelta(days=12))
    assert pd.isna(a["ewma_out_at"]) and b["ewma_out_at"] == day + pd.Timedelta(days=11)
    assert pd.isna(a["drift_from_at"]) and pd.isna(a["last_calibrated_on"])
    assert b["last_calibrated_on"] == pd.Timestamp("2019-05-01")
    assert found["is_drifting"].tolist() == [False, True]
    # 0.9 (1 - 0.8^15) standard errors of 2 %; 0.2 x 3 four times of 3 %, the median
    average = 0.6 * (1 + 0.8 + 0.8**2 + 0.8**3)
    assert found["last_ewma_pct"].tolist() == pytest.approx([0.9 * (1 - 0.8**15) * 2.0, average * 3.0])
    score = np.array([0.0] * 10 + [3.0] * 4)
    error = np.array([0.05] + [0.03] * 13)
    hinge = fit_hinge(np.arange(14) / 365.25, score * error, error, 0.90)
    assert b["drift_from_at"] == day + pd.Timedelta(days=hinge.place)
    assert b[["drift_pct_per_year", "drift_lo", "drift_hi"]].tolist() == pytest.approx(
        [100 * hinge.slope, 100 * hinge.slope_lo, 100 * hinge.slope_hi]
    )
    nothing = describe_drift(chart.iloc[:0], moved, calibrated, 0.90)
    assert nothing.empty and list(nothing.columns) == list(found.reset_index().columns)


def test_a_drift_needs_both_charts_and_a_start_that_is_no_chance() -> None:
    """A level off by 0.9 passes the sum alone; a level of 1.5 passes both charts, and there is no hinge in it."""
    for scores, out in (([0.9] * 40, [False, True]), ([1.5] * 40, [True, True])):
        readings, chart = chart_of(scores)
        row = describe_drift(chart, readings, CALIBRATED, 0.90).iloc[0]
        assert [not pd.isna(row["ewma_out_at"]), not pd.isna(row["cusum_out_at"])] == out
        assert not row["is_drifting"]
    readings, chart = chart_of([0.0] * 25 + [1.0, 1.0, 2.0, 2.0, 1.5])
    row = describe_drift(chart, readings, CALIBRATED, 0.50).iloc[0]
    assert (not pd.isna(row["ewma_out_at"]), pd.isna(row["cusum_out_at"]), row["is_drifting"]) == (True, True, False)
    assert not pd.isna(row["drift_from_at"])


def test_the_hinge_is_the_best_of_weighted_regressions() -> None:
    """statsmodels' WLS at each of 24 moments over the first 85 %; chance counts 24 times."""
    verdicts = []
    for seed in range(25):
        rng = np.random.default_rng(seed)
        n = 14 + 2 * seed
        years, se = np.sort(rng.uniform(0, 10, n)), rng.uniform(0.01, 0.04, n)
        start = rng.uniform(0, 9)
        error = 0.012 * np.maximum(years - start, 0) * rng.choice([-1, 1]) + rng.normal(0, se * rng.choice([0.3, 1.2]))
        best = None
        for place in sorted({int(k * 0.85 * n / 24) for k in range(24)}):
            x = np.column_stack([np.ones(n), np.maximum(years - years[place], 0)])
            fit = sm.WLS(error, x, weights=se**-2).fit()
            if best is None or fit.ssr < best[1].ssr:
                best = (place, fit)
        place, fit = best
        # the standard errors are known: they are widened where the readings scatter more, never narrowed
        sd = fit.bse[1] * max(1.0, 1.0 / fit.scale**0.5)
        reach = stats.t.ppf(0.95, n - 2) * sd
        chance = 24 * 2 * stats.t.sf(abs(fit.params[1]) / sd, n - 2)
        found = fit_hinge(years, error, se, 0.90)
        assert found.place == place
        assert (found.slope, found.slope_lo, found.slope_hi) == pytest.approx(
            (fit.params[1], fit.params[1] - reach, fit.params[1] + reach)
        )
        assert found.is_real == (chance < 0.1)
        if 1e-9 < chance < 1:
            assert not fit_hinge(years, error, se, 1 - 0.99 * chance).is_real
            assert fit_hinge(years, error, se, 1 - 1.01 * chance).is_real
        verdicts.append(found.is_real)
    assert 3 < sum(verdicts) < 22


def test_readings_of_one_moment_have_no_hinge() -> None:
    found = fit_hinge(np.zeros(12), np.ones(12), np.ones(12), 0.90)
    assert np.isnan([found.slope, found.slope_lo, found.slope_hi]).all()
    assert (found.place, found.is_real) == (0, False)
