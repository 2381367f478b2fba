"""Windows in forward order: nothing later is used, and on plain readings they hold what they promise."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from pipelines.locating.coverage import backtest_windows
from pipelines.locating.forward import COLUMNS, ORIGINS, foresee_digs
from pipelines.locating.readings import keep_readings
from tests.locating_fleets import Design, make_readings

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
