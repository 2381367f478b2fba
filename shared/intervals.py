"""Interval formulas shared by the topics."""

import numpy as np
from numpy.typing import ArrayLike

from shared.arrays import Floats, Integers


def poisson_limits(counts: ArrayLike, coverage: float) -> tuple[Floats, Floats]:
    """Exact (Garwood) limits of a Poisson mean from observed counts.

    Parameters
    ----------
    counts
        Observed counts, any shape, at least 0 (fractions are taken as they are).
    coverage
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
    tail = (1.0 - coverage) / 2.0
    with np.errstate(invalid="ignore"):
        lo = np.where(n > 0, chdtri(2.0 * np.maximum(n, 1e-12), 1.0 - tail) / 2.0, 0.0)
    hi = chdtri(2.0 * n + 2.0, tail) / 2.0
    return np.asarray(lo, dtype=np.float64), np.asarray(hi, dtype=np.float64)


def count_limits(mean: ArrayLike, shape: ArrayLike, coverage: float) -> tuple[Integers, Integers]:
    """Limits in which a count yet to come should lie, when its mean is itself known only so far.

    Parameters
    ----------
    mean
        Expected count, at least 0.
    shape
        Shape of the gamma that says how well the mean is known: its coefficient of variation is shape ** -0.5.
    coverage
        Two-sided coverage, between 0 and 1.

    Returns
    -------
    lo, hi
        Smallest counts whose probability of not being exceeded reaches either tail.

    Notes
    -----
    A Poisson count with a gamma mean is negative binomial: P(N <= n) = I_p(shape, n + 1), p = shape / (shape + mean).

    Checked by: tests/unit/test_shared_intervals.py
    """
    from scipy.stats import nbinom

    m, k = np.asarray(mean, dtype=np.float64), np.asarray(shape, dtype=np.float64)
    known = nbinom(k, k / (k + m))
    return np.asarray(known.ppf((1.0 - coverage) / 2.0), np.int64), np.asarray(
        known.ppf((1.0 + coverage) / 2.0), np.int64
    )


def count_coverage(mean: ArrayLike, shape: ArrayLike, lo: ArrayLike, hi: ArrayLike) -> Floats:
    """Probability that a count with a gamma mean lies between two counts, both included: see count_limits."""
    from scipy.stats import nbinom

    m, k, low, high = (np.asarray(part, dtype=np.float64) for part in (mean, shape, lo, hi))
    known = nbinom(k, k / (k + m))
    return np.asarray(known.cdf(high) - known.cdf(low - 1.0))


def ratio_limits(counts: ArrayLike, mean: ArrayLike, shape: ArrayLike, coverage: float) -> tuple[Floats, Floats]:
    """Exact limits of how many times its expectation a count truly is, the expectation being a gamma.

    Parameters
    ----------
    counts
        Counts seen.
    mean, shape
        Of the gamma of the expectation, mean above 0.
    coverage
        Two-sided coverage.

    Notes
    -----
    The count is negative binomial with mean ratio x mean; the limits are the ratios at which the count seen or fewer
    (more) has the probability of a tail. As shape grows they become Garwood's limits of the count over the mean.

    Checked by: tests/unit/test_shared_intervals.py
    """
    from scipy.special import betaincinv

    n, m, k = (np.asarray(part, dtype=np.float64) for part in (counts, mean, shape))
    tail = (1.0 - coverage) / 2.0
    with np.errstate(divide="ignore", invalid="ignore"):
        at_least = betaincinv(k, np.maximum(n, 1e-12), 1.0 - tail)
        at_most = betaincinv(k, n + 1.0, tail)
        lo = np.where(n > 0, k * (1.0 - at_least) / (at_least * m), 0.0)
        hi = k * (1.0 - at_most) / (at_most * m)
    return np.asarray(lo), np.asarray(hi)


def jeffreys_ratio_limits(
    counts: ArrayLike, mean: ArrayLike, shape: ArrayLike, coverage: float
) -> tuple[Floats, Floats]:
    """Limits of how many times its expectation a count truly is that hold as often as they say, not more.

    Parameters
    ----------
    counts, mean, shape, coverage
        As in ratio_limits, whose limits hold more often than they say where counts are few.

    Notes
    -----
    Equal-tailed limits of the posterior of the ratio by Jeffreys' prior of a Poisson mean, the expectation a gamma: a
    beta prime distribution of count + 1/2 and shape. The lower limit of no count is 0.

    References
    ----------
    L. D. Brown, T. T. Cai and A. DasGupta, Statistica Sinica 13 (2003) 19-49, section 3.

    Checked by: tests/unit/test_shared_intervals.py
    """
    from scipy.special import betaincinv

    n, m, k = (np.asarray(part, dtype=np.float64) for part in (counts, mean, shape))
    tail = (1.0 - coverage) / 2.0
    at_least, at_most = betaincinv(k, n + 0.5, 1.0 - tail), betaincinv(k, n + 0.5, tail)
    lo = np.where(n > 0, k * (1.0 - at_least) / (at_least * m), 0.0)
    return np.asarray(lo), np.asarray(k * (1.0 - at_most) / (at_most * m))
