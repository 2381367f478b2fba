"""Between which limits do a group's mean, quantiles and shares lie, where jobs of a storm or a day are alike?

Everything is linearised over clusters: a storm where days hang together, else a day. What each cluster adds to a mean
or to a share gives the standard error, the degrees of freedom (one storm that outweighs all others is not sixty of
them) and the skewness. Nothing is drawn.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from shared.arrays import Booleans, Floats, Integers

FEWEST_DAYS = 10
"""Storms and other days of a group below which it gets no limits; found by tests/simulated/restoration_limits_study.py,
as is the number of storms."""

FEWEST_STORMS = 4.0
"""Storms of equal weight below which a group gets no limits where its storms weigh: where a job has more than a quarter
of a job on average beside it in the same storm."""

FREEDOM_KEPT = 0.7
"""Share of the estimated degrees of freedom that is used: with few storms the largest are yet to come, and the fourth
moments on file read low. Found by the same study."""

LEAST_FREEDOM = 3.0
"""Degrees of freedom below which none are taken to be: fewer make limits longer and, by the same study, no truer."""


@dataclass(frozen=True)
class SortedGroups:
    """Values sorted within groups, and the clusters they came in.

    Attributes
    ----------
    names
        Name of each group, shape (groups,), in order.
    values
        All values, group after group, ascending within each, shape (values,).
    starts, counts
        Where each group begins in values and how many it has, shape (groups,); no group is empty.
    cells
        Cell (a group's part of a cluster) of each value, shape (values,).
    cell_groups, cell_counts
        Group of each cell and how many values it has, shape (cells,).
    has_few_days, has_few_storms
        Groups whose days, or whose storms where they weigh, are too few for limits, shape (groups,).
    """

    names: NDArray[np.object_]
    values: Floats
    starts: Integers
    counts: Integers
    cells: Integers
    cell_groups: Integers
    cell_counts: Integers
    has_few_days: Booleans
    has_few_storms: Booleans

    @property
    def has_too_few(self) -> Booleans:
        """Groups that get no limits."""
        return self.has_few_days | self.has_few_storms

    def sum(self, amounts: ArrayLike) -> Floats:
        """Sum over the cells of each group, shape (groups,)."""
        found = np.bincount(self.cell_groups, weights=np.asarray(amounts), minlength=len(self.names))
        return found.astype(np.float64)  # of nothing, numpy counts in whole numbers

    def share(self, are_told: Booleans) -> Floats:
        """Share of each group's values that are told, shape (groups,)."""
        return self.sum(np.bincount(self.cells, weights=are_told, minlength=len(self.cell_counts))) / self.counts

    def withhold(self, limits: Floats) -> Floats:
        """Limits, NaN where there are too few days or storms for them."""
        return np.where(self.has_too_few, np.nan, limits)


def sort_groups(values: Floats, groups: pd.Categorical | NDArray[np.object_], clusters: Integers) -> SortedGroups:
    """Sort values within their groups; missing values are left out.

    Parameters
    ----------
    values
        Shape (n,), any unit; NaN means missing.
    groups
        Name of each value's group, shape (n,), none missing.
    clusters
        Cluster of each value as core.job_groups has it, shape (n,): any whole number, below zero for storms.

    Notes
    -----
    Values that come sorted are not sorted again, so one sort serves many groupings.

    Checked by: tests/unit/test_restoration_limits.py
    """
    found = groups if isinstance(groups, pd.Categorical) else pd.Categorical(groups)
    codes = np.asarray(found.codes, dtype=np.int64)
    kept = ~np.isnan(values)
    if not kept.all():
        values, codes, clusters = values[kept], codes[kept], clusters[kept]
    if np.any(values[1:] < values[:-1]):
        order = np.argsort(values)
        values, codes, clusters = values[order], codes[order], clusters[order]
    # 16-bit codes let numpy sort by radix, some ten times faster
    order = np.argsort(codes.astype(np.uint16) if len(found.categories) < 2**16 else codes, kind="stable")
    every = np.bincount(codes, minlength=len(found.categories))
    filled = np.flatnonzero(every)
    counts = every[filled]
    group = np.repeat(np.arange(len(filled)), counts)
    place, known = pd.factorize(clusters[order])
    # one place a group and cluster; some thousand days and some hundred groups make an array of no size
    places = group * max(len(known), 1) + place
    jobs = np.bincount(places)
    there = np.flatnonzero(jobs)
    number = np.empty(len(jobs), dtype=np.int64)
    number[there] = np.arange(len(there))
    cell_groups, sizes = there // max(len(known), 1), jobs[there]
    is_storm = np.asarray(known)[there % max(len(known), 1)] < 0
    in_storms, squares = (
        np.bincount(cell_groups, weights=is_storm * sizes**power, minlength=len(counts)) for power in (1.0, 2.0)
    )
    has_few_days = np.bincount(cell_groups, minlength=len(counts)) < FEWEST_DAYS
    has_few_storms = (squares - in_storms > counts / 4.0) & (in_storms**2 < FEWEST_STORMS * squares)
    names = np.asarray(found.categories, dtype=object)[filled]
    starts = np.cumsum(counts) - counts
    return SortedGroups(
        names, values[order], starts, counts, number[places], cell_groups, sizes, has_few_days, has_few_storms
    )


@dataclass(frozen=True)
class Spread:
    """Estimated variance of each group's figure, sum of the cubes of what its clusters add, and the variance's own."""

    variance: Floats
    third: Floats
    fourth: Floats

    def __sub__(self, other: "Spread") -> "Spread":
        """Spread of the difference of two independent figures, with the freedom of the less certain one."""
        variance = self.variance + other.variance
        least = np.maximum(*(_ratio(one.fourth, one.variance**2) for one in (self, other)))
        return Spread(variance, self.third - other.third, least * variance**2)

    def reach(self, coverage: float) -> Floats:
        """Student's t at the degrees of freedom of the variance."""
        from scipy.special import ndtri, stdtrit

        upper = 0.5 + coverage / 2.0
        with np.errstate(invalid="ignore", divide="ignore"):
            freedom = np.maximum(FREEDOM_KEPT * 2.0 * self.variance**2 / self.fourth, LEAST_FREEDOM)
        is_known = (self.fourth > 0) & np.isfinite(freedom)
        return np.where(is_known, stdtrit(np.where(is_known, freedom, 1.0), upper), ndtri(upper))

    def skewness(self) -> Floats:
        """Skewness of the figure; 0 where nothing varies."""
        return _ratio(self.third, self.variance**1.5)


def _ratio(above: Floats, below: Floats) -> Floats:
    """Quotients, 0 where they would be of nothing."""
    return np.divide(above, below, out=np.zeros(len(above)), where=below > 0)


def find_spread(groups: SortedGroups, scores: Floats, excess: Floats | float = 0.0) -> Spread:
    """Spread of the mean of scores that are centred within groups: the jackknife over whole clusters.

    Parameters
    ----------
    groups
        Values and their clusters.
    scores
        Of each value, of mean 0 in each group, shape (values,).
    excess
        Excess kurtosis of one score that says nothing of how sure the variance is: that of a share, shape (groups,).

    Notes
    -----
    A cluster adds u = sqrt((C - 1) / C) sum(scores) / (n - jobs) to the mean of a group of C clusters and n values: the
    jackknife of a ratio of totals. The variance is sum(u^2), its own variance sum(u^4) - sum(u^2)^2 / C, so its
    degrees of freedom by Satterthwaite are 2 sum(u^2)^2 / (sum(u^4) - sum(u^2)^2 / C).

    References
    ----------
    W. G. Cochran, Sampling Techniques (1977), 6.17 and 9A. F. E. Satterthwaite, Biometrics Bulletin 2 (1946).
    """
    clusters = groups.sum(np.ones(len(groups.cell_groups)))
    sums = np.bincount(groups.cells, weights=scores, minlength=len(groups.cell_groups))
    with np.errstate(invalid="ignore", divide="ignore"):
        added = sums / (groups.counts[groups.cell_groups] - groups.cell_counts)
    # a cluster that is the whole group adds nothing that could be told; such a group has too few days for limits
    added = np.where(np.isfinite(added), added, 0.0) * np.sqrt(1.0 - 1.0 / clusters)[groups.cell_groups]
    squared = added * added  # numpy takes powers ten times slower than products
    variance, third, fourth = (groups.sum(power) for power in (squared, squared * added, squared * squared))
    own = fourth - variance**2 * (1.0 / clusters + np.maximum(excess, 0.0) / groups.counts)
    return Spread(variance, third, np.maximum(own, 0.0))


def limit_by_spread(middle: Floats, spread: Spread, coverage: float) -> tuple[Floats, Floats]:
    """Limits of a mean or a difference of means, longer to the side to which it is skewed: lower, upper.

    References
    ----------
    P. Hall, Journal of the Royal Statistical Society B 54 (1992), 221-228: the cubic transformation of t.
    """
    t, error, skewness = spread.reach(coverage), np.sqrt(spread.variance), spread.skewness()
    return middle - _transformed(t, skewness) * error, middle - _transformed(-t, skewness) * error


def _transformed(t: Floats, skewness: Floats) -> Floats:
    """Quantile of a studentised mean whose skewness is given, from that of Student's t."""
    is_skewed = np.abs(skewness) > 1e-6
    g = np.where(is_skewed, skewness, 1.0)
    return np.where(is_skewed, 3.0 / g * (np.cbrt(1.0 + g * (t - g / 6.0)) - 1.0), t)


def find_means(groups: SortedGroups) -> tuple[Floats, Spread]:
    """Mean of every group and its spread."""
    mean = np.add.reduceat(groups.values, groups.starts) / groups.counts if len(groups.names) else np.empty(0)
    centred = groups.values - np.repeat(mean, groups.counts)
    # equal values of any rounding do not vary
    scale = 1e-12 * np.maximum(np.abs(np.repeat(mean, groups.counts)), 1.0)
    return mean, find_spread(groups, np.where(np.abs(centred) > scale, centred, 0.0))


def limit_means(groups: SortedGroups, *, coverage: float) -> tuple[Floats, Floats, Floats]:
    """Mean of every group with its limits: mean, lower, upper, each of shape (groups,).

    Notes
    -----
    Hall's transformation of Student's t over clusters; what is never below nought has no limit below it. Limits are NaN
    where a group has too few days or storms.

    Checked by: tests/unit/test_restoration_limits.py
    """
    mean, spread = find_means(groups)
    lo, hi = limit_by_spread(mean, spread, coverage)
    lo = np.where(groups.values[groups.starts] >= 0, np.maximum(lo, 0.0), lo)
    return mean, groups.withhold(lo), groups.withhold(hi)


def limit_clustered_means(
    values: Floats, groups: pd.Categorical, clusters: Integers, *, coverage: float
) -> tuple[SortedGroups, Floats, Floats, Floats]:
    """Mean of every group with its limits: sorted groups, mean, lower, upper (sort_groups, then limit_means)."""
    found = sort_groups(values, groups, clusters)
    return found, *limit_means(found, coverage=coverage)


def limit_shares(groups: SortedGroups, are_told: Booleans, *, coverage: float) -> tuple[Floats, Floats, Floats]:
    """Share of every group's values that are told, with its limits: share, lower, upper, each of shape (groups,).

    Notes
    -----
    Wilson's limits, of as many independent jobs as the variance over clusters makes of them, with Student's t; towards
    the side to which the clusters skew the share by more than jobs alone would, t is transformed as for means.

    References
    ----------
    E. B. Wilson, Journal of the American Statistical Association 22 (1927). E. L. Korn and B. I. Graubard, Survey
    Methodology 24 (1998), 193-201: effective numbers and degrees of freedom.

    Checked by: tests/published/test_restoration_published.py
    """
    share = groups.share(are_told)
    odd = share * (1.0 - share)
    spread = find_spread(groups, are_told - np.repeat(share, groups.counts), _excess(odd))
    n = np.divide(odd, spread.variance, out=groups.counts.astype(np.float64), where=spread.variance > 0)
    t = spread.reach(coverage)
    skewness = spread.skewness()
    alone = np.divide(1.0 - 2.0 * share, np.sqrt(n * odd), out=skewness.copy(), where=odd > 0)
    beyond = skewness - alone
    far = np.maximum(-_transformed(-t, np.abs(beyond)), t)
    ends = []
    for side, reach in ((-1, np.where(beyond < 0, far, t)), (1, np.where(beyond > 0, far, t))):
        half = np.sqrt(reach**2 * (odd / n + reach**2 / (4 * n**2)))
        end = (share + reach**2 / (2 * n) + side * half) / (1 + reach**2 / n)
        ends.append(groups.withhold(np.clip(end, 0.0, 1.0)))
    return share, ends[0], ends[1]


def _excess(odd: Floats) -> Floats:
    """Excess kurtosis of one job that is told or not, with the variance odd; 0 where none or all are."""
    return _ratio(1.0 - 6.0 * odd, odd)


def limit_quantiles(groups: SortedGroups, probability: float, *, coverage: float) -> tuple[Floats, Floats, Floats]:
    """Quantile of every group with its limits: value, lower, upper, each of shape (groups,).

    Notes
    -----
    Linear between order statistics (numpy's default). The share of jobs at or below it varies over clusters by so much
    about the probability; the limits are the values at these shares, the (k + 1/2)-th at share k / n. A limit beyond
    the last job on file is NaN.

    References
    ----------
    R. S. Woodruff, Journal of the American Statistical Association 47 (1952), 635-646.

    Checked by: tests/unit/test_restoration_limits.py
    """
    n = groups.counts
    value = _value_at(groups, (n - 1) * probability)
    are_below = groups.values <= np.repeat(value, n)
    odd = np.full(len(n), probability * (1.0 - probability))
    spread = find_spread(groups, are_below - np.repeat(groups.share(are_below), n), _excess(odd))
    reach = spread.reach(coverage) * np.sqrt(spread.variance)
    lo, hi = (_value_at(groups, n * (probability + side * reach) - 0.5) for side in (-1, 1))
    return value, groups.withhold(lo), groups.withhold(hi)


def _value_at(groups: SortedGroups, place: NDArray[np.floating]) -> Floats:
    """Value at a place among each group's sorted values, counted from 0, between two of them in proportion."""
    last = groups.counts - 1
    below = np.clip(np.floor(place), 0, last).astype(np.int64)
    low, high = groups.values[groups.starts + below], groups.values[groups.starts + np.minimum(below + 1, last)]
    return np.where((place < 0) | (place > last), np.nan, low + (place - below) * (high - low))


def limit_groups(groups: SortedGroups, *, coverage: float) -> pd.DataFrame:
    """Mean, median and 90th percentile of every group, each with its limits.

    Returns
    -------
    DataFrame
        One row a group, in the order of groups.names: group_name, jobs, mean, mean_lo, mean_hi, median, median_lo,
        median_hi, p90, p90_lo, p90_hi, in the unit of the values.
    """
    found = pd.DataFrame({"group_name": groups.names, "jobs": groups.counts})
    for name, (value, lo, hi) in {
        "mean": limit_means(groups, coverage=coverage),
        "median": limit_quantiles(groups, 0.5, coverage=coverage),
        "p90": limit_quantiles(groups, 0.9, coverage=coverage),
    }.items():
        found[name], found[f"{name}_lo"], found[f"{name}_hi"] = value, lo, hi
    return found
