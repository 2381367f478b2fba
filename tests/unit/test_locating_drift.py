"""Drift and season: found where planted, not found where not."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from pipelines.locating.drift import chart_drift, describe_drift, fit_hinge, sum_cumulatively

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
