"""Between which limits do a group's mean, median and 90th percentile lie?

Everything here is the percentile bootstrap, mostly without drawing: the distribution of a resampled
mean is had from a saddlepoint approximation, that of a resampled quantile is exactly binomial. Only
groups too small for the approximation are resampled.
"""

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from pipelines.restoration.quantile_limits import limit_quantiles
from pipelines.restoration.sorted_groups import SortedGroups, sort_groups
from shared.arrays import Booleans, Floats, Integers

SMALLEST_FOR_SADDLEPOINT = 10
"""Below this number of jobs the mean is resampled: its bootstrap distribution is too lumpy to approximate. From ten
on the approximation errs by less (0.03 standard errors) than 2,000 resamples do (0.05)."""

NEWTON_STEPS = 12
NEWTON_TOLERANCE = 1e-6  # in standard normal units, far below the error of the approximation itself


def limit_groups(groups: SortedGroups, *, coverage: float, replicates: int, rng: np.random.Generator) -> pd.DataFrame:
    """Mean, median and 90th percentile of every group, each with percentile bootstrap limits.

    Parameters
    ----------
    groups
        Values sorted within groups.
    coverage
        Two-sided coverage, between 0 and 1.
    replicates
        Resamples of the groups too small for the saddlepoint.
    rng
        Source of those resamples.

    Returns
    -------
    DataFrame
        One row a group, in the order of groups.names: group_name, jobs, mean, mean_lo, mean_hi, median,
        median_lo, median_hi, p90, p90_lo, p90_hi, in the unit of the values (of stages mean_min, median_min and
        p90_min). Limits of a group of one are NaN.

    Notes
    -----
    Quantiles are linear between order statistics (numpy's default).

    Checked by: tests/unit/test_restoration_bootstrap.py
    """
    mean, mean_lo, mean_hi = limit_means(groups, coverage=coverage, replicates=replicates, rng=rng)
    median, median_lo, median_hi = limit_quantiles(groups, 0.5, coverage=coverage)
    p90, p90_lo, p90_hi = limit_quantiles(groups, 0.9, coverage=coverage)
    return pd.DataFrame(
        {
            "group_name": groups.names,
            "jobs": groups.counts,
            "mean": mean,
            "mean_lo": mean_lo,
            "mean_hi": mean_hi,
            "median": median,
            "median_lo": median_lo,
            "median_hi": median_hi,
            "p90": p90,
            "p90_lo": p90_lo,
            "p90_hi": p90_hi,
        }
    )


def limit_means(
    groups: SortedGroups, *, coverage: float, replicates: int, rng: np.random.Generator
) -> tuple[Floats, Floats, Floats]:
    """Mean of every group with percentile bootstrap limits: mean, lower, upper, each of shape (groups,).

    Notes
    -----
    With K the log of the group's mean of exp(t z), z standardised, the resampled mean lies below K'(t) with
    probability Phi(r + log(u / r) / r), r = sign(t) sqrt(2 n (t K'(t) - K(t))), u = t sqrt(n K''(t)). Newton's
    method finds the t of each limit for all groups at once, on distinct values with their counts. Groups
    below SMALLEST_FOR_SADDLEPOINT are resampled `replicates` times.

    References
    ----------
    A. C. Davison and D. V. Hinkley, Bootstrap Methods and their Application (1997), section 9.5.
    H. E. Daniels, International Statistical Review 55 (1987), on the tail formulas.

    Checked by: tests/published/test_restoration_published.py, tests/benchmarks/restoration_limits.py
    """
    values, weights, starts = _distinct_values(groups)
    lengths = np.diff(np.append(starts, len(values)))
    mean = np.add.reduceat(weights * values, starts) / groups.counts
    centred = values - np.repeat(mean, lengths)
    spread = np.sqrt(np.add.reduceat(weights * centred**2, starts) / groups.counts)
    spread[spread < 1e-12 * np.maximum(np.abs(mean), 1.0)] = 0.0
    standard = np.divide(
        centred, np.repeat(spread, lengths), out=np.zeros_like(centred), where=np.repeat(spread, lengths) > 0
    )
    tail = (1.0 - coverage) / 2.0
    lo, hi = mean.copy(), mean.copy()
    smooth = (spread > 0) & (groups.counts >= SMALLEST_FOR_SADDLEPOINT)
    if smooth.any():
        kept = np.repeat(smooth, lengths)
        part = standard[kept], weights[kept], lengths[smooth], groups.counts[smooth]
        lo[smooth] = mean[smooth] + spread[smooth] * _saddlepoint_quantile(*part, tail)
        hi[smooth] = mean[smooth] + spread[smooth] * _saddlepoint_quantile(*part, 1.0 - tail)
    _resample_small_groups(groups, (spread > 0) & ~smooth, tail, replicates, rng, lo, hi)
    lo[groups.counts < 2] = np.nan
    hi[groups.counts < 2] = np.nan
    return mean, lo, hi


