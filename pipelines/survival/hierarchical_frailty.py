"""Multipliers at nested levels: loop, half-loop within it, section within that.

A section's multiplier is the product of three, each gamma with mean 1 and a variance of its own. Given the product of
the outer two the section level has a closed form (negative binomial); the outer two are carried on one grid of log
multipliers and passed up and down the tree, so a failure is used once however many levels it informs.
"""

from dataclasses import dataclass
from functools import cached_property, lru_cache

import numpy as np

from pipelines.survival.frailty_tree import Tree, Variances, build_tree, split_tree, thin_tree
from shared.arrays import Floats, Integers

__all__ = [
    "Posterior",
    "Totals",
    "Tree",
    "Variances",
    "build_tree",
    "fit_posterior",
    "fit_totals",
    "fit_variances",
    "log_likelihood",
]


STEP = 0.2
GRID: Floats = np.arange(-33, 21, dtype=np.float64) * STEP
"""Log multipliers: from 1/735 to 55. Wide enough for a variance of 4; the step resolves a variance of 0.03."""

LEAST_VARIANCE = 0.03


@dataclass(frozen=True)
class Posterior:
    """Multipliers given the failures: of sections (gamma), and the means of half-loops and loops.

    mean, gap: of a section's posterior, and how far the logarithm of the mean lies above the mean logarithm. shape,
    rate: the gamma with both. messages: log-likelihood of each half-loop's outer multiplier on the grid, part by part
    (frailty_tree.split_tree).
    """

    mean: Floats
    gap: Floats
    half_loop: Floats
    loop: Floats
    messages: list[Floats]

    @cached_property
    def shape(self) -> Floats:
        """Of each section's gamma; most models of a back-test are never asked."""
        return _gamma_shape(self.gap)

    @property
    def rate(self) -> Floats:
        """Of each section's gamma."""
        return np.asarray(self.shape / self.mean)


