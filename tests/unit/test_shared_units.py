"""Units against exact constants.

Source: the metre is defined by c = 299792458 m/s exactly (SI); the international foot is 0.3048 m exactly (1959
agreement). The echo delays for given permittivities follow from v = c / sqrt(eps_r) (published check 15.1).
"""

from __future__ import annotations

import math

import pytest

from shared.units import C_M_PER_US, DAYS_PER_YEAR, METRES, VELOCITY_PCT, one_way_time_us


def test_velocity_of_light() -> None:
    assert C_M_PER_US == 299.792458


@pytest.mark.parametrize(
    ("permittivity", "half_m_per_us"), [(1.0, 149.896229), (2.3, 98.838646), (2.5, 94.802699), (4.0, 74.948115)]
)
def test_distance_per_microsecond_of_echo_delay(permittivity: float, half_m_per_us: float) -> None:
    velocity_pct = 100 / math.sqrt(permittivity)
    # An echo 1 us after the pulse has travelled half a microsecond one way.
    assert one_way_time_us(half_m_per_us, velocity_pct) == pytest.approx(0.5, abs=1e-8)


@pytest.mark.parametrize(
    ("convention", "value"),
    [
        ("percent", 53.0),
        ("fraction", 0.53),
        ("m_per_us", 158.89000274),
        ("half_m_per_us", 79.44500137),
        ("ft_per_us", 521.29265991),
        ("half_ft_per_us", 260.64632996),
    ],
)
def test_one_velocity_in_every_convention(convention: str, value: float) -> None:
    assert value * VELOCITY_PCT[convention] == pytest.approx(53.0, rel=1e-9)


def test_lengths() -> None:
    assert METRES["miles"] == pytest.approx(1609.344, rel=1e-12)
    assert METRES["kft"] == pytest.approx(304.8, rel=1e-12)


def test_a_year_and_every_length_in_metres() -> None:
    assert DAYS_PER_YEAR == (3 * 365 + 366) / 4
    wanted = {"m": 1, "km": 1000, "ft": 0.3048, "kft": 304.8, "miles": 5280 * 0.3048}
    assert wanted == pytest.approx(METRES, rel=1e-12)