FEWEST_DAYS = 10
"""Days below which a group's jobs are resampled one by one: so few days tell nothing of how alike their jobs are."""


def limit_means_by_day(
    values: Floats,
    groups: pd.Categorical,
    days: Integers,
    *,
    coverage: float,
    replicates: int,
    rng: np.random.Generator,
) -> tuple[Integers, Floats, Floats]:
    """Limits of every group's mean when whole days are resampled: codes of the groups, lower, upper.

    Jobs of one stormy day are alike; resampling them one by one would make the limits too narrow.

    Parameters
    ----------
    values
        Shape (n,), none missing.
    groups
        Group of each value.
    days
        Day of each value as a whole number from 0, shape (n,).
    level, replicates, rng
        As for limit_means.

    Returns
    -------
    codes, lo, hi
        Only the groups with FEWEST_DAYS days or more, in the order of their codes.

    Notes
    -----
    A mean is a ratio of the days' sums to the days' jobs. Linearised, it is the mean over the D days of
    m + D (sum_d - m jobs_d) / n, whose resampling is that of limit_means.

    References
    ----------
    A. C. Davison and D. V. Hinkley, Bootstrap Methods and their Application (1997), sections 3.8 and 9.5.

    Checked by: tests/unit/test_restoration_bootstrap.py
    """
    codes = np.asarray(groups.codes, dtype=np.int64)
    width = int(days.max()) + 1 if len(days) else 1
    n_groups = len(groups.categories)
    # one cell a group and day; some thousand days and some hundred groups make an array of no size
    cells = codes * width + days
    jobs = np.bincount(cells, minlength=n_groups * width)
    filled = np.flatnonzero(jobs)
    sums = np.bincount(cells, weights=values, minlength=n_groups * width)[filled]
    jobs, group = jobs[filled], filled // width
    days_of = np.bincount(group, minlength=n_groups)
    jobs_of = np.bincount(group, weights=jobs, minlength=n_groups)
    mean = np.divide(
        np.bincount(group, weights=sums, minlength=n_groups), jobs_of, out=np.zeros(n_groups), where=jobs_of > 0
    )
    linear = mean[group] + days_of[group] * (sums - mean[group] * jobs) / np.maximum(jobs_of[group], 1)
    kept = days_of[group] >= FEWEST_DAYS
    left, renumbered = np.unique(group[kept], return_inverse=True)
    found = sort_groups(linear[kept], renumbered.astype(object))
    _, lo, hi = limit_means(found, coverage=coverage, replicates=replicates, rng=rng)
    return left, lo, hi


def widen_by_days(
    names: NDArray[np.object_],
    lo: Floats,
    hi: Floats,
    values: Floats,
    groups: pd.Categorical,
    days: Integers,
    *,
    coverage: float,
    replicates: int,
    rng: np.random.Generator,
) -> tuple[Floats, Floats]:
    """Limits of means with those of whole days in place of those of jobs, where a group has days enough.

    Parameters
    ----------
    names
        Names of the groups that have limits, in order.
    lo, hi
        Their limits from jobs resampled one by one (limit_means), the shape of names.
    values, groups, days
        What the limits are of, as for limit_means_by_day; missing values are left out.
    level, replicates, rng
        As for limit_means.

    Notes
    -----
    Checked by: tests/unit/test_restoration_stages.py (through summarise_stages)
    """
    known = ~np.isnan(values)
    codes, day_lo, day_hi = limit_means_by_day(
        values[known], groups[known], days[known], coverage=coverage, replicates=replicates, rng=rng
    )
    rows = np.isin(names, np.asarray(groups.categories, dtype=object)[codes])
    lo, hi = lo.copy(), hi.copy()
    lo[rows], hi[rows] = day_lo, day_hi
    return lo, hi


