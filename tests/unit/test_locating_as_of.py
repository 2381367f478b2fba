"""The fit as of a day: instruments as they stand then, season off, nothing used that comes later."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from pipelines.locating.as_of import FitAsOf, fit_as_of, years_after
from pipelines.locating.readings import Readings
from pipelines.locating.velocity import fit_velocity
from tests.locating_fleets import Design, Truth, make_readings

AS_OF = pd.Timestamp("2022-01-01", tz="UTC")
DESIGN = Design(classes=2, instruments=4, dug=40, far_end=10, known=4)


def drawn(seed: int, design: Design = DESIGN) -> tuple[Readings, pd.DataFrame, Truth]:
    """Readings over the ten years before the day, an hour before it the last."""
    rng = np.random.default_rng(seed)
    readings, truth = make_readings(design, rng)
    days = rng.permutation(np.linspace(0, 3652, len(readings)))
    read_at = AS_OF - pd.to_timedelta(pd.Series(days), unit="D") - pd.Timedelta(hours=1)
    return readings, pd.DataFrame({"read_at": read_at, "insulation": "XLPE"}), truth


def fitted(readings: Readings, facts: pd.DataFrame, calibrated: dict[str, str] | None = None) -> FitAsOf:
    days = pd.Series(pd.to_datetime(pd.Series(calibrated or {}, dtype=object)))
    return fit_as_of(
        readings, facts, AS_OF, days, pd.Series([2.0]), tails_recorded=True, usual_tail_m=2.0, coverage=0.9
    )


def scaled(readings: Readings, share: np.ndarray, instrument: int = 0) -> Readings:
    return replace(readings, time_m=readings.time_m * (1 + np.where(readings.instrument == instrument, share, 0.0)))


def test_years_count_from_the_day() -> None:
    moments = pd.Series([AS_OF + pd.Timedelta(days=365.25), AS_OF - pd.Timedelta(days=730.5), pd.NaT])
    assert years_after(moments, AS_OF) == pytest.approx([1.0, -2.0, np.nan], nan_ok=True)


def test_the_fit_follows_a_planted_drift_to_the_day() -> None:
    """0.8 % a year over seven years: its scale of the day is within the limits, its mean over the years is not."""
    held, away = 0, []
    for seed in range(10):
        readings, facts, truth = drawn(seed)
        years = years_after(facts["read_at"], AS_OF)
        moved = scaled(readings, 0.008 * np.maximum(years + 7, 0))
        found = fitted(moved, facts)
        fit, right = found.fit, (1 + truth.scale[0]) * 1.056 - 1
        held += abs(fit.state.scale[0] - right) < fit.quantile(0.9) * np.sqrt(fit.effect_covariance()[1][0, 0, 0])
        assert found.levels.verdict(1.645, 0.02)[0] in ("drifting", "stepped")
        assert found.effects.own[1, 0] == fit.state.scale[0]
        away.append((fit_velocity(moved, tails_recorded=True).state.scale[0] - right, fit.state.scale[0] - right))
        # the others, and the cable, are left alone
        assert 53 / fit.state.slowness == pytest.approx(truth.velocity_pct, abs=0.9)
    assert held >= 7
    still, followed = np.abs(np.mean(away, axis=0))
    assert followed < 0.006 < 0.02 < still


def test_a_calibration_after_the_day_is_not_used() -> None:
    readings, facts, truth = drawn(3)
    years = years_after(facts["read_at"], AS_OF)
    moved = scaled(readings, 0.03 * (years > -2))
    none, later, known = (
        fitted(moved, facts, calibrated)
        for calibrated in ({}, {"I000": "2022-01-02", "I009": "2019-01-01"}, {"I000": "2020-01-01"})
    )
    assert later.fit.state.scale.tolist() == none.fit.state.scale.tolist()
    assert later.levels.at_years.tolist() == none.levels.at_years.tolist()
    # one that was known then explains the step, which is no movement between calibrations any more
    moving = {"drifting", "stepped"}
    assert none.levels.verdict(1.645, 0.02)[0] in moving and known.levels.verdict(1.645, 0.02)[0] not in moving
    for fit in (none.fit, known.fit):
        reach = fit.quantile(0.9) * np.sqrt(fit.effect_covariance()[1][0, 0, 0])
        assert abs(fit.state.scale[0] - (1.03 * (1 + truth.scale[0]) - 1)) < reach < 0.03


def test_readings_of_no_moment_and_no_instrument_stay_as_they_came() -> None:
    readings, facts, _ = drawn(5)
    years = years_after(facts["read_at"], AS_OF)
    drifted = scaled(readings, 0.008 * np.maximum(years + 7, 0))
    nobody = replace(drifted, instrument=np.where(drifted.instrument == 1, -1, drifted.instrument))
    facts.loc[::7, "read_at"] = pd.NaT
    found = fitted(nobody, facts)
    left_alone = facts["read_at"].isna().to_numpy() | (nobody.instrument < 0)
    same = found.fit.readings.time_m == found.calm.time_m
    assert same[left_alone].all() and not same[~left_alone].all()
    assert np.isfinite(found.fit.state.scale).all()


def test_the_season_is_taken_off_before_anything_else() -> None:
    readings, facts, _ = drawn(6, replace(DESIGN, instruments=2, dug=150))
    day = facts["read_at"].dt.day_of_year.to_numpy()
    swing = 1 + 0.06 * np.cos(2 * np.pi * (day - 45) / 365.25)
    found = fitted(replace(readings, time_m=readings.time_m * swing), facts)
    assert found.season["is_carried"].tolist() == [True]
    assert found.calm.time_m / readings.time_m == pytest.approx(np.ones(len(readings)), abs=0.02)
    assert found.levels.verdict(1.645, 0.02) == ["steady", "steady"]
