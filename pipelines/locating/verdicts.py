"""In tolerance, out of it, or not to be said: equivalence logic, never "no significant bias"."""

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from shared.arrays import Floats
from shared.settings import Locating

MOST_NEEDED = 500
"""Further readings above which no number is given: the error lies at the edge of the tolerance."""
MOST_TESTS = 50
"""The same for readings of runs of known length. Tried by adding as many to the demo as were asked for, once each: up
to 5 decided, 22 did not, 42 did, 55 and 132 did not, since what others know of the class stays as it is."""
IN, OUT, FEW, NOT_SEPARABLE = "in_tolerance", "out_of_tolerance", "too_few_readings", "not_separable"


@dataclass(frozen=True)
class Verdict:
    """A verdict and its reason, and what one would take where there is none yet.

    Parameters
    ----------
    readings_needed
        Further readings like those there are; none: no number of them, or more than MOST_NEEDED.
    reason
        A code of verdict_reason.
    tests_needed
        Readings of runs of known length that would settle it: its own as of the day where it may have moved, another
        instrument's where its own readings cannot; none: cannot be said.
    """

    verdict: str
    readings_needed: int | None
    reason: str
    tests_needed: int | None = None


def tolerated_error(distance_m: Floats, settings: Locating) -> Floats:
    """Tolerated error at each distance, metres: the larger of a share and a length."""
    return np.maximum(settings.tolerance_pct / 100.0 * distance_m, settings.tolerance_m)


def check_distances(lengths_m: Floats, settings: Locating) -> Floats:
    """Distances a verdict is checked at: the ends of the usual range, and where the tolerance bends.

    Notes
    -----
    Error and tolerance are straight lines between these, so what holds at them holds over the whole range.
    """
    low, high = np.quantile(lengths_m, [0.1, 0.9]) if len(lengths_m) else (50.0, 150.0)
    bend = settings.tolerance_m / (settings.tolerance_pct / 100.0)
    return np.unique(np.array([low, min(max(bend, low), high), high]))


def judge(
    error_m: Floats,
    se_m: Floats,
    lasting_se_m: Floats,
    tolerance_m: Floats,
    freedom: float,
    coverage: float,
    readings: int,
    moved_se_m: Floats | None = None,
    test_se_m: Floats | None = None,
) -> Verdict:
    """Verdict on a line of errors at a few distances.

    Parameters
    ----------
    error_m, se_m
        Estimated error and its standard error at each distance, metres, shape (m,).
    lasting_se_m
        Part of the standard error that further readings would not remove, shape (m,).
    tolerance_m
        Tolerated error at each distance, metres.
    freedom
        Degrees of freedom for Student's quantile.
    coverage
        Two-sided level of the limits.
    readings
        Readings the estimate rests on.
    moved_se_m
        Part of the standard error that comes from movement between the readings and the day, shape (m,).
    test_se_m
        Standard error of one reading of a run of known length, shape (m,).

    Returns
    -------
    Verdict
        In tolerance when the limits lie inside it at every distance (two one-sided tests each, and an
        intersection-union test over distances); out when they lie outside it at one (Bonferroni over distances).

    References
    ----------
    Schuirmann 1987, J. Pharmacokinet. Biopharm. 15 (two one-sided tests); Berger 1982, Technometrics 24.

    Checked by: tests/unit/test_locating_verdicts.py
    """
    from scipy.special import stdtrit

    tail = (1.0 - coverage) / 2.0
    inside = float(stdtrit(freedom, 1.0 - tail))
    outside = float(stdtrit(freedom, 1.0 - tail / len(error_m)))
    size = np.abs(error_m)
    if np.all(size + inside * se_m <= tolerance_m):
        return Verdict(IN, 0, "limits_inside")
    if np.any(size - outside * se_m > tolerance_m):
        return Verdict(OUT, 0, "limits_outside")
    gaps = (tolerance_m - size) / inside, (size - tolerance_m) / outside

    def least(cost: Callable[[Floats], Floats], lasting: Floats, most: int = MOST_TESTS) -> int | None:
        """What it costs to bring the variance down to each room: all distances to clear, one to condemn."""
        rooms = [np.where(gap > 0, gap, 0.0) ** 2 - lasting**2 for gap in gaps]
        clear, condemn = (np.where(room > 0, cost(np.where(room > 0, room, 1.0)), math.inf) for room in rooms)
        needed = min(float(clear.max()), float(condemn.min()))
        return None if not math.isfinite(needed) or needed > most else max(1, math.ceil(needed))

    kept, nothing = lasting_se_m**2, np.zeros_like(se_m)
    free = se_m**2 - kept
    more = least(lambda room: readings * (free / room - 1.0), lasting_se_m, MOST_NEEDED)
    if moved_se_m is not None and test_se_m is not None and np.any(moved_se_m**2 > 0.5 * se_m**2):
        # most of the doubt is where it stands on the day: readings of that day tell, old ones do not
        now = least(lambda room: test_se_m**2 * (1.0 / room - 1.0 / free), lasting_se_m)
        if now:
            return Verdict(FEW, more, "readings_now", now)
    if more is None and least(lambda room: np.where(room > free, 0.0, math.inf), nothing):
        # its own part alone would do; what stays is for others to bring down
        beyond = None
        if test_se_m is not None:
            beyond = least(
                lambda room: (
                    np.where(room > free, test_se_m**2 / np.maximum(room - free, 1e-12), math.inf)
                    - test_se_m**2 / np.maximum(kept, 1e-12)
                ),
                nothing,
            )
        return Verdict(FEW, None, "others_needed", beyond)
    return Verdict(FEW, more, "more_readings" if more else "at_the_edge")
