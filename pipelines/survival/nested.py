"""Multipliers at nested levels: loop, half-loop within it, section within that.

A section's multiplier is the product of three, each gamma with mean 1 and a variance of its own. Given the product of
the outer two the section level has a closed form (negative binomial); the outer two are carried on one grid of log
multipliers and passed up and down the tree, so a failure is used once however many levels it informs.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Whole = NDArray[np.int64]

STEP = 0.2
GRID: Floats = np.arange(-33, 21, dtype=np.float64) * STEP
"""Log multipliers: from 1/735 to 55. Wide enough for a variance of 4; the step resolves a variance of 0.03."""

LEAST_VARIANCE = 0.03
CHUNK = 50_000


@dataclass(frozen=True)
class Variances:
    """Variances of the multipliers; 0 switches a level off.

    length_power: a section's variance is section x (length / mean length) ** -length_power. At 1 the multiplier is a
    sum of independent pieces along the cable, and cutting a section in two changes nothing.
    """

    loop: float
    half_loop: float
    section: float
    length_power: float = 0.0


@dataclass(frozen=True)
class Tree:
    """Sections in the order of loop and half-loop, with what was seen and expected of each.

    half_starts, loop_starts: first section of each half-loop, and first half-loop of each loop.
    """

    failures: Floats
    expected: Floats
    relative_length: Floats
    half_starts: Whole
    loop_starts: Whole

    @property
    def half_of_section(self) -> Whole:
        return _owner(self.half_starts, len(self.failures))

    @property
    def loop_of_half(self) -> Whole:
        return _owner(self.loop_starts, len(self.half_starts))


@dataclass(frozen=True)
class Posterior:
    """Multipliers given the failures: of sections (gamma), and the means of half-loops and loops.

    shape, rate: the gamma with the mean and the mean logarithm of a section's posterior.
    """

    shape: Floats
    rate: Floats
    half_loop: Floats
    loop: Floats


def build_tree(failures: Floats, expected: Floats, length_km: Floats, half_codes: Whole, loop_codes: Whole) -> Tree:
    """A tree from sections sorted by loop and half-loop (codes that never fall).

    Raises
    ------
    ValueError
        The codes are not sorted: a fault of ours.
    """
    if np.any(np.diff(loop_codes) < 0) or np.any((np.diff(half_codes) < 0) & (np.diff(loop_codes) == 0)):
        raise ValueError("sections must be sorted by loop and half-loop")
    new_half = np.r_[True, (np.diff(half_codes) != 0) | (np.diff(loop_codes) != 0)]
    half_starts = np.flatnonzero(new_half)
    loop_starts = np.flatnonzero(np.r_[True, np.diff(loop_codes[half_starts]) != 0])
    mean_length = float(length_km.mean())
    return Tree(failures, expected, np.maximum(length_km, 1e-6) / mean_length, half_starts, loop_starts)


def fit_variances(
    tree: Tree, length_power: float = 0.0, start: Variances | None = None, largest: float = 4.0,
) -> Variances:
    """Variances of the three levels by maximum likelihood, coordinate by coordinate.

    Parameters
    ----------
    tree
        Sections in their half-loops and loops.
    length_power
        See Variances; held fixed.
    start
        Where to begin, e.g. what an earlier date gave; only the finest round is then run.
    largest
        Upper bound of each variance.

    Notes
    -----
    Each coordinate is searched on a grid of factors around its last value, coarse first; 0 is always among the values
    tried for the half-loop, so that it is switched off where it adds nothing. At the other two levels the likelihood of
    few failures often peaks at 0 though the truth does not, and limits then are too narrow: their standard deviations
    get a gamma prior of shape 2 and mode 0.5, which weighs nothing against many failures (Y. Chung and others,
    Psychometrika 78 (2013) 685-709). The rounds look at evenly spaced loops: 3,000 sections'
    worth in the coarse one, 8,000 and 20,000 in the finer ones.

    Checked by: tests/unit/test_survival_nested.py
    """
    found = {"loop": 0.3, "half_loop": 0.1, "section": 0.5}
    rounds: tuple[tuple[float, int], ...] = ((3.0, 3_000), (1.5, 8_000), (1.15, 20_000))
    if start is not None:
        found = {"loop": start.loop, "half_loop": start.half_loop, "section": start.section}
        rounds = rounds[-1:]
    for factor, sections in rounds:
        _search(_thin(tree, sections), found, factor, length_power, largest)
    return Variances(**found, length_power=length_power)


def _search(tree: Tree, found: dict[str, float], factor: float, length_power: float, largest: float) -> None:
    """One round of a coordinate search; found is changed to the best of it."""
    messages: dict[float, tuple[Floats, float]] = {}
    lifted: dict[tuple[float, float], Floats] = {}

    def score(**changed: float) -> float:
        variances = Variances(**{**found, **changed}, length_power=length_power)
        if variances.section not in messages:
            messages[variances.section] = _half_messages(tree, variances)
        sections, constant = messages[variances.section]
        pair = (variances.section, variances.half_loop)
        if pair not in lifted:
            lifted[pair] = _loop_messages(tree, sections, variances.half_loop)
        return constant + _marginal(lifted[pair], variances.loop) + _keep_off_zero(variances)

    for name in ("section", "loop", "half_loop", "loop"):
        around = (found[name] or 0.1) * factor ** np.array([-2.0, -1.0, 0.0, 1.0, 2.0])
        tried = sorted(set(np.clip(around, LEAST_VARIANCE, largest).tolist()))
        if name == "half_loop":
            tried = [0.0, *tried]
        found[name] = tried[int(np.argmax([score(**{name: v}) for v in tried]))]


def _keep_off_zero(variances: Variances) -> float:
    """Logarithm of the prior of the loops' and the sections' standard deviation: gamma of shape 2, mode 0.5."""
    deviations = np.sqrt([variances.loop, variances.section])
    return float((np.log(deviations) - deviations / 0.5).sum())


def log_likelihood(tree: Tree, variances: Variances) -> float:
    """Log-likelihood of the variances, up to a constant of the data."""
    sections, constant = _half_messages(tree, variances)
    return constant + _marginal(_loop_messages(tree, sections, variances.half_loop), variances.loop)


def _loop_messages(tree: Tree, sections: Floats, half_loop: float) -> Floats:
    halves, scale = _lift(sections, half_loop)
    return np.asarray(np.add.reduceat(halves + scale[:, None], tree.loop_starts, axis=0))


def _marginal(loops: Floats, variance: float) -> float:
    top = loops.max(axis=1)
    return float((top + np.log(np.exp(loops - top[:, None]) @ _prior(variance))).sum())


def fit_posterior(tree: Tree, variances: Variances) -> Posterior:
    """Posterior multipliers of every section, half-loop and loop.

    Parameters
    ----------
    tree
        Sections in their half-loops and loops.
    variances
        Of the three levels.

    Notes
    -----
    Upwards each half-loop sends its loop the likelihood of the loop's multiplier; downwards each half-loop gets what
    the rest of its loop says (its own message taken out again), so nothing is counted twice. A section's posterior is a
    mixture of gammas over the grid; it is given as the nearest gamma (least Kullback-Leibler divergence), which has the
    same mean and the same mean logarithm.

    Checked by: tests/unit/test_survival_nested.py
    """
    sections, _ = _half_messages(tree, variances)
    halves, _ = _lift(sections, variances.half_loop)
    loops = np.add.reduceat(halves, tree.loop_starts, axis=0)
    loops = np.exp(loops - loops.max(axis=1, keepdims=True)) * _prior(variances.loop)
    loops /= loops.sum(axis=1, keepdims=True)
    rest = loops[tree.loop_of_half] * np.exp(-(halves - halves.max(axis=1, keepdims=True)))
    product = np.exp(sections - sections.max(axis=1, keepdims=True)) * (rest @ _transfer(variances.half_loop).T)
    product /= product.sum(axis=1, keepdims=True)
    shape, rate = _section_gammas(tree, variances, product)
    outer = np.exp(GRID)
    return Posterior(shape, rate, product @ outer, loops @ outer)


@dataclass(frozen=True)
class Totals:
    """Posterior mean and variance of sums of weights times section multipliers, by half-loop and by loop."""

    half_mean: Floats
    half_variance: Floats
    loop_mean: Floats
    loop_variance: Floats


def fit_totals(tree: Tree, variances: Variances, weights: Floats) -> Totals:
    """Posterior mean and variance of each half-loop's and loop's sum of weights times section multipliers.

    Parameters
    ----------
    tree, variances
        As in fit_posterior.
    weights
        One a section, e.g. the failures its class expects over the horizon; 0 for cable out of service.

    Notes
    -----
    Sections of a loop share its multiplier, so their posteriors are not independent: moments are taken given the
    loop's multiplier, half-loop by half-loop, and then over its posterior.

    Checked by: tests/unit/test_survival_nested.py
    """
    sections, _ = _half_messages(tree, variances)
    top = sections.max(axis=1, keepdims=True)
    likelihood, transfer = np.exp(sections - top), _transfer(variances.half_loop)
    message = np.maximum(likelihood @ transfer, 1e-300)
    first, second = _half_moments(tree, variances, weights)
    mean_half = (likelihood * first) @ transfer / message
    variance_half = (likelihood * (second + first**2)) @ transfer / message - mean_half**2
    loops = np.add.reduceat(np.log(message), tree.loop_starts, axis=0)
    loops = np.exp(loops - loops.max(axis=1, keepdims=True)) * _prior(variances.loop)
    loops /= loops.sum(axis=1, keepdims=True)
    mean_loop = np.add.reduceat(mean_half, tree.loop_starts, axis=0)
    variance_loop = np.add.reduceat(variance_half, tree.loop_starts, axis=0)
    loop_mean = (loops * mean_loop).sum(axis=1)
    loop_variance = (loops * (variance_loop + mean_loop**2)).sum(axis=1) - loop_mean**2
    given = loops[tree.loop_of_half]
    half_mean = (given * mean_half).sum(axis=1)
    half_variance = (given * (variance_half + mean_half**2)).sum(axis=1) - half_mean**2
    return Totals(half_mean, np.maximum(half_variance, 0.0), loop_mean, np.maximum(loop_variance, 0.0))


def _half_moments(tree: Tree, variances: Variances, weights: Floats) -> tuple[Floats, Floats]:
    """Mean and variance of each half-loop's weighted sum, given its outer multiplier on the grid."""
    outer, owner, precision = np.exp(GRID), tree.half_of_section, _precision(tree, variances)
    first = np.zeros((len(tree.half_starts), len(GRID)))
    second = np.zeros_like(first)
    for start in range(0, len(owner), CHUNK):
        part = slice(start, start + CHUNK)
        h, n, e = weights[part], tree.failures[part], tree.expected[part]
        if precision is None:
            mean, variance = h[:, None] * outer, np.zeros((len(h), len(GRID)))
        else:
            k = precision[part]
            unit = outer / (k[:, None] + e[:, None] * outer)
            mean = (h * (k + n))[:, None] * unit
            variance = (h**2 * (k + n))[:, None] * unit**2
        low, high = owner[part][0], owner[part][-1] + 1
        starts = np.maximum(tree.half_starts[low:high] - start, 0)
        first[low:high] += np.add.reduceat(mean, starts, axis=0)
        second[low:high] += np.add.reduceat(variance, starts, axis=0)
    return first, second


