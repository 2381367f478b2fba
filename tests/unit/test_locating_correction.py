"""A corrected distance ends where the noiseless reading says the fault is."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from pipelines.locating.correction import ALONG, BY_CLASS, Register, correct_digs, place_digs
from pipelines.locating.line import State
from pipelines.locating.velocity import VelocityFit, fit_velocity
from shared.settings import Settings
from tests.locating_fleets import Design, as_it_stands, made_up_fit, make_readings

NO_PIECES = pd.DataFrame(columns=["section_id", "from_m", "to_m", "cable_class", "installed_on"])
DAY = pd.Timestamp("2020-06-01", tz="UTC")


def register_of(fit: VelocityFit, rows: list[tuple], pieces: pd.DataFrame = NO_PIECES) -> Register:
    """Runs as reading, section, class, cable_from_m, run_from_m, run_to_m, near and far tail; sections of class A."""
    runs = pd.DataFrame(
        rows,
        columns=[
            "reading_id", "section_id", "cable_class", "cable_from_m", "run_from_m", "run_to_m", "near_tail_m",
            "far_tail_m",
        ],
    ).assign(direction=1)  # fmt: skip
    ids = fit.readings.reading_id
    table = pd.DataFrame({"reading_id": ids, "read_at": DAY, "cable_class": fit.readings.classes[0]})
    table["sampling_m"] = np.nan
    return Register(table.iloc[::-1], runs, pieces, Settings().locating)


def corrected(fit: VelocityFit, register: Register) -> pd.DataFrame:
    return correct_digs(fit, as_it_stands(fit).effects, register).set_index("reading_id")


def test_the_walk_along_the_sections_undoes_the_line() -> None:
    readings, _ = make_readings(Design(classes=2, instruments=3), np.random.default_rng(41))
    state = State(np.array([1.02, 0.95]), 0.02, 0.3, np.array([0.01, 0.0, -0.01]), np.array([0.0, 3.2, 0.0]))
    fit = replace(fit_velocity(readings), state=state)
    row = int(np.flatnonzero(readings.is_dug)[7])
    i, name = int(readings.instrument[row]), readings.reading_id[row]
    # two sections: 70 m of class 0 with tails of 2 and 3, then class 1 with a tail of 1; dug 25 m into the second,
    # whose first 10 m are of class 0 again
    rows = [(name, "S1", "class 0", 0.0, 0.0, 70.0, 2.0, 3.0), (name, "S2", "class 1", 75.0, 70.0, 154.0, 1.0, 0.0)]
    piece = pd.DataFrame([("S2", 0.0, 10.0, "class 0", None)], columns=list(NO_PIECES))
    cable = 1.02 * (2 + 1.02 * 70 + 3) + 0.95 * (1 + 1.02 * 15) + 1.02 * 1.02 * 10
    time = readings.time_m.copy()
    time[row] = (1 + state.scale[i]) * cable + 3 * 0.3 + state.zero_m[i]  # three tails are passed
    fit = replace(fit, readings=replace(readings, time_m=time))
    found = corrected(fit, register_of(fit, rows, piece))
    assert found.loc[name, "corrected_distance_m"] == pytest.approx(70 + 25, abs=1e-9)


def test_beyond_the_last_section_it_goes_on() -> None:
    readings, _ = make_readings(Design(classes=1, instruments=2), np.random.default_rng(42))
    fit = fit_velocity(readings, tails_recorded=True)
    name = readings.reading_id[int(np.flatnonzero(readings.is_dug)[0])]
    found = corrected(fit, register_of(fit, [(name, "S1", "class 0", 0.0, 0.0, 1.0, 0.0, 0.0)]))
    assert found.loc[name, "corrected_distance_m"] > 1.0


RUNS = [
    ("r1", "S2", "B", 90.0, 80.0, 150.0, 5.0, 4.0),
    ("r1", "S1", "A", 0.0, 0.0, 80.0, 2.0, 3.0),
    ("r0", "S1", "A", 0.0, 0.0, 300.0, 2.0, 3.0),
    ("r2", "S2", "B", 0.0, 0.0, 60.0, 4.0, 0.0),
    ("r9", "S2", "B", 0.0, 0.0, 60.0, 4.0, 0.0),
]


def test_corrected_distances_written_out() -> None:
    """r0 ends in its one section, r1 behind the last, r2 before the first metre, r5 has no run on record."""
    fit = made_up_fit()
    time = np.array([108.0, 213.0, 3.0, 300.0, 48.0, 86.0])
    fit = replace(fit, readings=replace(fit.readings, time_m=time))
    found = corrected(fit, register_of(fit, RUNS)).reset_index()
    assert found["reading_id"].tolist() == ["r0", "r1", "r2", "r5"]
    left = [(108 - 0.3 - 0.5) / 1.01, (213 - 0.3 - 0.5) / 1.01, (86 - 0.3 - 3.2) / 0.98]
    assert found["corrected_distance_m"].tolist() == pytest.approx(
        [
            (left[0] / 1.02 - 2) / 1.02,
            80 + ((left[1] - 0.6 / 1.01 - 1.02 * (1.02 * 80 + 5)) / 0.95 - 5) / 1.02,  # two tails more
            0.0,
            left[2] / (1.02 * 1.02),  # by the class of its section; no tail is on record
        ]
    )
    along = np.array([1.02, 1.02, 0.95, (60 * 1.02 + 20 * 0.95) / 80]) * 1.02
    leverage = np.array([0.2, 0.1, 0.3, 0.15])
    assert found["left_out_error_m"].to_numpy() == pytest.approx(np.array([1, -2, 0.5, -1.2]) / (1 - leverage) / along)
    sd = np.sqrt(np.array([4.0, 9, 6, 3]) * (1 + leverage))
    assert found["standard_error_m"].to_numpy() == pytest.approx(sd / along)
    assert found["right_probability"].tolist() == [0.9, 0.4, 0.8, 0.7]
    assert list(found.columns) == [
        "reading_id",
        "corrected_distance_m",
        "left_out_error_m",
        "standard_error_m",
        "right_probability",
    ]


def test_past_readings_are_asked_along_the_loop_or_by_class() -> None:
    """Along the loop those whose way is known, each with its own instrument and its own movement; by class all."""
    fit = made_up_fit()
    effects, register = as_it_stands(fit).effects, register_of(fit, RUNS)
    rows, still = np.array([5, 1, 0]), np.zeros(3)
    moved = (np.array([0.0, 0.02, 0.0]), np.array([0.0, 0.0, 1.0]))
    kept, along = place_digs(effects, fit.readings, rows, register, ALONG, still, moved)
    assert kept.tolist() == [1, 2]
    left = [(213 - 0.3 - 0.5) / 1.03, (108 - 0.3 - 0.5 - 1.0) / 1.01]
    assert along.corrected_m.tolist() == pytest.approx(
        [80 + ((left[0] - 0.6 / 1.03 - 1.02 * (1.02 * 80 + 5)) / 0.95 - 5) / 1.02, (left[1] / 1.02 - 2) / 1.02]
    )
    everything, by_class = place_digs(effects, fit.readings, rows, register, BY_CLASS, still, moved)
    assert everything.tolist() == [0, 1, 2]
    assert by_class.corrected_m.tolist() == pytest.approx(
        [
            (86 - 0.3 - 3.2) / 0.98 / (1.02 * 1.02),
            80 + (left[0] - 1.02 * 1.02 * 80) / 0.95 / 1.02,
            left[1] / (1.02 * 1.02),
        ]
    )
    # the drift of I1 adds to what is not known of a reading years after the fit
    drifting = replace(effects, own_covariance=effects.own_covariance + np.diag([0, 0, 1e-4]))
    later = place_digs(drifting, fit.readings, rows, register, ALONG, np.array([9.0, 2.0, 0.0]), moved)[1]
    assert later.se_m[0] > 1.1 * along.se_m[0] and later.se_m[1] == pytest.approx(along.se_m[1])
