"""In tolerance, out of it, or not to be said: equivalence logic, never "no significant bias"."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from shared.arrays import Floats
from shared.settings import Locating

MOST_NEEDED = 500
"""Further readings above which no number is given: the error lies at the edge of the tolerance."""
IN, OUT, FEW, NOT_SEPARABLE = "in_tolerance", "out_of_tolerance", "too_few_readings", "not_separable"


@dataclass(frozen=True)
class Verdict:
    """A verdict, and how many more readings one would take where there is none yet (none: cannot be said)."""

    verdict: str
    readings_needed: int | None


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
        return Verdict(IN, 0)
    if np.any(size - outside * se_m > tolerance_m):
        return Verdict(OUT, 0)
    needs = []
    for gap, quantile in ((tolerance_m - size, inside), (size - tolerance_m, outside)):
        room = (gap / quantile) ** 2 - lasting_se_m**2
        can = (gap > 0) & (room > 0)
        factors = np.where(can, (se_m**2 - lasting_se_m**2) / np.where(can, room, 1.0), math.inf)
        needs.append(float(factors.max() if quantile == inside else factors.min()))
    factor = min(needs)
    if not math.isfinite(factor) or readings * (factor - 1.0) > MOST_NEEDED:
        return Verdict(FEW, None)
    return Verdict(FEW, max(1, math.ceil(readings * (factor - 1.0))))