def _section_gammas(tree: Tree, variances: Variances, product: Floats) -> tuple[Floats, Floats]:
    from scipy.special import digamma

    owner, outer = tree.half_of_section, np.exp(GRID)
    mean, mean_log = np.empty(len(owner)), np.empty(len(owner))
    precision = _precision(tree, variances)
    for start in range(0, len(owner), CHUNK):
        part = slice(start, start + CHUNK)
        weights, n = product[owner[part]], tree.failures[part]
        if precision is None:
            mean[part], mean_log[part] = weights @ outer, weights @ GRID
            continue
        k = precision[part]
        unit = outer / (k[:, None] + tree.expected[part][:, None] * outer)
        mean[part] = (k + n) * np.einsum("ij,ij->i", weights, unit)
        mean_log[part] = digamma(k + n) + np.einsum("ij,ij->i", weights, np.log(unit))
    shape = _gamma_shape(np.log(mean) - mean_log)
    return shape, shape / mean


def _gamma_shape(gap: Floats) -> Floats:
    """Shape s of the gamma whose log mean exceeds its mean log by a gap: log(s) - digamma(s) = gap."""
    from scipy.special import digamma, polygamma

    gap = np.maximum(gap, 1e-7)
    shape = (3.0 - gap + np.sqrt((gap - 3.0) ** 2 + 24.0 * gap)) / (12.0 * gap)
    for _ in range(4):  # Newton on 1/shape, T. P. Minka, Estimating a Gamma distribution (2002)
        slope = shape - shape**2 * polygamma(1, shape)
        shape = 1.0 / (1.0 / shape + (np.log(shape) - digamma(shape) - gap) / slope)
    return np.asarray(shape)


