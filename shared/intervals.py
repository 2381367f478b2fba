"""Interval formulas shared by the topics."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray


def poisson_limits(counts: ArrayLike, level: float) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Exact (Garwood) limits of a Poisson mean from observed counts.

    Parameters
    ----------
    counts
        Observed counts, any shape, at least 0 (fractions are taken as they are).
    level
        Two-sided coverage, between 0 and 1.

    Returns
    -------
    lo, hi
        Limits of the mean count, same shape; the lower one is 0 for a count of 0.

    Notes
    -----
    lo = chi2(alpha/2; 2n) / 2, hi = chi2(1 - alpha/2; 2n + 2) / 2.

    References
    ----------
    F. Garwood, Biometrika 28 (1936).

    Checked by: tests/published/test_survival_published.py
    """
    from scipy.special import chdtri

    n = np.asarray(counts, dtype=float)
    tail = (1.0 - level) / 2.0
    with np.errstate(invalid="ignore"):
        lo = np.where(n > 0, chdtri(2.0 * np.maximum(n, 1e-12), 1.0 - tail) / 2.0, 0.0)
    hi = chdtri(2.0 * n + 2.0, tail) / 2.0
    return np.asarray(lo, dtype=np.float64), np.asarray(hi, dtype=np.float64)
