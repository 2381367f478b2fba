"""Units: everything behind intake is metres, minutes, and percent of the velocity of light."""

from typing import Final

C_M_PER_US: Final = 299.792458
"""Velocity of light in metres per microsecond: exact, by the definition of the metre (SI)."""

M_PER_FT: Final = 0.3048
"""International foot, exact (1959 agreement)."""

DAYS_PER_YEAR: Final = 365.25
"""A year everywhere in the project, in days."""

METRES: Final[dict[str, float]] = {
    "m": 1.0,
    "km": 1000.0,
    "ft": M_PER_FT,
    "kft": 1000.0 * M_PER_FT,
    "miles": 5280.0 * M_PER_FT,
}
"""Metres in one of each length unit a mapping may state."""

VELOCITY_PCT: Final[dict[str, float]] = {
    "percent": 1.0,
    "fraction": 100.0,
    "m_per_us": 100.0 / C_M_PER_US,
    "half_m_per_us": 200.0 / C_M_PER_US,
    "ft_per_us": 100.0 * M_PER_FT / C_M_PER_US,
    "half_ft_per_us": 200.0 * M_PER_FT / C_M_PER_US,
}
"""Percent of c in one of each velocity convention; the half conventions state v/2, since an echo travels twice."""


def one_way_time_us(distance_m: float, velocity_pct: float) -> float:
    """Time in microseconds that a pulse needs, one way, for a displayed distance at a velocity setting.

    Parameters
    ----------
    distance_m
        Distance as displayed, metres.
    velocity_pct
        Setting the instrument stood on, percent of c.

    Notes
    -----
    t = d / v. The instrument measures 2 t and shows v t.
    """
    return distance_m / (velocity_pct / 100.0 * C_M_PER_US)
