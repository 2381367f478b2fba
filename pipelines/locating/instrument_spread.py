"""How much instruments differ from one another: restricted likelihood, its uncertainty, and who is out of order."""

import contextlib
import itertools
from dataclasses import dataclass, replace

import numpy as np

from pipelines.locating.mixed_model import CrossProducts, Design, Solution, solve
from shared.arrays import Floats

# Priors of the standard deviations of good instruments' errors: median and spread of the logarithm. Time bases are
# quartz, so errors above a per cent are rare; a lead of a few decimetres is common. Our choice, judged by the coverage
# of the limits (tests/simulated/test_locating_recovery.py).
SCALE_SD_PRIOR = (0.003, 0.5)
ZERO_SD_PRIOR = (0.5, 0.8)
FAULT_SD = np.array([0.05, 4.0])
"""What a fault adds to a good instrument's errors: a time base off by some per cent, a lead of some metres left in.
Wide on purpose: it hardly draws the estimate of a faulty instrument to anything, nor lets it draw the others."""
FAULT_SHARE_PRIOR = (0.1, 10.0)
"""Share of faulty instruments before anything is read, and how many instruments that is worth. Our choice."""
WIDEST = (0.5, 0.2)
"""Share of the readings' own precision that an open question, fault or none, may take off an instrument's limits: the
first that the equations bear."""
_MEDIAN = np.log([SCALE_SD_PRIOR[0], ZERO_SD_PRIOR[0]])
_SPREAD = np.array([SCALE_SD_PRIOR[1], ZERO_SD_PRIOR[1]])


@dataclass(frozen=True)
class InstrumentSpread:
    """What is believed of the instruments' errors: a mixture of good and faulty ones.

    Parameters
    ----------
    log_sd
        Logarithm of the standard deviation of good instruments' scale and time-zero errors, shape (2,).
    share
        Share of faulty instruments, shape (2,).
    faulty
        Probability that each instrument's scale, and its time zero, is faulty, shape (G, 2).
    precision, pull
        Normal that stands for the mixture in each instrument's equations: inverse covariance, shape (G, 2, 2), and
        that times its mean, shape (G, 2).
    """

    log_sd: Floats
    share: Floats
    faulty: Floats
    precision: Floats
    pull: Floats

    def unseen_sd(self) -> Floats:
        """Standard deviation of the errors of an instrument not seen before, good or faulty, shape (2,)."""
        return np.asarray(np.sqrt(np.exp(2.0 * self.log_sd) + self.share * FAULT_SD**2))


def start_instrument_spread(groups: int) -> InstrumentSpread:
    """Medians of the priors; every instrument as likely to be faulty as any."""
    share, variance = np.full(2, FAULT_SHARE_PRIOR[0]), np.exp(2.0 * _MEDIAN)
    precision = np.diag((1.0 - share) / variance + share / (variance + FAULT_SD**2))
    return InstrumentSpread(
        _MEDIAN.copy(), share, np.tile(share, (groups, 1)), np.tile(precision, (groups, 1, 1)), np.zeros((groups, 2))
    )


@dataclass(frozen=True)
class Point:
    """Solution at given standard deviations of good instruments' errors.

    Parameters
    ----------
    spread
        The deviations, and who is faulty under them.
    solution
        Of the mixed-model equations with that spread.
    height
        Minus log posterior density of the deviations, up to a constant.
    """

    spread: InstrumentSpread
    solution: Solution
    height: float


