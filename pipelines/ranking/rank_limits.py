"""Where does a loop stand in the ranking, within what limits, and which neighbours cannot be told apart?

Every unit (section, half-loop, loop, district) has a gamma posterior of its failures per km. Its rank is
one more than the number of units whose true value is larger. No draws are sorted: the expected number of
units above a value x is the sum of all the units' posterior tail probabilities at x, and a unit's rank
limits are that sum at the limits of its own posterior.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from shared.arrays import Floats, Integers

SHAPE_NODES = 96
"""Shapes kept apart exactly; more distinct ones are split between that many log-spaced nodes."""

GRID_POINTS = 2048
"""Points of the grid of log failure rates on which tail probabilities are summed."""


@dataclass(frozen=True)
class RankLimits:
    """Rank of every unit, 1 the worst, with limits; arrays as long as the units given, in their order."""

    rank: Integers
    rank_lo: Integers
    rank_hi: Integers

    def to_frame(self) -> pd.DataFrame:
        return pd.DataFrame({"rank": self.rank, "rank_lo": self.rank_lo, "rank_hi": self.rank_hi})


def rank_units(shape: ArrayLike, rate: ArrayLike, coverage: float) -> RankLimits:
    """Rank units by their gamma posteriors, largest mean first, with limits of the true rank.

    Parameters
    ----------
    shape, rate
        Posterior of each unit's failures per km: gamma with this shape and rate, shape (units,). An infinite
        rate means that no failure is expected: such units come last.
    coverage
        Coverage of the limits, between 0 and 1.

    Returns
    -------
    RankLimits
        Ties in the mean keep the order given, so order the units by key first.

    Notes
    -----
    S(x) = sum over units of P(theta_j > x) is a convolution on a grid of log theta, one for each shape, done by
    fast Fourier transform. The limits of rank i are 1 + S(Q_i) - P(theta_i > Q_i) at the upper and lower quantile
    Q_i of its own posterior. Chance in the other units at a fixed x, variance sum p_j (1 - p_j), is added to the
    half-widths in quadrature: it matters in a fleet of tens, not of thousands. Units count as independent given
    the class curves; the uncertainty of the curves themselves is not in the limits.

    Checked by: tests/simulated/test_ranking_rank_limits.py, tests/unit/test_ranking_rank_limits.py
    """
    from scipy.special import ndtri

    a = np.asarray(shape, dtype=np.float64)
    b = np.asarray(rate, dtype=np.float64)
    n = len(a)
    rank = np.empty(n, dtype=np.int64)
    rank[np.argsort(-a / b, kind="stable")] = np.arange(1, n + 1)
    moving = np.isfinite(b) & (a > 0)
    lo, hi = rank.copy(), rank.copy()
    if moving.sum() < 2:
        return RankLimits(rank, lo, hi)
    tail = (1.0 - coverage) / 2.0
    a, b = a[moving], b[moving]
    log_values = gamma_log_quantiles(a, np.array([tail, 0.5, 1.0 - tail])) - np.log(b)[:, None]
    above, spread = _count_above(a, b, log_values)
    # What the unit itself adds to the sum at its own quantile is known, and taken out.
    above -= np.array([1.0 - tail, 0.5, tail])
    spread = np.sqrt(np.maximum(spread[:, 1] - 0.25, 0.0)) * ndtri(1.0 - tail)
    middle = above[:, 1]
    down = np.hypot(middle - above[:, 2], spread)
    up = np.hypot(above[:, 0] - middle, spread)
    units = len(a)
    lo[moving] = np.clip(np.floor(1.0 + middle - down + 0.5), 1, units)
    hi[moving] = np.clip(np.floor(1.0 + middle + up + 0.5), 1, units)
    lo[~moving], hi[~moving] = units + 1, n
    return RankLimits(rank, np.minimum(lo, rank), np.maximum(hi, rank))


def gamma_log_quantiles(shape: Floats, probabilities: Floats) -> Floats:
    """Logarithms of gamma quantiles at rate 1, shape (units, probabilities).

    Notes
    -----
    With more than 1,000 distinct shapes the quantiles are computed at 800 log-spaced shapes and interpolated in
    the logarithm of the shape: shape times log quantile is nearly straight there (error below 1e-4).

    Checked by: tests/unit/test_ranking_rank_limits.py
    """
    from scipy.special import gammaincinv

    distinct, place = np.unique(shape, return_inverse=True)
    nodes = distinct if len(distinct) <= 1000 else np.geomspace(distinct[0], distinct[-1], 800)
    # For shapes near zero the quantile underflows; log(p gamma(a+1))/a is its limit there.
    exact = gammaincinv(nodes[:, None], probabilities[None, :])
    with np.errstate(divide="ignore"):
        logs = np.where(exact > 1e-290, np.log(exact), _small_shape_log_quantile(nodes, probabilities))
    if nodes is distinct:
        return np.asarray(logs[place], dtype=np.float64)
    scaled = logs * nodes[:, None]
    found = np.column_stack([np.interp(np.log(shape), np.log(nodes), scaled[:, k]) for k in range(len(probabilities))])
    return np.asarray(found / shape[:, None], dtype=np.float64)


def _small_shape_log_quantile(shape: Floats, probabilities: Floats) -> Floats:
    from scipy.special import gammaln

    log_quantile = (np.log(probabilities)[None, :] + gammaln(shape + 1.0)[:, None]) / shape[:, None]
    return np.asarray(log_quantile, dtype=np.float64)


def _count_above(shape: Floats, rate: Floats, log_values: Floats) -> tuple[Floats, Floats]:
    """Sum over units of p = P(theta > value) and of p (1 - p), at log values of shape (units, k)."""
    from scipy.fft import irfft, next_fast_len, rfft
    from scipy.special import gammaincc

    log_scale = -np.log(rate)
    low = min(float(log_scale.min()), float(log_values.min())) - 1e-9
    high = max(float(log_scale.max()), float(log_values.max())) + 1e-9
    step = (high - low) / (GRID_POINTS - 1)
    nodes, weights = _split_shapes(shape)
    offsets = step * np.arange(-(GRID_POINTS - 1), GRID_POINTS)
    size = next_fast_len(3 * GRID_POINTS, real=True)
    total = np.zeros(size // 2 + 1, dtype=np.complex128)
    squared = np.zeros_like(total)
    for node, (members, share) in zip(nodes, weights, strict=True):
        histogram = rfft(_spread_on_grid((log_scale[members] - low) / step, share), size)
        with np.errstate(over="ignore"):
            survival = gammaincc(node, np.exp(offsets))
        total += histogram * rfft(survival, size)
        squared += histogram * rfft(survival * survival, size)
    inside = slice(GRID_POINTS - 1, 2 * GRID_POINTS - 1)
    above = irfft(total, size)[inside]
    chance = above - irfft(squared, size)[inside]
    where = (log_values - low) / step
    return _read_grid(above, where), _read_grid(chance, where)


def _read_grid(values: Floats, where: Floats) -> Floats:
    """Values between the grid's points; the grid is even, so no search is needed."""
    below = np.minimum(where.astype(np.int64), GRID_POINTS - 2)
    return np.asarray(values[below] + (where - below) * np.diff(values)[below], dtype=np.float64)


