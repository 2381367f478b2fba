"""Between which limits does a group's median or 90th percentile lie?

The distribution of a resampled order statistic is binomial, so the percentile bootstrap of a quantile is had without
drawing.
"""

from functools import lru_cache

import numpy as np

from pipelines.restoration.sorted_groups import SortedGroups
from shared.arrays import Floats, Integers

LARGEST_FOR_PAIRS = 400
"""Up to this number of jobs a quantile between two order statistics takes its limits from the two together; above, from
each for itself, which errs by less than 0.02 standard errors."""


def limit_quantiles(groups: SortedGroups, probability: float, *, coverage: float) -> tuple[Floats, Floats, Floats]:
    """Quantile of every group with percentile bootstrap limits: value, lower, upper, each of shape (groups,).

    Notes
    -----
    The j-th smallest of n drawn with replacement is at most the k-th smallest value with probability
    P(Binomial(n, k / n) >= j), so its bootstrap quantiles are order statistics, found without drawing. A
    quantile between two order statistics has its exact limits from how both lie together (resampled_pairs); in
    groups above LARGEST_FOR_PAIRS it takes the limits of both, mixed as the quantile itself is.

    References
    ----------
    B. Efron, The Jackknife, the Bootstrap and Other Resampling Plans (1982), section 10.6 (the median).

    Checked by: tests/unit/test_restoration_bootstrap.py
    """
    n = groups.counts
    place = (n - 1) * probability
    below = np.floor(place).astype(np.int64)
    part = place - below
    above = np.minimum(below + 1, n - 1)
    tail = (1.0 - coverage) / 2.0

    def mixed(low_rank: Integers, high_rank: Integers) -> Floats:
        low, high = groups.values[groups.starts + low_rank], groups.values[groups.starts + high_rank]
        return np.asarray(low + part * (high - low), dtype=np.float64)

    value = mixed(below, above)
    lo = mixed(_resampled_rank(n, below, tail), _resampled_rank(n, above, tail))
    hi = mixed(_resampled_rank(n, below, 1.0 - tail), _resampled_rank(n, above, 1.0 - tail))
    _limit_between(groups, below, part, tail, lo, hi)
    lo[n < 2] = np.nan
    hi[n < 2] = np.nan
    return value, lo, hi


def _limit_between(groups: SortedGroups, below: Integers, part: Floats, tail: float, lo: Floats, hi: Floats) -> None:
    """Fill the limits of quantiles that lie between two order statistics, in groups not too large."""
    wanted = (part > 1e-9) & (groups.counts <= LARGEST_FOR_PAIRS)
    for size in np.unique(groups.counts[wanted]):
        same = np.flatnonzero(wanted & (groups.counts == size))
        low, high, chance = resampled_pairs(int(size), int(below[same[0]]))
        for g in same:
            values = groups.values[groups.starts[g] : groups.starts[g] + size]
            mixed = values[low] + part[g] * (values[high] - values[low])
            order = np.argsort(mixed)
            total = np.cumsum(chance[order])
            ends = np.searchsorted(total, np.array([tail, 1.0 - tail]) * total[-1] - 1e-9)
            lo[g], hi[g] = mixed[order[ends]]


@lru_cache(maxsize=4096)
def resampled_pairs(size: int, rank: int) -> tuple[Integers, Integers, Floats]:
    """Which ranks two neighbouring order statistics of a resample come from: lower, upper (from 0), and how likely.

    Parameters
    ----------
    size
        Values resampled, and drawn.
    rank
        Rank of the lower order statistic, from 0.

    Notes
    -----
    With j = rank + 1, they come from i < k with probability C(n, j) ((i + 1)^j - i^j) ((n - k)^(n-j) -
    (n - k - 1)^(n-j)) / n^n: j draws at most i, the largest of them i, the others at least k, the smallest k. Both
    come from i with what is left of the probability that the lower one does, which is binomial. Pairs rarer than
    1e-9 are left out.

    References
    ----------
    B. Efron, The Jackknife, the Bootstrap and Other Resampling Plans (1982), section 10.6.

    Checked by: tests/unit/test_restoration_bootstrap.py (through limit_quantiles), against all resamples of few values
    """
    from scipy.special import betainc, gammaln

    j, rest = rank + 1, size - rank - 1
    ends = np.arange(size + 1) / size
    ways = gammaln(size + 1) - gammaln(j + 1) - gammaln(rest + 1)
    with np.errstate(divide="ignore", under="ignore"):
        # powers and the number of ways together: apart, one under- and the other overflows
        logs = np.log(ends)
        below = np.exp(j * logs + ways / 2)
        above = np.exp(rest * logs[::-1] + ways / 2)
    lower, upper = np.diff(below), -np.diff(above)
    i, k = np.triu_indices(size, 1)
    with np.errstate(over="ignore", invalid="ignore"):
        apart = lower[i] * upper[k]
    both = np.diff(betainc(j, rest + 1, ends)) - np.bincount(i, apart, minlength=size)
    low, high = np.concatenate([np.arange(size), i]), np.concatenate([np.arange(size), k])
    chance = np.concatenate([both, apart])
    kept = chance > 1e-9
    return low[kept], high[kept], chance[kept]


def _resampled_rank(n: Integers, rank: Integers, probability: float) -> Integers:
    """Rank (from 0) of the value that is the quantile of a resample's order statistic of that rank."""
    from scipy.special import betaincinv

    share = betaincinv(rank + 1.0, n - rank, probability)
    at: Integers = np.clip(np.ceil(n * share - 1e-9).astype(np.int64) - 1, 0, n - 1)
    return at
