"""Windows in forward order: nothing later is used, and on plain readings they hold what they promise."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from pipelines.locating import line
from pipelines.locating.coverage import backtest_windows
from pipelines.locating.forward import COLUMNS, ORIGINS, _foresee, foresee_digs
from pipelines.locating.noise import total_variance
from pipelines.locating.readings import keep_readings
from pipelines.locating.season import fit_season, season_errors, season_shift, take_season_off
from pipelines.locating.velocity import fit_velocity
from tests.locating_fleets import Design, made_up_fit, make_readings

DESIGN = Design(classes=2, instruments=4, dug=100, far_end=10, known=2, planted_zero_m={1: 4.0})


def make_history(design: Design = DESIGN):
    readings, truth = make_readings(design, np.random.default_rng(12))
    days = np.random.default_rng(13).permutation(len(readings))
    read_at = pd.Series(pd.Timestamp("2012-01-01", tz="UTC") + pd.to_timedelta(days, unit="D"))
    return readings, pd.DataFrame({"read_at": read_at, "insulation": "XLPE"}), truth


def test_windows_made_beforehand_hold_what_they_promise() -> None:
    readings, facts, _ = make_history()
    found = foresee_digs(readings, facts, 0.90, tails_recorded=True)
    assert tuple(found.columns) == COLUMNS
    assert found["origin_at"].nunique() == ORIGINS
    assert len(found) == pytest.approx(800 * ORIGINS / (ORIGINS + 1), abs=2)
    dates = dict(zip(readings.reading_id, facts["read_at"], strict=True))
    digs = found.assign(read_at=found["reading_id"].map(dates))
    assert (digs["read_at"] >= digs["origin_at"]).all()
    held = backtest_windows(digs, (0.5, 0.8, 0.95)).groupby(["window_method", "window_level"])["is_held"].mean()
    for (_, coverage), share in held.items():
        assert share == pytest.approx(coverage, abs=3.5 * (coverage * (1 - coverage) / 600) ** 0.5)


def test_what_comes_later_changes_nothing_of_what_was_foreseen() -> None:
    readings, facts, _ = make_history(replace(DESIGN, dug=50))
    before = foresee_digs(readings, facts, 0.90, tails_recorded=True)
    last = before["origin_at"].max()
    late = (facts["read_at"] >= last).to_numpy()
    changed = replace(readings, time_m=np.where(late, 1.3 * readings.time_m, readings.time_m))
    after = foresee_digs(changed, facts, 0.90, tails_recorded=True)
    early = before["origin_at"] < last
    pd.testing.assert_frame_equal(before[early], after[early])
    assert not np.allclose(before.loc[~early, "forward_error_m"], after.loc[~early, "forward_error_m"])


def test_too_few_digs_are_not_foreseen() -> None:
    """Six parts of 50 digs are enough; a dig less leaves 49 for the first."""
    readings, facts, _ = make_history(replace(DESIGN, dug=38))
    dug = np.flatnonzero(readings.is_dug)
    for digs, rows in ((299, 0), (300, 250)):
        kept = np.isin(np.arange(len(readings)), dug[digs:], invert=True)
        found = foresee_digs(
            keep_readings(readings, kept), facts[kept].reset_index(drop=True), 0.90, tails_recorded=True
        )
        assert len(found) == rows
        assert tuple(found.columns) == COLUMNS


def test_error_and_standard_error_of_a_dig_the_fit_has_not_seen() -> None:
    """Along the route, by the heaviest point; an instrument not on record brings the spread of all."""
    fit = made_up_fit()
    later = replace(fit.readings, instrument=np.array([0, -1, 1, 1, -1, 1]), time_m=fit.readings.time_m + 2)
    error, se = _foresee(fit, later)
    cable = np.array([102 * 1.02, 200 * 1.02, 104 * 0.95, 180 * 1.02 + 120 * 0.95, 50 * 0.95, 60 * 1.02 + 20 * 0.95])
    along = cable / later.length_m * 1.02
    assert error == pytest.approx((later.time_m - line.line(later, fit.state)) / along)
    # the row of the line: parts, slack and tail where dug, scale and zero of the instrument
    scale, dug = np.array([1.01, 1.0, 0.98, 0.98, 1.0, 0.98]), later.is_dug
    route = np.where(dug, 1.02, 1.0)
    fixed = np.zeros((6, 4))
    np.add.at(fixed, (later.part_row, later.part_class), later.part_m * (scale * route)[later.part_row])
    fixed[:, 2], fixed[:, 3] = np.where(dug, scale * cable, 0), dug
    random = np.column_stack([cable * route, later.zero_errors])
    one = replace(fit, points=fit.points[1:], weights=np.ones(1), scale_sd=np.zeros(1), zero_sd=np.zeros(1))
    variance = one.variance(fixed, random, later.instrument)
    factor = np.array([0.81, 1.0, 1.44, 1.44, 1.0, 1.44])
    variance = variance + total_variance(later, fit.noise, cable * route, factor)
    unseen = (0.0175 * cable * route) ** 2 + (0.7 * later.zero_errors) ** 2
    variance = variance + np.where(later.instrument < 0, unseen, 0)
    assert se == pytest.approx(np.sqrt(variance) / along)


def test_each_part_is_foreseen_by_the_readings_before_it_with_their_season_off() -> None:
    """Six parts of 50 digs in order of time, undated ones left out; digs of one moment in order of their names."""
    design = Design(classes=1, instruments=2, dug=152, far_end=12, known=0)
    readings, facts, _ = make_history(design)
    facts["read_at"] = facts["read_at"].dt.floor("2D")
    undated = np.flatnonzero(readings.is_dug)[[3, 40, 77, 150]]
    facts.loc[undated, "read_at"] = pd.NaT
    day = facts["read_at"].dt.day_of_year.fillna(1).to_numpy()
    readings = replace(readings, time_m=readings.time_m * (1 + 0.06 * np.cos(2 * np.pi * (day - 45) / 365.25)))
    found = foresee_digs(readings, facts, 0.90, tails_recorded=True)
    digs = facts.assign(reading_id=readings.reading_id)[readings.is_dug].dropna(subset=["read_at"])
    digs = digs.sort_values(["read_at", "reading_id"])
    assert len(digs) == 300
    for k, part in found.groupby(np.arange(len(found)) // 50):
        own = digs.iloc[50 * (k + 1) : 50 * (k + 2)]
        assert sorted(part["reading_id"]) == sorted(own["reading_id"])
        assert (part["origin_at"] == own["read_at"].iloc[0]).all()
    before = (facts["read_at"] < own["read_at"].iloc[0]).to_numpy()
    fit = fit_velocity(keep_readings(readings, before), tails_recorded=True)
    season = fit_season(season_errors(fit, facts[before]), 0.90)
    assert season["is_carried"].tolist() == [True]
    ahead = np.isin(readings.reading_id, own["reading_id"])
    shift = season_shift(season, facts.loc[ahead, "insulation"], facts.loc[ahead, "read_at"])
    error, se = _foresee(fit, take_season_off(keep_readings(readings, ahead), shift))
    assert part["reading_id"].tolist() == readings.reading_id[ahead].tolist()
    assert part["forward_error_m"].to_numpy() == pytest.approx(error)
    assert part["forward_se_m"].to_numpy() == pytest.approx(se)
    assert (part["freedom"].iloc[0], part["wrong_share"].iloc[0]) == pytest.approx((fit.freedom, fit.noise.wrong_share))
