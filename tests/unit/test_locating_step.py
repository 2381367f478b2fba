"""The whole topic on inputs that leave little or nothing to fit."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from pipelines.locating.proposals import line_of
from pipelines.locating.readings import select_readings
from pipelines.locating.step import TABLES, Inputs, fit_before, fit_tables, reading_facts
from shared.settings import Settings

SETTINGS = Settings()


def inputs_of(readings: pd.DataFrame) -> Inputs:
    """Dug readings on one section of one class, taped."""
    n = len(readings)
    filled = pd.DataFrame(
        {
            "reading_id": [f"r{i}" for i in range(n)],
            "job_id": [f"J{i}" for i in range(n)],
            "section_id": "S1",
            "loop_id": "L1",
            "cable_class": "A",
            "instrument_id": "I1",
            "dug_method": "taped",
            "tail_m": 0.0,
            "zero_errors": 1,
            "read_at": pd.Timestamp("2020-05-01", tz="UTC") + pd.to_timedelta(np.arange(n), unit="D"),
            "reading_kind": "dug",
            "sampling_m": np.nan,
        }
    ).assign(**{name: readings[name].to_numpy() for name in readings})
    known = filled["velocity_setting_pct"].notna()
    filled["is_usable"] = known
    filled["unusable_because"] = np.where(known, None, "setting_unknown")
    paths = pd.DataFrame(
        {"reading_id": filled["reading_id"], "cable_class": "A", "length_m": filled["true_length_m"], "tail_m": 0.0}
    )[known]
    runs = pd.DataFrame(
        {
            "reading_id": filled["reading_id"],
            "section_id": "S1",
            "cable_from_m": 0.0,
            "cable_to_m": 500.0,
            "cable_class": "A",
            "direction": 1,
            "run_from_m": 0.0,
            "run_to_m": 500.0,
            "near_tail_m": 0.0,
            "far_tail_m": 0.0,
        }
    )[known]
    return Inputs(
        readings=filled,
        paths=paths,
        runs=runs,
        spans=pd.DataFrame(columns=["reading_id", "section_id"]),
        sections=pd.DataFrame(
            {"section_id": ["S1"], "loop_id": ["L1"], "cable_class": ["A"], "insulation": ["XLPE"], "length_m": [500.0]}
        ),
        pieces=pd.DataFrame(columns=["section_id", "from_m", "to_m", "cable_class", "installed_on"]),
        instruments=pd.DataFrame({"instrument_id": ["I1"], "last_calibrated_on": [pd.NaT]}),
        tails_recorded=True,
        terminal_tails=pd.Series(dtype=float),
        as_of=pd.Timestamp("2021-01-01", tz="UTC"),
    )


def variances_of_line(true: np.ndarray, shown: np.ndarray) -> np.ndarray:
    """Covariance of constant and slope of the one instrument on the one class."""
    table = {"true_length_m": true, "displayed_distance_m": shown, "velocity_setting_pct": np.full(len(true), 53.0)}
    inputs = inputs_of(pd.DataFrame(table))
    readings = select_readings(inputs.readings, inputs.paths)
    fit = fit_before(inputs, SETTINGS, readings, reading_facts(readings, inputs), inputs.as_of).fit
    return line_of(fit, "I1", "A")[2]


def test_where_no_setting_is_on_record_only_reads_long_by_is_said() -> None:
    true = np.linspace(40, 120, 30)
    frames = fit_tables(
        inputs_of(
            pd.DataFrame(
                {
                    "true_length_m": true,
                    "displayed_distance_m": true * 1.06,
                    "velocity_setting_pct": np.full(30, np.nan),
                }
            )
        ),
        SETTINGS,
    )
    assert set(frames) == set(TABLES)
    said = frames["marts.reads_long"].iloc[0]
    assert (said["digs"], said["settings_known"]) == (30, 0)
    assert said["reads_long_pct"] == pytest.approx(6.0)
    bias = frames["marts.instrument_bias"].iloc[0]
    assert (bias["verdict"], bias["readings"]) == ("too_few_readings", 0)
    assert pd.isna(bias["scale"]) and pd.isna(bias["offset_m"])
    rest = set(TABLES) - {"marts.reads_long", "marts.instrument_bias"}
    assert all(frames[name].empty for name in rest)


@pytest.mark.parametrize("count", [1, 2])
def test_one_or_two_readings_give_no_verdict_and_no_windows_of_the_past(count: int) -> None:
    true = np.full(count, 80.0)
    frames = fit_tables(
        inputs_of(
            pd.DataFrame(
                {
                    "true_length_m": true,
                    "displayed_distance_m": true * 1.06,
                    "velocity_setting_pct": np.full(count, 53.0),
                }
            )
        ),
        SETTINGS,
    )
    # the class and its only instrument cannot be told apart, whatever else
    assert frames["marts.velocity_by_class"]["verdict"].tolist() == ["not_separable"]
    assert frames["marts.velocity_by_class"]["velocity_fitted_pct"].isna().all()
    assert frames["marts.setting_proposals"]["verdict"].tolist() == ["too_few_readings"]
    assert frames["marts.window_coverage"].empty
    assert frames["marts.season"].empty
    variances = variances_of_line(true, true * 1.06)
    assert np.sqrt(variances[1, 1]) > 0.01


def test_all_readings_at_one_distance_leave_the_line_between_slope_and_offset_open() -> None:
    rng = np.random.default_rng(1)

    same, spread = (
        variances_of_line(true, true * 1.02 * (1 + rng.normal(0, 0.02, 40)))
        for true in (np.full(40, 60.0), np.linspace(20, 150, 40))
    )
    assert same[1, 1] > 2 * spread[1, 1]
    # at that distance the two open terms cancel, so a window there is no wider
    assert np.array([1, 60]) @ same @ np.array([1, 60]) < 0.25 * 60**2 * same[1, 1]
