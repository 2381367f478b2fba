"""Noise of a reading: how it grows with distance, how it differs by the way the true length was measured."""

from dataclasses import dataclass, replace

import numpy as np

from pipelines.locating.readings import Readings
from shared.arrays import Floats

# Common practice, no source: a measuring wheel or tape on a lawn errs by 0.7 %, and the cable's slack against the
# route varies by 0.8 %. Both are in every dug distance; what else there is, is fitted.
MEASURED_LENGTH_SHARE = 0.007**2 + 0.008**2
SATELLITE_M = 1.5
"""Standard error of a place by satellite or map, metres. Common practice, no source."""


@dataclass(frozen=True)
class Noise:
    """Standard deviations of one reading.

    Parameters
    ----------
    constant_m
        Part that does not grow with distance, metres.
    growing
        Part in proportion to distance, the cable's own deviation included; taping and slack come on top where dug.
    paced, register
        Further parts in proportion to distance, where the true length was paced, or comes from the register.
    run
        Part of `growing` that readings of one run have in common.
    wrong_share
        Share of the readings that is grossly wrong.
    """

    constant_m: float = 0.8
    growing: float = 0.025
    paced: float = 0.04
    register: float = 0.02
    run: float = 0.0
    wrong_share: float = 0.05


# Weak priors on the logarithm of each standard deviation, as median and spread. They carry the fit where there are
# a few readings only, and weigh about four readings against that.
PRIORS: dict[str, tuple[float, float]] = {
    "constant_m": (0.5, 0.8),
    "growing": (0.025, 0.5),
    "paced": (0.04, 0.5),
    "register": (0.015, 0.7),
}
PRIOR_READINGS = 4.0
FISHER_STEPS = 2


def length_variance(readings: Readings, noise: Noise) -> Floats:
    """Variance of the true length as recorded, in m^2, shape (n,)."""
    square = readings.length_m**2
    dug = MEASURED_LENGTH_SHARE * square * readings.is_dug
    return np.asarray(
        dug
        + noise.paced**2 * square * readings.is_paced
        + SATELLITE_M**2 * readings.is_satellite
        + noise.register**2 * square * readings.is_register
    )


def total_variance(readings: Readings, noise: Noise, time_m: Floats, factor: Floats) -> Floats:
    """Variance of a reading about its line, in m^2 at REFERENCE_PCT, shape (n,).

    Parameters
    ----------
    time_m
        Expected time over the path, metres at REFERENCE_PCT.
    factor
        Noise of the reading's instrument against the fleet's, as a ratio of variances.
    """
    square = time_m**2
    own = (noise.constant_m**2 * readings.zero_errors + noise.growing**2 * square) * factor
    return np.asarray(
        own
        + MEASURED_LENGTH_SHARE * square * readings.is_dug
        + noise.paced**2 * square * readings.is_paced
        + SATELLITE_M**2 * readings.is_satellite
        + noise.register**2 * square * readings.is_register
    )


def wrong_sd(readings: Readings) -> Floats:
    """Standard deviation of a grossly wrong reading, metres, shape (n,).

    Feet for metres misses by 70 or 230 %, half velocity for velocity by 50 or 100 %, another terminal by about the
    distance itself: a wide normal catches all of them.
    """
    return np.asarray(0.6 * (readings.length_m + 10.0))


def right_probability(residual: Floats, variance: Floats, wrong_sd: Floats, wrong_share: float) -> Floats:
    """Probability that each reading is no gross error, given its residual: the E-step of a two-part normal mixture.

    Parameters
    ----------
    residual, variance
        Residual of each reading and its variance if it is right, shape (n,).
    wrong_sd
        Standard deviation of a gross error.
    wrong_share
        Share of gross errors.

    References
    ----------
    Aitkin and Wilson 1980, Technometrics 22 (mixture models for outliers).

    Checked by: tests/published/test_locating_published.py
    """
    wide = wrong_sd**2 + variance
    log_right = np.log1p(-wrong_share) - 0.5 * (np.log(variance) + residual**2 / variance)
    log_wrong = np.log(wrong_share) - 0.5 * (np.log(wide) + residual**2 / wide)
    return np.asarray(1.0 / (1.0 + np.exp(np.clip(log_wrong - log_right, -700, 700))))