def _split_shapes(shape: Floats) -> tuple[Floats, list[tuple[Integers, Floats]]]:
    """Shapes to convolve with, and for each the units that carry it with their weight."""
    distinct, place = np.unique(shape, return_inverse=True)
    if len(distinct) <= SHAPE_NODES:
        order = np.argsort(place, kind="stable")
        groups = np.split(order, np.cumsum(np.bincount(place))[:-1])
        return distinct, [(g, np.ones(len(g))) for g in groups]
    nodes = np.geomspace(distinct[0], distinct[-1], SHAPE_NODES)
    where = np.interp(np.log(shape), np.log(nodes), np.arange(SHAPE_NODES))
    lower = np.minimum(where.astype(np.int64), SHAPE_NODES - 2)
    upper_share = where - lower
    order = np.argsort(lower, kind="stable")
    between = np.split(order, np.cumsum(np.bincount(lower, minlength=SHAPE_NODES))[:-1])
    weights = []
    for k in range(SHAPE_NODES):
        next_up, next_down = between[k], between[k - 1] if k else between[k][:0]
        share = np.concatenate([1.0 - upper_share[next_up], upper_share[next_down]])
        weights.append((np.concatenate([next_up, next_down]), share))
    return nodes, weights


def _spread_on_grid(where: Floats, weight: Floats) -> Floats:
    """Histogram on the grid, each unit split between its two neighbouring points."""
    below = np.minimum(where.astype(np.int64), GRID_POINTS - 2)
    share = where - below
    filled = np.bincount(below, weight * (1.0 - share), GRID_POINTS)
    filled += np.bincount(below + 1, weight * share, GRID_POINTS)
    return np.asarray(filled, dtype=np.float64)


