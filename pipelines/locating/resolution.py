"""What a pulse of some length can show: the near-end blind zone, two marks told apart, how finely a mark is read."""

import numpy as np

from shared.arrays import Floats
from shared.settings import Locating
from shared.units import C_M_PER_US


def blind_zone_m(pulse_ns: Floats | float, velocity_pct: Floats | float) -> Floats:
    """Distance from the instrument within which the pulse sent hides an echo, metres.

    Parameters
    ----------
    pulse_ns
        Width of the pulse, nanoseconds.
    velocity_pct
        Velocity setting of the instrument, percent of c.

    Notes
    -----
    c v tau / 2: the echo from there comes back just as the pulse ends. The display uses the same v, so a displayed
    distance below it lies in the blind zone whatever the cable's own velocity.

    Checked by: tests/published/test_locating_resolution.py
    """
    return np.asarray(C_M_PER_US * np.asarray(velocity_pct) / 100.0 * np.asarray(pulse_ns) / 1000.0 / 2.0)


def resolution_m(pulse_ns: Floats | float, velocity_pct: Floats | float, sampling_m: Floats | float = 0.0) -> Floats:
    """Distance below which two marks cannot be told apart, metres.

    Parameters
    ----------
    pulse_ns, velocity_pct
        As for blind_zone_m.
    sampling_m
        Distance between two points of the display, metres.

    Notes
    -----
    The echoes of two marks nearer to one another than half the pulse's length overlap; and a point must lie between
    two marks, so that they are at least two points apart.

    Checked by: tests/published/test_locating_resolution.py
    """
    return np.maximum(blind_zone_m(pulse_ns, velocity_pct), 2.0 * np.asarray(sampling_m))


def display_error_m(sampling_m: Floats | float, cursor_m: Floats | float) -> Floats:
    """Standard error with which a mark is read off the display, metres.

    Parameters
    ----------
    sampling_m
        Distance between two points of the display, metres: the error is uniform within it.
    cursor_m
        Standard error of placing the cursor, metres.

    Checked by: tests/published/test_locating_resolution.py
    """
    return np.asarray(np.sqrt(np.asarray(sampling_m) ** 2 / 12.0 + np.asarray(cursor_m) ** 2), dtype=float)


def coarse_variance(sampling_m: Floats, locating: Locating) -> Floats:
    """Variance that a display coarser than usual adds to a reading, metres squared, shape (n,).

    Parameters
    ----------
    sampling_m
        Distance between two points of the display, metres, shape (n,); missing or nought: usual.
    locating
        The usual display, whose error is in the fitted noise.
    """
    cursor, usual = locating.cursor_m, locating.sampling_m
    at_least = np.maximum(np.nan_to_num(sampling_m), usual)
    return np.asarray(display_error_m(at_least, cursor) ** 2 - display_error_m(usual, cursor) ** 2)