def fit_noise(
    readings: Readings, noise: Noise, residual: Floats, leverage: Floats, right: Floats, time_m: Floats, factor: Floats
) -> Noise:
    """Noise that makes the residuals most likely, given how much of each reading the fit used up.

    Parameters
    ----------
    residual
        Reading minus fitted line, metres, shape (n,).
    leverage
        Share of each reading that the fit used up, between 0 and 1.
    right
        Probability that the reading is no gross error.

    Notes
    -----
    Maximises sum of right x (1 - leverage) x [-log V - residual^2 / ((1 - leverage) V)] / 2. Its gradient is that of
    the restricted likelihood, so the fixed point over the outer rounds is the restricted maximum. Fisher scoring, a
    few steps a round.
    """
    present = {
        "constant_m": True,
        "growing": True,
        "paced": bool(readings.is_paced.any()),
        "register": bool(readings.is_register.any()),
    }
    names = [name for name, is_there in present.items() if is_there]
    median = np.log([PRIORS[name][0] for name in names])
    spread = np.array([PRIORS[name][1] for name in names])
    square = time_m**2
    parts = {
        "constant_m": readings.zero_errors * factor,
        "growing": square * factor,
        "paced": square * readings.is_paced,
        "register": square * readings.is_register,
    }
    columns = np.column_stack([parts[name] for name in names])
    fixed = SATELLITE_M**2 * readings.is_satellite + MEASURED_LENGTH_SHARE * square * readings.is_dug
    free = right * (1.0 - leverage)
    squares = right * residual**2
    log_sd = np.log([getattr(noise, name) for name in names])

    def loss(at: Floats) -> float:
        variance = columns @ np.exp(2.0 * at) + fixed
        away = (at - median) / spread
        return 0.5 * float(free @ np.log(variance) + np.sum(squares / variance) + away @ away)

    for _ in range(FISHER_STEPS):
        component = np.exp(2.0 * log_sd)
        variance = columns @ component + fixed
        # derivative of log V by each logarithm, over two
        share = columns * component / variance[:, None]
        slope = (free - squares / variance) @ share + (log_sd - median) / spread**2
        information = 2.0 * (share * free[:, None]).T @ share + np.diag(spread**-2)
        step = np.clip(np.linalg.solve(information, slope), -1.0, 1.0)
        here = loss(log_sd)
        while loss(log_sd - step) > here and np.abs(step).max() > 1e-4:
            step = 0.5 * step
        log_sd = log_sd - step
    # Beta(1.5, 18.5) prior on the share: a handful of good readings must not prove that none is ever wrong
    wrong = (float(np.sum(1.0 - right)) + 0.5) / (len(readings) + 18.0)
    return replace(
        noise,
        **dict(zip(names, (float(v) for v in np.exp(log_sd)), strict=True)),
        wrong_share=float(np.clip(wrong, 1e-3, 0.4)),
    )


def fit_run_deviation(readings: Readings, residual: Floats, variance: Floats, right: Floats, noise: Noise) -> float:
    """Standard deviation that readings of one run share, as a share of distance.

    Notes
    -----
    Moments: within a run, the products of residuals over distance average to the shared variance. Sums over pairs
    come from (sum)^2 - sum of squares. A prior worth ten pairs says a third of the growing variance.
    """
    weight = right * readings.length_m**2 / variance
    ratio = residual / readings.length_m
    pull = weight * ratio
    total, squares = (np.bincount(readings.run, weights=w) for w in (pull, pull**2))
    mass, mass_squares = (np.bincount(readings.run, weights=w) for w in (weight, weight**2))
    pairs = np.maximum(mass**2 - mass_squares, 0.0)
    prior = 10.0 * 2.0 * float(np.median(weight)) ** 2 if len(readings) else 1.0
    expected = noise.growing**2 / 3.0
    shared = (float(np.sum(total**2 - squares)) + prior * expected) / (float(pairs.sum()) + prior)
    return float(np.sqrt(min(max(shared, 0.0), 0.9 * noise.growing**2)))


def fit_factors(
    readings: Readings, factor: Floats, residual: Floats, variance: Floats, leverage: Floats, right: Floats
) -> Floats:
    """Noise of each instrument against the fleet's, as a ratio of variances, shape (instruments,).

    Notes
    -----
    Inverse-gamma prior with mean one worth twenty readings, so that three lucky readings make no quiet instrument.
    """
    known = readings.instrument >= 0
    at = readings.instrument[known]
    count = len(readings.instruments)
    squares = np.bincount(at, weights=(right * residual**2 / variance)[known], minlength=count) * factor
    free = np.bincount(at, weights=(right * (1.0 - leverage))[known], minlength=count)
    found = (20.0 + squares) / (20.0 + free)
    # the level belongs to the fleet's noise: a mean of one keeps the two from being counted twice
    return np.asarray(found / (np.average(found, weights=free + 1e-9) if count else 1.0))
