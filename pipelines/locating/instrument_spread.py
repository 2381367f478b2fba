"""How much instruments differ from one another: restricted likelihood, and its uncertainty over a grid."""

from __future__ import annotations

import numpy as np

from pipelines.locating.mixed_model import CrossProducts, Design, Solution, solve
from pipelines.locating.readings import Floats

# Priors of the standard deviations of the instruments' errors: median and spread of the logarithm. Time bases are
# quartz, so errors above a per cent are rare; a lead of a few metres left in or out is common. Our choice, judged by
# the coverage of the limits (tests/simulated/test_locating_recovery.py).
SCALE_SD_PRIOR = (0.004, 0.8)
ZERO_SD_PRIOR = (0.5, 0.8)
FREEDOM = 1.0
"""Degrees of freedom of the instruments' errors: most are good and a few are far off."""
_MEDIAN = np.log([SCALE_SD_PRIOR[0], ZERO_SD_PRIOR[0]])
_SPREAD = np.array([SCALE_SD_PRIOR[1], ZERO_SD_PRIOR[1]])


def penalised(products: CrossProducts, design: Design, log_sd: Floats, tightness: Floats) -> float:
    """Half of -2 log restricted likelihood, with the prior of the two standard deviations."""
    within = np.clip(log_sd, _MEDIAN - 5.0 * _SPREAD, _MEDIAN + 5.0 * _SPREAD)
    distance = (log_sd - _MEDIAN) / _SPREAD
    return 0.5 * solve(products, design, np.exp(within), tightness).criterion + 0.5 * float(distance @ distance)


def step_instrument_spread(
    products: CrossProducts, design: Design, start: Floats, tightness: Floats,
) -> Floats:
    """One Newton step towards the most likely standard deviations of scale error and time-zero error (logarithms).

    Notes
    -----
    Derivatives by central differences of a smooth function of two variables. Where the surface does not curve
    upwards, or the step goes uphill, the best point already looked at is taken instead.
    """
    if not design.groups:
        return np.asarray(_MEDIAN)
    h = 0.15
    moves = h * np.array([[0, 0], [1, 0], [-1, 0], [0, 1], [0, -1], [1, 1]], dtype=float)
    heights = np.array([penalised(products, design, start + move, tightness) for move in moves])
    middle, right, left, up, down, corner = heights
    slope = np.array([right - left, up - down]) / (2 * h)
    cross = (corner - right - up + middle) / h**2
    bend = np.array([[right + left - 2 * middle, 0.0], [0.0, up + down - 2 * middle]]) / h**2
    bend += cross * np.array([[0.0, 1.0], [1.0, 0.0]])
    best = start + moves[int(np.argmin(heights))]
    if np.linalg.det(bend) <= 0 or bend[0, 0] <= 0:
        return np.asarray(best)
    target = start - np.clip(np.linalg.solve(bend, slope), -0.8, 0.8)
    return np.asarray(target if penalised(products, design, target, tightness) <= heights.min() else best)


def integrate_instrument_spread(
    products: CrossProducts, design: Design, mode: Floats, tightness: Floats,
) -> tuple[tuple[Solution, ...], Floats, Floats]:
    """Solutions over a 5 x 5 grid of the two standard deviations, their posterior weights, and the grid.

    Notes
    -----
    Steps of 0.9 posterior standard deviations, from the curvature at the mode, at most those of the prior.
    """
    if not design.groups:
        sds = np.exp(_MEDIAN)[None, :]
        return (solve(products, design, sds[0], tightness),), np.ones(1), sds
    at_mode = penalised(products, design, mode, tightness)
    steps = []
    for k in range(2):
        move = np.zeros(2)
        move[k] = 0.2
        beside = sum(penalised(products, design, mode + way, tightness) for way in (move, -move))
        steps.append(0.9 * min(_SPREAD[k], 0.2 / np.sqrt(max(beside - 2 * at_mode, 1e-6))))
    grid = np.array([
        mode + np.array([i * steps[0], j * steps[1]]) for i in range(-2, 3) for j in range(-2, 3)
    ])
    heights = np.array([penalised(products, design, point, tightness) for point in grid])
    weights = np.exp(at_mode - heights)
    sds = np.exp(np.clip(grid, _MEDIAN - 5.0 * _SPREAD, _MEDIAN + 5.0 * _SPREAD))
    return tuple(solve(products, design, sd, tightness) for sd in sds), weights / weights.sum(), sds


def fit_tightness(solution: Solution, log_sd: Floats) -> Floats:
    """Factor on the prior precision of each instrument's errors, shape (G, 2): Student's prior by reweighting.

    Notes
    -----
    (nu + 1) / (nu + E[error^2] / sd^2), the expected precision of a normal whose variance is drawn so that the errors
    are Student's. An instrument far from the others is neither drawn to them nor drags the common level with it.

    References
    ----------
    Lange, Little and Taylor 1989, JASA 84.
    """
    variance = np.exp(2.0 * log_sd)
    own = solution.within + np.einsum("gik,kl,gjl->gij", solution.carried, solution.inverse, solution.carried)
    square = solution.random**2 + np.diagonal(own, axis1=1, axis2=2)
    return np.asarray((FREEDOM + 1.0) / (FREEDOM + square / variance))