def _precision(tree: Tree, variances: Variances) -> Floats | None:
    if variances.section == 0.0:
        return None
    return np.asarray(tree.relative_length**variances.length_power / variances.section)


def _half_messages(tree: Tree, variances: Variances) -> tuple[Floats, float]:
    """Log-likelihood of each half-loop's outer multiplier on the grid, and the part that does not depend on it."""
    from scipy.special import gammaln

    outer = np.exp(GRID)
    precision = _precision(tree, variances)
    sections = len(tree.failures)
    total = np.zeros((len(tree.half_starts), len(GRID)))
    owner, constant = tree.half_of_section, 0.0
    for start in range(0, sections, CHUNK):
        part = slice(start, min(start + CHUNK, sections))
        n, e = tree.failures[part], tree.expected[part]
        if precision is None:
            terms = n[:, None] * GRID - e[:, None] * outer
        else:
            k = precision[part]
            terms = n[:, None] * GRID - (k + n)[:, None] * np.log1p((e / k)[:, None] * outer)
            constant += float((gammaln(k + n) - gammaln(k) - n * np.log(k)).sum())
        first, last = owner[part][0], owner[part][-1]
        starts = np.maximum(tree.half_starts[first : last + 1] - start, 0)
        total[first : last + 1] += np.add.reduceat(terms, starts, axis=0)
    return total, constant