def solve_at(
    products: CrossProducts,
    design: Design,
    spread: InstrumentSpread,
    log_sd: Floats,
    passes: int = 2,
    *,
    is_final: bool = False,
) -> Point:
    """Solve at given deviations, with the instruments that are faulty under them.

    Parameters
    ----------
    spread
        Where the normals that stand for the mixture start from.
    log_sd
        Logarithm of the deviations, shape (2,).
    passes
        Times those normals are found anew.
    is_final
        Whether limits are made from the solution. Where two peaks are wider than the readings alone would be, the
        normal then takes precision off; on the way it does not, since that could upset the equations.

    Notes
    -----
    Expectation propagation. What the readings say of one instrument, all else integrated out, is its posterior with
    its own prior taken off again. Times the mixture of four cases (scale good or faulty, time zero good or faulty)
    that has a mean and a covariance; the normal that stands for the mixture is the one that gives the same two. So one
    instrument far off speaks for a fault, where a single bell curve would widen for all, draw the estimate of the
    faulty one towards the others, and draw the velocity of its classes towards it; and where the readings leave open
    whether there is a fault, the covariance says so.

    References
    ----------
    Box and Tiao 1968, Biometrika 55 (the two-part mixture); Minka 2001, UAI 17, 3 (expectation propagation).

    Checked by: tests/unit/test_locating_instrument_spread.py
    """
    away = (log_sd - _MEDIAN) / _SPREAD
    spread = replace(spread, log_sd=np.clip(log_sd, _MEDIAN - 5.0 * _SPREAD, _MEDIAN + 5.0 * _SPREAD))
    solution = solve(products, design, spread.precision, spread.pull)
    for _ in range(passes - 1):
        spread, _evidence = _match_mixture(solution, spread, 0.0)
        solution = solve(products, design, spread.precision, spread.pull)
    if is_final:
        spread, solution = _solve_widest(products, design, spread, solution)
    found, evidence = _match_mixture(solution, spread, 0.0)
    height = 0.5 * solution.criterion - evidence + 0.5 * float(away @ away)
    return Point(replace(spread, faulty=found.faulty), solution, height)


def _solve_widest(
    products: CrossProducts, design: Design, spread: InstrumentSpread, solution: Solution
) -> tuple[InstrumentSpread, Solution]:
    """Solve once more with normals that may take precision off, as far as the equations stay positive definite.

    Several open questions about one class could take off more than its readings bring; then they take off less.
    """
    for widest in WIDEST:
        found, _evidence = _match_mixture(solution, spread, widest)
        with contextlib.suppress(np.linalg.LinAlgError):
            return found, solve(products, design, found.precision, found.pull)
    return spread, solution


def _match_mixture(solution: Solution, spread: InstrumentSpread, widest: float) -> tuple[InstrumentSpread, float]:
    """The normals that stand for the mixture found anew, and the log ratio of mixture to normal over all.

    `widest` is the share of the readings' own precision that such a normal may take off.
    """
    if not len(spread.pull):
        return spread, 0.0
    unit = np.exp(_MEDIAN)  # per cents and metres on one footing
    own = solution.within + np.einsum("gik,kl,gjl->gij", solution.carried, solution.inverse, solution.carried)
    own, mean = own / np.outer(unit, unit), solution.random / unit
    whole = np.linalg.inv(own)
    told = _positive(whole - spread.precision * np.outer(unit, unit))
    score = np.einsum("gij,gj->gi", whole, mean) - spread.pull * unit
    cases = np.array(list(itertools.product((0.0, 1.0), repeat=2)))
    log_weight, means, covariances = [], [], []
    for case in cases:
        variance = (np.exp(2.0 * spread.log_sd) + case * FAULT_SD**2) / unit**2
        covariance = np.linalg.inv(told + np.diag(1.0 / variance))
        middle = np.einsum("gij,gj->gi", covariance, score)
        chance = float(np.log(np.where(case > 0, spread.share, 1.0 - spread.share)).sum())
        spread_out = np.linalg.slogdet(np.eye(2) + variance[:, None] * told)[1]
        log_weight.append(chance - 0.5 * spread_out + 0.5 * np.sum(score * middle, axis=1))
        means.append(middle)
        covariances.append(covariance)
    top = np.max(log_weight, axis=0)
    weight = np.exp(np.array(log_weight) - top)
    evidence = (
        top
        + np.log(weight.sum(axis=0))
        - 0.5 * (np.linalg.slogdet(own)[1] + np.einsum("gi,gij,gj->g", mean, whole, mean))
    )
    weight = weight / weight.sum(axis=0)
    matched = np.einsum("cg,cgi->gi", weight, np.array(means))
    apart = np.array(means) - matched
    covariance = np.einsum("cg,cgij->gij", weight, np.array(covariances) + apart[..., :, None] * apart[..., None, :])
    precision = _positive(np.linalg.inv(covariance) - told + widest * told) - widest * told
    pull = np.einsum("gij,gj->gi", told + precision, matched) - score
    return replace(
        spread, faulty=weight.T @ cases, precision=precision / np.outer(unit, unit), pull=pull / unit
    ), float(evidence.sum())


