"""A corrected distance ends where the noiseless reading says the fault is."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from pipelines.locating.correction import correct_distances, fit_lines, mean_section_slowness
from pipelines.locating.line import State
from pipelines.locating.noise import MEASURED_LENGTH_SHARE
from pipelines.locating.velocity import fit_velocity
from tests.locating_fleets import Design, make_readings


def test_the_walk_along_the_sections_undoes_the_line() -> None:
    readings, _ = make_readings(Design(classes=2, instruments=3), np.random.default_rng(41))
    state = State(np.array([1.02, 0.95]), 0.02, 0.3, np.array([0.01, 0.0, -0.01]), np.array([0.0, 3.2, 0.0]))
    fit = replace(fit_velocity(readings), state=state)
    row = int(np.flatnonzero(readings.is_dug)[7])
    i, name = int(readings.instrument[row]), readings.reading_id[row]
    # two sections: 70 m of class 0 with tails of 2 and 3, then class 1 with a tail of 1; dug 25 m into the second
    runs = pd.DataFrame(
        {
            "reading_id": name,
            "section_id": ["S1", "S2"],
            "cable_from_m": [0.0, 75.0],
            "cable_to_m": [75.0, 160.0],
            "run_from_m": [0.0, 70.0],
            "run_to_m": [70.0, 154.0],
            "near_tail_m": [2.0, 1.0],
            "far_tail_m": [3.0, 0.0],
        }
    )
    cable = 1.02 * (2 + 1.02 * 70 + 3) + 0.95 * (1 + 1.02 * 25)
    time = readings.time_m.copy()
    time[row] = (1 + state.scale[i]) * cable + 0.3 + state.zero_m[i]
    fit = replace(fit, readings=replace(readings, time_m=time))
    found = correct_distances(fit, runs, pd.Series({"S1": 1.02, "S2": 0.95})).set_index("reading_id")
    assert found.loc[name, "corrected_distance_m"] == pytest.approx(70 + 25, abs=1e-9)


def test_beyond_the_last_section_it_goes_on() -> None:
    readings, _ = make_readings(Design(classes=1, instruments=2), np.random.default_rng(42))
    fit = fit_velocity(readings, tails_recorded=True)
    row = int(np.flatnonzero(readings.is_dug)[0])
    name = readings.reading_id[row]
    runs = pd.DataFrame(
        {
            "reading_id": [name],
            "section_id": ["S1"],
            "cable_from_m": [0.0],
            "cable_to_m": [1.0],
            "run_from_m": [0.0],
            "run_to_m": [1.0],
            "near_tail_m": [0.0],
            "far_tail_m": [0.0],
        }
    )
    found = correct_distances(fit, runs, pd.Series({"S1": fit.state.slowness[0]})).set_index("reading_id")
    assert found.loc[name, "corrected_distance_m"] > 1.0


def test_pieces_move_the_mean_slowness_of_their_section() -> None:
    sections = pd.DataFrame({"section_id": ["S1", "S2"], "cable_class": ["A", "B"], "length_m": [100.0, 50.0]})
    pieces = pd.DataFrame({"section_id": ["S1"], "from_m": [10.0], "to_m": [30.0], "cable_class": ["B"]})
    found = mean_section_slowness(sections, pieces, ("A", "B"), np.array([1.0, 1.1]))
    assert found["S1"] == pytest.approx(0.8 * 1.0 + 0.2 * 1.1)
    assert found["S2"] == pytest.approx(1.1)


def test_the_line_of_an_instrument_never_seen_is_that_of_an_average_one() -> None:
    """No scale and no offset of its own, noise as of the fleet, and a variance that holds the instruments' spread."""
    fit = fit_velocity(make_readings(Design(classes=2, instruments=3), np.random.default_rng(41))[0])
    lines = fit_lines(fit).set_index(["instrument_id", "cable_class"])
    unseen, slope = lines.loc[""], (1 + fit.state.slack) * fit.state.slowness
    assert unseen["readings"].tolist() == [0, 0]
    assert unseen["constant_m"].to_numpy() == pytest.approx([fit.state.tail_m] * 2)
    assert unseen["slope"].to_numpy() == pytest.approx(slope)
    assert unseen["noise_constant_variance"].to_numpy() == pytest.approx([fit.noise.constant_m**2] * 2)
    growing = fit.noise.growing**2 + MEASURED_LENGTH_SHARE
    assert unseen["noise_growing_variance"].to_numpy() == pytest.approx(growing * slope**2)
    for code, instrument in enumerate(fit.readings.instruments):
        own = lines.loc[instrument]
        assert own["slope"].to_numpy() == pytest.approx(slope * (1 + fit.state.scale[code]))
        assert own["noise_constant_variance"].to_numpy() == pytest.approx(
            [fit.noise.constant_m**2 * fit.factor[code]] * 2
        )
        assert (own[["constant_variance", "slope_variance"]] < unseen[["constant_variance", "slope_variance"]]).all(
            None
        )
    assert lines["readings"].sum() == len(fit.readings.part_row[fit.readings.instrument[fit.readings.part_row] >= 0])
