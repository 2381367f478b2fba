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
from tests.locating_fleets import Design, made_up_fit, make_readings, mixture_covariance


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


def test_lines_written_out_with_their_covariance_over_the_points() -> None:
    fit = made_up_fit()
    lines = fit_lines(fit).set_index(["instrument_id", "cable_class"])
    assert lines.index.tolist() == [(i, k) for i in ("", "I1", "I2") for k in ("A", "B")]
    # readings that pass the class: I1 r0 and r1; I2 r3 and r5 of A, r2, r3 and r5 of B
    assert lines["readings"].tolist() == [0, 0, 2, 0, 2, 3]
    for (instrument, cable_class), row in lines.iterrows():
        group = ("I1", "I2").index(instrument) if instrument else -1
        scale, zero, factor = {-1: (0.0, 0.0, 1.0), 0: (0.01, 0.5, 0.81), 1: (-0.02, 3.2, 1.44)}[group]
        slowness = {"A": 1.02, "B": 0.95}[cable_class]
        constant, slope = np.array([0.0, 0, 0, 1]), np.zeros(4)
        slope["AB".index(cable_class)], slope[2] = 1.02 * (1 + scale), (1 + scale) * slowness
        move, turn = np.array([0.0, 1.0]), np.array([1.02 * slowness, 0.0])
        assert (row["constant_m"], row["slope"]) == pytest.approx((0.3 + zero, (1 + scale) * 1.02 * slowness))
        assert row["constant_variance"] == pytest.approx(mixture_covariance(fit, constant, move, constant, move, group))
        assert row["slope_variance"] == pytest.approx(mixture_covariance(fit, slope, turn, slope, turn, group))
        assert row["line_covariance"] == pytest.approx(mixture_covariance(fit, constant, move, slope, turn, group))
        assert row["noise_constant_variance"] == pytest.approx(0.36 * factor)
        assert row["noise_growing_variance"] == pytest.approx(
            (0.0009 * factor + 0.007**2 + 0.008**2) * ((1 + scale) * 1.02 * slowness) ** 2
        )


def test_corrected_distances_written_out() -> None:
    """r0 ends in its one section, r1 behind the last, r2 before the first metre, r5 has no run on record."""
    fit = made_up_fit()
    time = np.array([108.0, 213.0, 3.0, 300.0, 48.0, 86.0])
    fit = replace(fit, readings=replace(fit.readings, time_m=time))
    runs = pd.DataFrame(
        [
            ("r1", "S2", 90.0, 90.0, 150.0, 5.0, 4.0),
            ("r1", "S1", 0.0, 0.0, 80.0, 2.0, 3.0),
            ("r0", "S1", 0.0, 10.0, 300.0, 2.0, 3.0),
            ("r2", "S2", 0.0, 7.0, 60.0, 4.0, 0.0),
            ("r9", "S2", 0.0, 0.0, 60.0, 4.0, 0.0),
        ],
        columns=["reading_id", "section_id", "cable_from_m", "run_from_m", "run_to_m", "near_tail_m", "far_tail_m"],
    )
    found = correct_distances(fit, runs, pd.Series({"S1": 1.02, "S2": 0.9}))
    assert found["reading_id"].tolist() == ["r0", "r1", "r2", "r5"]
    left = [(108 - 0.3 - 0.5) / 1.01, (213 - 0.3 - 0.5) / 1.01, (3 - 0.3 - 3.2) / 0.98, (86 - 0.3 - 3.2) / 0.98]
    of_r5 = (60 * 1.02 + 20 * 0.95) / 80
    assert found["corrected_distance_m"].tolist() == pytest.approx(
        [
            10 + (left[0] / 1.02 - 2) / 1.02,
            90 + ((left[1] - 1.02 * (1.02 * 80 + 5)) / 0.9 - 5) / 1.02,
            7.0,
            left[3] / (of_r5 * 1.02),
        ]
    )
    along = np.array([1.02, 1.02, 0.95, of_r5]) * 1.02
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
    # without runs: the mean slowness of the path, its tails taken off, at nought at the least
    plain = correct_distances(fit, runs.iloc[4:], pd.Series({"S1": 1.02, "S2": 0.9})).set_index("reading_id")
    assert plain["corrected_distance_m"].tolist() == pytest.approx(
        [(left[0] - 2 * 1.02) / (1.02 * 1.02), left[1] / (1.02 * 1.02), 0.0, left[3] / (of_r5 * 1.02)]
    )


def test_a_time_used_up_at_a_joint_ends_there() -> None:
    """The next section begins as the time is used up: its near tail would lie behind the fault."""
    fit = made_up_fit()
    time = 1.01 * 1.02 * (1.02 * 80 + 2 + 3) + 0.3 + 0.5
    fit = replace(fit, readings=replace(fit.readings, time_m=np.full(6, time + 1e-9)))
    runs = pd.DataFrame(
        [("r0", "S1", 0.0, 0.0, 80.0, 2.0, 3.0), ("r0", "S2", 86.6, 82.0, 150.0, 5.0, 4.0)],
        columns=["reading_id", "section_id", "cable_from_m", "run_from_m", "run_to_m", "near_tail_m", "far_tail_m"],
    )
    found = correct_distances(fit, runs, pd.Series({"S1": 1.02, "S2": 0.9}))
    assert found["corrected_distance_m"].iloc[0] == pytest.approx(82.0)


def test_classes_never_read_take_the_mean_slowness() -> None:
    sections = pd.DataFrame(
        {"section_id": ["S1", "S2", "S3"], "cable_class": ["A", "X", "B"], "length_m": [100.0, 50.0, 40.0]}
    )
    pieces = pd.DataFrame(
        {
            "section_id": ["S1", "S1", "S2", "S3"],
            "from_m": [10.0, 50.0, 0.0, 30.0],
            "to_m": [30.0, 60.0, 25.0, 20.0],
            "cable_class": ["B", "X", "B", "A"],
        }
    )
    found = mean_section_slowness(sections, pieces, ("A", "B"), np.array([1.0, 1.1]))
    assert found.to_dict() == pytest.approx(
        {
            "S1": 0.7 * 1.0 + 0.2 * 1.1 + 0.1 * 1.05,
            "S2": 0.5 * 1.05 + 0.5 * 1.1,
            "S3": 1.1,  # a piece that ends before it begins is none
        }
    )
    bare = mean_section_slowness(sections, pieces.iloc[:0], ("A", "B"), np.array([1.0, 1.1]))
    assert bare.to_dict() == {"S1": 1.0, "S2": 1.05, "S3": 1.1}