def limit_clustered_means(
    values: Floats,
    groups: pd.Categorical,
    days: Integers,
    *,
    coverage: float,
    replicates: int,
    rng: np.random.Generator,
) -> tuple[SortedGroups, Floats, Floats, Floats]:
    """Mean of every group, with limits of whole days where it has days enough: sorted groups, mean, lower, upper.

    Notes
    -----
    limit_means, then widen_by_days.

    Checked by: tests/unit/test_restoration_what_if.py (through summarise_savings)
    """
    found = sort_groups(values, groups)
    mean, lo, hi = limit_means(found, coverage=coverage, replicates=replicates, rng=rng)
    lo, hi = widen_by_days(found.names, lo, hi, values, groups, days, coverage=coverage, replicates=replicates, rng=rng)
    return found, mean, lo, hi


def _resample_small_groups(
    groups: SortedGroups,
    wanted: Booleans,
    tail: float,
    replicates: int,
    rng: np.random.Generator,
    lo: Floats,
    hi: Floats,
) -> None:
    """Fill the limits of the wanted groups, all below SMALLEST_FOR_SADDLEPOINT, by resampling.

    Groups of one size share their draws: each one's limits are right, but two groups must not be differenced.
    """
    ranks = np.floor(np.array([tail, 1.0 - tail]) * (replicates - 1)).astype(np.int64)
    for size in range(2, SMALLEST_FOR_SADDLEPOINT):
        same = np.flatnonzero(wanted & (groups.counts == size))
        if not len(same):
            continue
        drawn = rng.integers(0, size, size=(size, replicates))
        for g in same:
            sums = groups.values[groups.starts[g] : groups.starts[g] + size][drawn].sum(axis=0)
            sums.partition(ranks)
            lo[g], hi[g] = sums[ranks] / size


def _distinct_values(groups: SortedGroups) -> tuple[Floats, Floats, Integers]:
    """Distinct values within groups, how often each occurs, and where each group begins among them."""
    if not len(groups.values):
        return groups.values, np.empty(0), np.empty(0, dtype=np.int64)
    first = np.empty(len(groups.values), dtype=bool)
    first[0] = True
    np.not_equal(groups.values[1:], groups.values[:-1], out=first[1:])
    first[groups.starts] = True
    positions = np.flatnonzero(first)
    weights = np.diff(np.append(positions, len(first))).astype(np.float64)
    return groups.values[positions], weights, np.searchsorted(positions, groups.starts)


def _saddlepoint_quantile(
    z: Floats, weights: Floats, lengths: Integers, counts: Integers, probability: float
) -> Floats:
    """Quantile of the resampled mean of each group's standardised values, shape (groups,)."""
    from scipy.special import ndtri

    target = float(ndtri(probability))
    n = counts.astype(np.float64)
    starts = np.cumsum(lengths) - lengths
    share = weights / np.repeat(n, lengths)
    t = target / np.sqrt(n)
    for _ in range(NEWTON_STEPS):
        tilted = share * np.exp(np.repeat(t, lengths) * z)
        s0 = np.add.reduceat(tilted, starts)
        tilted *= z
        s1 = np.add.reduceat(tilted, starts) / s0
        tilted *= z
        s2 = np.add.reduceat(tilted, starts) / s0 - s1**2
        r = np.sign(t) * np.sqrt(np.maximum(2.0 * n * (t * s1 - np.log(s0)), 1e-300))
        u = t * np.sqrt(n * np.maximum(s2, 1e-300))
        miss = target - (r + np.log(u / r) / r)
        if np.max(np.abs(miss)) < NEWTON_TOLERANCE:
            break
        # dr/dt = n t K'' / r; half of t at most, so that t never changes its sign
        step = miss * r * t / u**2
        t = t + np.clip(step, -0.5 * np.abs(t), 0.5 * np.abs(t))
    return s1


def limit_shares(counts: NDArray[np.integer], totals: NDArray[np.integer], coverage: float) -> tuple[Floats, Floats]:
    """Wilson score limits of shares: lower and upper, the shape of counts; NaN where the total is 0.

    References
    ----------
    E. B. Wilson, Journal of the American Statistical Association 22 (1927).

    Checked by: tests/published/test_restoration_published.py
    """
    from scipy.special import ndtri

    z2 = float(ndtri(0.5 + coverage / 2.0)) ** 2
    with np.errstate(invalid="ignore", divide="ignore"):
        n = np.where(totals > 0, totals, np.nan).astype(np.float64)
        share = counts / n
        middle = (share + z2 / (2 * n)) / (1 + z2 / n)
        half = np.sqrt(z2 * (share * (1 - share) / n + z2 / (4 * n**2))) / (1 + z2 / n)
    return np.clip(middle - half, 0.0, 1.0), np.clip(middle + half, 0.0, 1.0)
