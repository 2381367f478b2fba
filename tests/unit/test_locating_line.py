"""The line a reading lies on, worked out by hand, and its linear form."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from pipelines.locating import line
from pipelines.locating.mixed_model import Solution
from pipelines.locating.noise import Noise
from tests.locating_fleets import STATE, six_readings

READINGS = six_readings()
NONE = np.zeros(0)
FIELD = 0.007**2 + 0.008**2  # tape and slack


def test_the_line_written_out() -> None:
    cable = np.array([102 * 1.02, 200 * 1.02, 104 * 0.95, 180 * 1.02 + 120 * 0.95, 50 * 0.95, 60 * 1.02 + 20 * 0.95])
    assert line.cable_time(READINGS, STATE) == pytest.approx(cable)
    ends = {name: getattr(READINGS, name)[:6] for name in ("part_row", "part_class", "part_m")}  # r5 without a path
    assert line.cable_time(replace(READINGS, **ends), STATE) == pytest.approx([*cable[:5], 0.0])
    scale, route = np.array([1.01, 1.01, 0.98, 0.98, 1.0, 0.98]), np.array([1.02, 1.02, 1.02, 1.0, 1.0, 1.02])
    rest = np.array([0.3 + 0.5, 0.3 + 0.5, 0.3 + 3.2, 2 * 3.2, 0.0, 0.3 + 3.2])
    assert line.line(READINGS, STATE) == pytest.approx(scale * route * cable + rest)


def test_values_of_instruments_are_spread_over_readings() -> None:
    values = np.array([0.7, 1.3])
    assert line.effects_of(READINGS, values).tolist() == [0.7, 0.7, 1.3, 1.3, 0.0, 1.3]
    assert line.factor_of(READINGS, values).tolist() == [0.7, 0.7, 1.3, 1.3, 1.0, 1.3]
    assert (line.effects_of(READINGS, NONE).tolist(), line.factor_of(READINGS, NONE).tolist()) == ([0.0] * 6, [1.0] * 6)


def test_the_best_length_lies_between_the_recorded_one_and_that_of_the_reading() -> None:
    noise, factor = Noise(0.8, 0.025, 0.04, 0.02), np.array([1.5, 0.8])
    slope = np.array([1.02 * 1.02] * 2 + [0.95 * 1.02, (180 * 1.02 + 120 * 0.95) / 300, 0.95, 80.2 / 80 * 1.02])
    time, f, length = slope * READINGS.length_m, np.array([1.5, 1.5, 0.8, 0.8, 1.0, 0.8]), READINGS.length_m
    share = np.array([FIELD, FIELD + 0.04**2, FIELD, 0.02**2, 0.0, FIELD])
    place = np.array([0, 0, 1.5**2, 0, 0, 0])
    variance = (0.64 * READINGS.zero_errors + 0.025**2 * time**2) * f + share * time**2 + place
    pull = (share * length**2 + place) * slope / variance
    for residual, drawn in ((2.0, 2.0), (900.0, 3 * variance**0.5), (-900.0, -3 * variance**0.5)):
        best = line.best_length(READINGS, STATE, noise, factor, np.full(6, residual))
        assert best == pytest.approx(length + pull * drawn)
    # paced with an error of twice the distance: three of them would end behind the terminal
    far = line.best_length(READINGS, STATE, replace(noise, paced=2.0), factor, np.full(6, -900.0))
    assert far[1] == pytest.approx(0.2 * 200)


def test_errors_of_an_instrument_not_on_record_are_noise() -> None:
    noise, time = Noise(0.8, 0.025, 0.04, 0.02), np.full(6, 100.0)
    own = line.reading_variance(READINGS, noise, time, np.array([1.5, 0.8]), 0.0, 0.0)
    assert own[0] == pytest.approx((0.64 + 6.25) * 1.5 + FIELD * 1e4)
    assert own[4] == pytest.approx(0.64 * 2 + 6.25)
    more = line.reading_variance(READINGS, noise, time, np.array([1.5, 0.8]), 0.03, 0.7) - own
    assert more == pytest.approx([0, 0, 0, 0, 3.0**2 + (2 * 0.7) ** 2, 0])


@pytest.mark.parametrize("stretch", [np.ones(6), np.array([1.1, 0.9, 1.2, 0.8, 1.3, 0.7])])
def test_the_linear_form_is_the_slope_of_the_line(stretch: np.ndarray) -> None:
    """Each column by central differences of the line in one of its numbers; with the residual it gives the reading."""
    moved = replace(READINGS, part_m=READINGS.part_m * stretch[READINGS.part_row])
    residual, mean, precision = np.arange(6.0) - 2, np.arange(4.0), np.arange(4.0) + 5
    form = line.linearise(READINGS, STATE, residual, READINGS.length_m * stretch, mean, precision)
    matrix = np.zeros((6, form.columns))
    np.add.at(matrix, (form.row, form.column), form.value)

    def slope(name: str, place: int | None = None) -> np.ndarray:
        def at(step: float) -> np.ndarray:
            value = getattr(STATE, name)
            other = value + step if place is None else value + step * (np.arange(len(value)) == place)
            return line.line(moved, replace(STATE, **{name: other}))

        return (at(1e-4) - at(-1e-4)) / 2e-4

    assert matrix.shape == (6, 4)
    for column, at in enumerate([("slowness", 0), ("slowness", 1), ("slack",), ("tail_m",)]):
        assert matrix[:, column] == pytest.approx(slope(*at), abs=1e-6), at
    for group in range(2):
        own = READINGS.instrument == group
        assert np.where(own, form.scale, 0.0) == pytest.approx(slope("scale", group), abs=1e-6)
        assert np.where(own, form.zero, 0.0) == pytest.approx(slope("zero_m", group), abs=1e-6)
    effects = np.array([0.01, 0.01, -0.02, -0.02, 0, -0.02]) * form.scale
    effects = effects + np.array([0.5, 0.5, 3.2, 3.2, 0, 3.2]) * form.zero
    assert form.response == pytest.approx(residual + matrix @ [1.02, 0.95, 0.02, 0.3] + effects)
    assert (form.groups, form.group.tolist(), form.run.tolist()) == (2, [0, 0, 1, 1, -1, 1], [0, 0, 1, 2, 3, 1])
    assert (form.prior_mean.tolist(), form.prior_precision.tolist()) == ([0, 1, 2, 3], [5, 6, 7, 8])


def test_priors_are_weak_but_where_a_term_is_kept_out() -> None:
    """Slowness 1 +- 0.3, slack 0 +- 0.1 or pinned, tail 0 +- 0.3 m where recorded, 2 m where not."""
    for has_slack, usual, slack, tail in ((True, None, 100, 1 / 0.09), (False, 1.5, 1e12, 0.25)):
        mean, precision = line.priors(2, has_slack, usual)
        assert mean.tolist() == [1, 1, 0, usual or 0]
        assert precision == pytest.approx([1 / 0.09, 1 / 0.09, slack, tail])


def test_a_solution_becomes_named_parts() -> None:
    empty = np.zeros(0)
    solution = Solution(np.array([1.1, 0.9, 0.02, 0.4]), np.array([[0.01, 2.0], [0.03, 4.0]]), empty, empty, empty, 0.0)
    state = line.solution_state(solution)
    assert (state.slowness.tolist(), state.slack, state.tail_m) == ([1.1, 0.9], 0.02, 0.4)
    assert (state.scale.tolist(), state.zero_m.tolist()) == ([0.01, 0.03], [2.0, 4.0])


def test_the_start_is_the_median_ratio_of_the_long_paths_of_each_class() -> None:
    # ratio of time to length, and the parts of the path by class
    paths = [
        *((ratio, {0: length}) for ratio, length in ((1.5, 10), (1.4, 20), (1.1, 30), (1.05, 40), (1.0, 50))),
        *((ratio, {0: 100.0}) for ratio in (0.6, 1.7)),  # as far off as a gross error
        (0.94, {1: 10.0}),
        (0.92, {1: 17.0, 0: 3.0}),  # 85 % of the path
        (0.62, {1: 30.0}),
        *((ratio, {2: 40.0}) for ratio in (1.3, 1.2)),
        (1.25, {2: 80.0, 0: 20.0}),  # 80 %: not most of the path
    ]
    parts = [(row, k, float(m)) for row, (_, path) in enumerate(paths) for k, m in path.items()]
    length = np.array([float(sum(path.values())) for _, path in paths])
    readings = replace(
        READINGS,
        time_m=np.array([ratio for ratio, _ in paths]) * length,
        length_m=length,
        part_row=np.array([p[0] for p in parts]),
        part_class=np.array([p[1] for p in parts]),
        part_m=np.array([p[2] for p in parts]),
        classes=("A", "B", "C"),
    )
    state = line.start_state(readings)
    # A: 1.1, 1.05, 1.0 from the median length up; B: 0.92 and 0.62; C has two readings: the median of all parts
    assert state.slowness == pytest.approx([1.05, (0.92 + 0.62) / 2, 1.1])
    assert (state.slack, state.tail_m, state.scale.tolist(), state.zero_m.tolist()) == (0, 0, [0, 0], [0, 0])
    assert line.start_state(replace(readings, time_m=3 * length)).slowness.tolist() == [1, 1, 1]