def _lift(sections: Floats, variance: float) -> tuple[Floats, Floats]:
    """Log of each half-loop's message to its loop, and the scale taken out of it."""
    top = sections.max(axis=1)
    message = np.exp(sections - top[:, None]) @ _transfer(variance)
    return np.log(np.maximum(message, 1e-300)), top


def _prior(variance: float) -> Floats:
    """Weights of a gamma with mean 1 on the grid."""
    if variance < LEAST_VARIANCE:
        weights = np.zeros(len(GRID))
        weights[int(np.argmin(np.abs(GRID)))] = 1.0
        return weights
    k = 1.0 / variance
    log_weights = k * (GRID - np.exp(GRID))
    weights = np.exp(log_weights - log_weights.max())
    return np.asarray(weights / weights.sum())


def _transfer(variance: float) -> Floats:
    """Weight of product m given the loop's multiplier j: the half-loop's prior, shifted by j."""
    zero, size = int(np.argmin(np.abs(GRID))), len(GRID)
    step, below = np.meshgrid(np.arange(size), np.arange(size), indexing="ij")
    place = np.clip(step + below - zero, 0, size - 1)
    matrix = np.zeros((size, size))
    np.add.at(matrix, (place, below), np.broadcast_to(_prior(variance)[:, None], (size, size)))
    return matrix


def _owner(starts: Whole, size: int) -> Whole:
    owner = np.zeros(size, dtype=np.int64)
    owner[starts[1:]] = 1
    return np.cumsum(owner)


def _thin(tree: Tree, sections: int) -> Tree:
    """Evenly spaced whole loops, about as many sections as asked for."""
    every = int(np.ceil(len(tree.failures) / sections))
    if every <= 1:
        return tree
    keep_half = tree.loop_of_half % every == 0
    keep = keep_half[tree.half_of_section]
    return Tree(
        tree.failures[keep], tree.expected[keep], tree.relative_length[keep],
        np.flatnonzero(np.r_[True, np.diff(tree.half_of_section[keep]) != 0]),
        np.flatnonzero(np.r_[True, np.diff(tree.loop_of_half[keep_half]) != 0]),
    )