def chance_of_being_worse(shape: ArrayLike, rate: ArrayLike, other_shape: ArrayLike, other_rate: ArrayLike) -> Floats:
    """Probability that one gamma variate exceeds another, independent one.

    Notes
    -----
    With X ~ gamma(a, r), Y ~ gamma(b, s): rX / (rX + sY) is beta(a, b), so P(X > Y) = 1 - I_{r/(r+s)}(a, b).

    Checked by: tests/unit/test_ranking_rank_limits.py
    """
    from scipy.special import betainc

    a, b = np.asarray(shape, dtype=np.float64), np.asarray(other_shape, dtype=np.float64)
    r, s = np.asarray(rate, dtype=np.float64), np.asarray(other_rate, dtype=np.float64)
    return np.asarray(1.0 - betainc(a, b, r / (r + s)), dtype=np.float64)


def group_alike(shape: ArrayLike, rate: ArrayLike, coverage: float) -> Integers:
    """Number the groups of units that cannot be told apart, worst group 1.

    Parameters
    ----------
    shape, rate
        Posterior of each unit's failures per km, shape (units,).
    coverage
        A unit opens the next group when the first of the running group is worse than it with at least this
        probability.

    Returns
    -------
    array of shape (units,)
        Group of each unit, in the order given.

    Notes
    -----
    Units are taken in the order of their mean. Within a group no unit is told apart from its first; neighbours
    across a border may be alike, as always when a continuous scale is cut.

    Checked by: tests/unit/test_ranking_rank_limits.py
    """
    a, b = np.asarray(shape, dtype=np.float64), np.asarray(rate, dtype=np.float64)
    order = np.argsort(-a / b, kind="stable")
    last = int(np.sum(np.isfinite(b[order]) & (a[order] > 0)))
    groups = np.empty(len(a), dtype=np.int64)
    group, first = 0, 0
    while first < last:
        group += 1
        length = _first_told_apart(a, b, order[first:last], coverage)
        groups[order[first : first + length]] = group
        first += length
    groups[order[last:]] = group + 1
    return groups


def _first_told_apart(shape: Floats, rate: Floats, units: Integers, coverage: float) -> int:
    """Place of the first unit that the first of all is worse than with the level's probability; their number if none.

    Looked for in blocks that grow, so that the cost follows the size of the group and not of the fleet.
    """
    begin, size = 1, 256  # the first is alike with itself, whatever the coverage
    while begin < len(units):
        block = units[begin : begin + size]
        told_apart = chance_of_being_worse(shape[units[0]], rate[units[0]], shape[block], rate[block]) >= coverage
        if told_apart.any():
            return begin + int(np.argmax(told_apart))
        begin, size = begin + size, 2 * size
    return len(units)
