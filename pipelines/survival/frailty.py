"""How much do units of one class differ? The spread of gamma-Poisson multipliers, one level."""

import numpy as np
from numpy.typing import ArrayLike

from shared.arrays import Floats, Integers


def fit_dispersion(failures: ArrayLike, expected: ArrayLike, largest: float = 20.0) -> float:
    """Variance of the multipliers between units, by maximum likelihood.

    Parameters
    ----------
    failures, expected
        Failures seen of each unit (fractions allowed) and expected by its class; units with nothing expected are left
        out.
    largest
        Upper bound of the search.

    Returns
    -------
    float
        0 where the failures vary no more than chance.

    Notes
    -----
    Marginally failures are negative binomial with mean e and variance e + d e^2.

    Checked by: tests/unit/test_survival_hierarchical_frailty.py
    """
    from scipy.optimize import minimize_scalar

    n, e = np.asarray(failures, dtype=np.float64), np.asarray(expected, dtype=np.float64)
    n, e = n[e > 0], e[e > 0]
    if n.sum() == 0:
        return 0.0
    found = minimize_scalar(
        lambda log_d: -_spread_likelihood(n, e, float(np.exp(log_d))),
        bounds=(np.log(1e-4), np.log(largest)),
        method="bounded",
        options={"xatol": 1e-6},
    )
    best = float(np.exp(found.x))
    return best if -found.fun > _spread_likelihood(n, e, 0.0) + 1e-9 else 0.0


def log_likelihood(failures: Floats, expected: Floats, dispersion: float) -> float:
    """Log-likelihood of a dispersion (negative binomial; Poisson at 0), up to a constant of the data."""
    return float(failures @ np.log(expected)) + _spread_likelihood(failures, expected, dispersion)


def _spread_likelihood(failures: Floats, expected: Floats, dispersion: float) -> float:
    """The part of the log-likelihood that a dispersion changes."""
    from scipy.special import gammaln

    if dispersion == 0.0:
        return -float(expected.sum())
    k = 1.0 / dispersion
    counts, place = _distinct(failures)
    terms = np.log1p(expected / k)
    terms *= k + failures
    return float(((gammaln(k + counts) - gammaln(k) - counts * np.log(k))[place] - terms).sum())


def _distinct(failures: Floats) -> tuple[Floats, Integers]:
    """The different numbers of failures, and which each unit has; nearly all are small and whole."""
    whole = failures.astype(np.int64)
    if np.array_equal(whole, failures):
        return np.arange(whole.max(initial=0) + 1, dtype=np.float64), whole
    counts, place = np.unique(failures, return_inverse=True)
    return counts, place
