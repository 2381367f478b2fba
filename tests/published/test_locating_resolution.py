"""Length of a pulse and what it hides, against a handbook's figures and the arithmetic of echoes."""

from __future__ import annotations

import numpy as np
import pytest

from pipelines.locating.resolution import blind_zone_m, display_error_m, resolution_m
from shared.units import C_M_PER_US, M_PER_FT, one_way_time_us


def test_a_pulse_of_a_microsecond_hides_five_hundred_feet_at_the_velocity_of_light() -> None:
    """Electronic Warfare and Radar Systems Engineering Handbook, section Propagation time / resolution.

    Its rules of thumb: 500 ft of range resolution per microsecond of pulse width; 150 m there and back in a
    microsecond. rfcafe.com/references/electrical/ew-radar-handbook/propagation-time-resolution.htm ; to two digits.
    """
    assert float(resolution_m(1000.0, 100.0)) / M_PER_FT == pytest.approx(500, rel=0.02)
    assert float(blind_zone_m(1000.0, 100.0)) == pytest.approx(150, rel=0.002)


def test_an_echo_from_the_edge_of_the_blind_zone_comes_back_as_the_pulse_ends() -> None:
    """c v tau / 2 by hand: 299.792458 m/us x 0.53 x 0.1 us / 2 = 7.9445 m."""
    edge = blind_zone_m(np.array([20.0, 100.0]), np.array([48.0, 53.0]))
    assert edge[1] == pytest.approx(7.9445, abs=5e-5)
    there_and_back = [2 * one_way_time_us(float(m), v) for m, v in zip(edge, (48.0, 53.0), strict=True)]
    assert there_and_back == pytest.approx([0.02, 0.1])


def test_two_marks_are_told_apart_beyond_half_a_pulse_and_two_points() -> None:
    assert float(resolution_m(20.0, 100.0, 0.5)) == pytest.approx(0.02 * C_M_PER_US / 2)
    assert resolution_m(20.0, np.array([50.0, 100.0]), 2.0).tolist() == pytest.approx([4.0, 4.0])


def test_a_mark_is_read_with_the_error_of_a_uniform_step_and_of_the_cursor() -> None:
    """Sheppard's correction: an error uniform within a step h has the variance h^2 / 12 (1898)."""
    drawn = np.random.default_rng(5).uniform(-0.5, 0.5, 200_000)
    assert float(display_error_m(1.0, 0.0)) == pytest.approx(12**-0.5) == pytest.approx(drawn.std(), rel=0.01)
    assert display_error_m(np.array([0.0, 1.2]), 0.5).tolist() == pytest.approx([0.5, (0.12 + 0.25) ** 0.5])