def fit_variances(
    tree: Tree, length_power: float = 0.0, start: Variances | None = None, largest: float = 4.0
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

    Checked by: tests/unit/test_survival_hierarchical_frailty.py
    """
    found = {"loop": 0.3, "half_loop": 0.1, "section": 0.5}
    rounds: tuple[tuple[float, int], ...] = ((3.0, 3_000), (1.5, 8_000), (1.15, 20_000))
    if start is not None:
        found = {"loop": start.loop, "half_loop": start.half_loop, "section": start.section}
        rounds = rounds[-1:]
    for factor, sections in rounds:
        _search(thin_tree(tree, sections), found, factor, length_power, largest)
    return Variances(**found, length_power=length_power)


def _search(tree: Tree, found: dict[str, float], factor: float, length_power: float, largest: float) -> None:
    """One round of a coordinate search; found is changed to the best of it."""
    messages: dict[float, tuple[Floats, float]] = {}
    lifted: dict[tuple[float, float], Floats] = {}

    def score(**changed: float) -> float:
        variances = Variances(**{**found, **changed}, length_power=length_power)
        if variances.section not in messages:
            messages[variances.section] = (
                _half_messages(tree, variances, _log_terms(tree, variances)),
                _constant(tree, variances),
            )
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
    sections = _half_messages(tree, variances, _log_terms(tree, variances))
    return _constant(tree, variances) + _marginal(_loop_messages(tree, sections, variances.half_loop), variances.loop)


def _loop_messages(tree: Tree, sections: Floats, half_loop: float) -> Floats:
    halves, scale = _lift(sections, half_loop)
    return _sum_rows(halves + scale[:, None], tree.loop_starts)


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

    Checked by: tests/unit/test_survival_hierarchical_frailty.py
    """
    *parts, messages = zip(*(_posterior_of(part, variances) for part, _ in split_tree(tree)), strict=True)
    mean, gap, half_loop, loop = (np.concatenate(each) for each in parts)
    return Posterior(mean, gap, half_loop, loop, list(messages))


def _posterior_of(tree: Tree, variances: Variances) -> tuple[Floats, ...]:
    """Posterior of some loops, field by field."""
    terms = _log_terms(tree, variances)
    sections = _half_messages(tree, variances, terms)
    halves, _ = _lift(sections, variances.half_loop)
    loops = _sum_rows(halves, tree.loop_starts)
    loops = np.exp(loops - loops.max(axis=1, keepdims=True)) * _prior(variances.loop)
    loops /= loops.sum(axis=1, keepdims=True)
    rest = loops[tree.loop_of_half] * np.exp(-(halves - halves.max(axis=1, keepdims=True)))
    product = np.exp(sections - sections.max(axis=1, keepdims=True)) * (rest @ _transfer(variances.half_loop).T)
    product /= product.sum(axis=1, keepdims=True)
    outer = np.exp(GRID)
    return *_section_means(tree, variances, product, terms), product @ outer, loops @ outer, sections


@dataclass(frozen=True)
class Totals:
    """Posterior mean and variance of sums of weights times section multipliers, by half-loop and by loop."""

    half_mean: Floats
    half_variance: Floats
    loop_mean: Floats
    loop_variance: Floats


def fit_totals(tree: Tree, variances: Variances, weights: Floats, messages: list[Floats] | None = None) -> Totals:
    """Posterior mean and variance of each half-loop's and loop's sum of weights times section multipliers.

    Parameters
    ----------
    tree, variances
        As in fit_posterior.
    weights
        One a section, e.g. the failures its class expects over the horizon; 0 for cable out of service.
    messages
        Of fit_posterior of the same tree and variances, which are worked out again where they are not given.

    Notes
    -----
    Sections of a loop share its multiplier, so their posteriors are not independent: moments are taken given the
    loop's multiplier, half-loop by half-loop, and then over its posterior.

    Checked by: tests/unit/test_survival_hierarchical_frailty.py
    """
    parts = [
        _totals_of(part, variances, weights[place], messages[number] if messages else None)
        for number, (part, place) in enumerate(split_tree(tree))
    ]
    return Totals(*(np.concatenate(each) for each in zip(*parts, strict=True)))


def _totals_of(
    tree: Tree, variances: Variances, weights: Floats, sections: Floats | None
) -> tuple[Floats, Floats, Floats, Floats]:
    """Moments of some loops: mean and variance of the half-loops' totals, and of the loops'."""
    if sections is None:
        sections = _half_messages(tree, variances, _log_terms(tree, variances))
    top = sections.max(axis=1, keepdims=True)
    likelihood, transfer = np.exp(sections - top), _transfer(variances.half_loop)
    message = np.maximum(likelihood @ transfer, 1e-300)
    first, second = _half_moments(tree, variances, weights)
    mean_half = (likelihood * first) @ transfer / message
    second += first**2
    square_half = (likelihood * second) @ transfer / message
    summed = _sum_rows(np.hstack([np.log(message), mean_half, square_half - mean_half**2]), tree.loop_starts)
    loops, mean_loop, variance_loop = np.split(summed, 3, axis=1)
    loops = np.exp(loops - loops.max(axis=1, keepdims=True)) * _prior(variances.loop)
    loops /= loops.sum(axis=1, keepdims=True)
    loop_mean = (loops * mean_loop).sum(axis=1)
    loop_variance = (loops * (variance_loop + mean_loop**2)).sum(axis=1) - loop_mean**2
    given = loops[tree.loop_of_half]
    half_mean = np.einsum("ij,ij->i", given, mean_half)
    half_variance = np.einsum("ij,ij->i", given, square_half) - half_mean**2
    return half_mean, np.maximum(half_variance, 0.0), loop_mean, np.maximum(loop_variance, 0.0)


def _half_moments(tree: Tree, variances: Variances, weights: Floats) -> tuple[Floats, Floats]:
    """Mean and variance of each half-loop's weighted sum, given its outer multiplier on the grid."""
    outer, precision, n = np.exp(GRID), _precision(tree, variances), tree.failures
    if precision is None:
        first = np.add.reduceat(weights, tree.half_starts)[:, None] * outer
        return first, np.zeros_like(first)
    unit = _given_outer(tree, precision)
    first = _sum_rows(unit, tree.half_starts, weights * (precision + n))
    return first, _sum_rows(np.square(unit, out=unit), tree.half_starts, weights**2 * (precision + n))


def _given_outer(tree: Tree, precision: Floats) -> Floats:
    """Mean of each section's multiplier given its outer one on the grid, over precision and failures together."""
    outer = np.exp(GRID)
    unit = np.multiply.outer(tree.expected, outer)
    unit += precision[:, None]
    return np.divide(outer, unit, out=unit)


def _section_means(tree: Tree, variances: Variances, product: Floats, terms: Floats | None) -> tuple[Floats, Floats]:
    """Mean of each section's posterior, and how far its logarithm lies above the mean logarithm."""
    from scipy.special import digamma

    half, precision = tree.half_of_section, _precision(tree, variances)
    mean_log = (product @ GRID)[half]
    if precision is None or terms is None:
        mean = (product @ np.exp(GRID))[half]
    else:
        k, n, weights = precision, tree.failures, product[half]
        mean = (k + n) * np.einsum("ij,ij->i", weights, _given_outer(tree, k))
        # log of what is given: GRID - log k - terms
        mean_log += digamma(k + n) - np.log(k) - np.einsum("ij,ij->i", weights, terms)
    return mean, np.log(mean) - mean_log


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


def _log_terms(tree: Tree, variances: Variances) -> Floats | None:
    """log(1 + expected x outer multiplier / precision) of each section on the grid; none where sections do not vary."""
    precision = _precision(tree, variances)
    if precision is None:
        return None
    terms = (tree.expected / precision)[:, None] * np.exp(GRID)
    return np.asarray(np.log1p(terms, out=terms))


def _half_messages(tree: Tree, variances: Variances, terms: Floats | None) -> Floats:
    """Log-likelihood of each half-loop's outer multiplier on the grid."""
    own = np.add.reduceat(tree.failures, tree.half_starts)[:, None] * GRID
    precision = _precision(tree, variances)
    if precision is None or terms is None:
        return np.asarray(own - np.add.reduceat(tree.expected, tree.half_starts)[:, None] * np.exp(GRID))
    return np.asarray(own - _sum_rows(terms, tree.half_starts, precision + tree.failures))


def _constant(tree: Tree, variances: Variances) -> float:
    """The part of the log-likelihood that does not depend on the outer multipliers."""
    from scipy.special import gammaln

    precision, n = _precision(tree, variances), tree.failures
    if precision is None:
        return 0.0
    return float((gammaln(precision + n) - gammaln(precision) - n * np.log(precision)).sum())


def _sum_rows(values: Floats, starts: Integers, weights: Floats | None = None) -> Floats:
    """Sums of rows, weighted, from each start to the next."""
    from scipy.sparse import csr_array

    size = len(values)
    data = np.ones(size) if weights is None else weights
    return np.asarray(csr_array((data, np.arange(size), np.append(starts, size)), shape=(len(starts), size)) @ values)


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


@lru_cache(maxsize=64)
def _transfer(variance: float) -> Floats:
    """Weight of product m given the loop's multiplier j: the half-loop's prior, shifted by j."""
    zero, size = int(np.argmin(np.abs(GRID))), len(GRID)
    step, below = np.meshgrid(np.arange(size), np.arange(size), indexing="ij")
    place = np.clip(step + below - zero, 0, size - 1)
    matrix = np.zeros((size, size))
    np.add.at(matrix, (place, below), np.broadcast_to(_prior(variance)[:, None], (size, size)))
    return matrix