def _positive(matrices: Floats) -> Floats:
    """Nearest matrices without negative eigenvalues, which rounding or a mixture of two peaks may leave."""
    values, vectors = np.linalg.eigh(matrices)
    return np.asarray(np.einsum("gik,gk,gjk->gij", vectors, np.maximum(values, 1e-9), vectors))


def count_faults(spread: InstrumentSpread) -> InstrumentSpread:
    """The spread with the share of faulty instruments worked out anew."""
    share, worth = FAULT_SHARE_PRIOR
    return replace(spread, share=(spread.faulty.sum(axis=0) + share * worth) / (len(spread.faulty) + worth))


def step_instrument_spread(products: CrossProducts, design: Design, spread: InstrumentSpread) -> Point:
    """One Newton step towards the most likely standard deviations of scale error and time-zero error (logarithms).

    Notes
    -----
    Derivatives by central differences of a smooth function of two variables. Where the surface does not curve
    upwards, or the step goes uphill, the best point already looked at is taken instead.
    """
    middle = solve_at(products, design, spread, spread.log_sd)
    if not design.groups:
        return middle
    h, start = 0.15, spread.log_sd
    moves = h * np.array([[1, 0], [-1, 0], [0, 1], [0, -1], [1, 1]], dtype=float)
    around = [middle, *(solve_at(products, design, middle.spread, start + move, 1) for move in moves)]
    best = min(around, key=lambda point: point.height)
    at, right, left, up, down, corner = (point.height for point in around)
    slope = np.array([right - left, up - down]) / (2 * h)
    cross = (corner - right - up + at) / h**2
    bend = np.array([[(right + left - 2 * at) / h**2, cross], [cross, (up + down - 2 * at) / h**2]])
    if np.linalg.det(bend) <= 0 or bend[0, 0] <= 0:
        return best
    target = solve_at(products, design, middle.spread, start - np.clip(np.linalg.solve(bend, slope), -0.8, 0.8))
    return target if target.height <= best.height else best


def integrate_instrument_spread(
    products: CrossProducts, design: Design, spread: InstrumentSpread
) -> tuple[tuple[Point, ...], Floats]:
    """Solutions over a 5 x 5 grid of the two standard deviations, and their posterior weights.

    Notes
    -----
    Steps of 0.9 posterior standard deviations, from the curvature at the mode, at most those of the prior.
    """
    mode = spread.log_sd
    at_mode = solve_at(products, design, spread, mode, 4)
    if not design.groups:
        return (at_mode,), np.ones(1)
    steps = []
    for k in range(2):
        move = np.zeros(2)
        move[k] = 0.2
        beside = sum(solve_at(products, design, at_mode.spread, mode + way, 1).height for way in (move, -move))
        steps.append(0.9 * min(_SPREAD[k], 0.2 / np.sqrt(max(beside - 2 * at_mode.height, 1e-6))))
    grid = [mode + np.array([i * steps[0], j * steps[1]]) for i in range(-2, 3) for j in range(-2, 3)]
    points = tuple(solve_at(products, design, at_mode.spread, place, 4, is_final=True) for place in grid)
    weights = np.exp(at_mode.height - np.array([point.height for point in points]))
    return points, weights / weights.sum()
