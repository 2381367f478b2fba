"""Velocity of each cable class, and offset and scale of each instrument, from all readings at once."""

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from pipelines.locating import line, mixed_model, noise
from pipelines.locating.instrument_spread import (
    InstrumentSpread,
    count_faults,
    integrate_instrument_spread,
    start_instrument_spread,
    step_instrument_spread,
)
from pipelines.locating.line import State
from pipelines.locating.mixed_model import CrossProducts, Design, Solution
from pipelines.locating.noise import Noise
from pipelines.locating.readings import Readings
from shared.arrays import Floats, Integers

ENOUGH_FOR_SLACK = 10
"""Readings dug, and readings of cable lengths, that are needed before slack is told from velocity."""
WIDE_START = Noise(constant_m=3.0, growing=0.08)
"""Noise of the first round: wide, so that no good reading is thrown away on the way."""


@dataclass(frozen=True)
class VelocityFit:
    """Fitted model, averaged over the uncertainty of the instrument variances.

    Parameters
    ----------
    readings
        What was fitted.
    state
        Estimates.
    points, weights
        Solutions over a grid of the two instrument standard deviations, and their posterior weights.
    scale_sd, zero_sd
        Standard deviations of the errors of an instrument not seen before, at each point, shape (points,).
    faulty
        Probability that each instrument's scale, and its time zero, is faulty, shape (I, 2).
    noise, factor
        Noise, and each instrument's noise variance against the fleet's.
    residual_m, variance_m2, leverage, right
        For each reading: reading minus line, noise variance, share used up by the fit, and probability that it is
        no gross error. Metres at REFERENCE_PCT.
    own
        Weighted products of the fixed effects, an instrument each, shape (I, q, q).
    has_slack
        Whether slack could be told from velocity; if not it is absorbed in the velocity.
    freedom
        Degrees of freedom of the noise, for Student's quantiles.
    rounds
        Rounds until nothing moved.
    moved
        Variance of each instrument's scale and time zero by the movement that was taken off its readings, shape
        (I, 2, 2).
    """

    readings: Readings
    state: State
    points: tuple[Solution, ...]
    weights: Floats
    scale_sd: Floats
    zero_sd: Floats
    faulty: Floats
    noise: Noise
    factor: Floats
    residual_m: Floats
    variance_m2: Floats
    leverage: Floats
    right: Floats
    own: Floats
    has_slack: bool
    freedom: float
    rounds: int
    moved: Floats

    def effect_covariance(self) -> tuple[Floats, Floats, Floats]:
        """Covariances averaged over the points: of the fixed effects, and of each instrument with itself and with them.

        Returns
        -------
        fixed, own, crossed
            Shapes (q, q), (G, 2, 2) and (G, 2, q); the movement of an instrument is in its own.
        """
        return self._effect_covariance

    @cached_property
    def _effect_covariance(self) -> tuple[Floats, Floats, Floats]:
        # asked for once for each pair of instrument and class
        fixed = np.array([point.fixed for point in self.points])
        random = np.array([point.random for point in self.points])
        inverse = np.array([point.inverse for point in self.points])
        crossed = np.array([-point.carried @ point.inverse for point in self.points])
        own = np.array(
            [point.within + point.carried @ point.inverse @ np.swapaxes(point.carried, 1, 2) for point in self.points]
        )
        off_fixed, off_random = fixed - self.weights @ fixed, random - np.tensordot(self.weights, random, 1)
        return (
            np.tensordot(self.weights, inverse + np.einsum("pi,pj->pij", off_fixed, off_fixed), 1),
            np.tensordot(self.weights, own + np.einsum("pgi,pgj->pgij", off_random, off_random), 1) + self.moved,
            np.tensordot(self.weights, crossed + np.einsum("pgi,pj->pgij", off_random, off_fixed), 1),
        )

    def covariance(
        self, fixed_a: Floats, random_a: Floats, fixed_b: Floats, random_b: Floats, group: Integers
    ) -> Floats:
        """Covariance of two contrasts fixed' beta + random' u of one instrument each, over the points, shape (m,).

        Parameters
        ----------
        fixed_a, fixed_b
            Weights of slowness by class, slack and tail, shape (m, K + 2).
        random_a, random_b
            Weights of the scale error and the time-zero error, shape (m, 2).
        group
            Instrument, shape (m,); -1 stands for one never seen before.
        """
        fixed, own, crossed = self.effect_covariance()
        unseen = np.diag(self.weights @ np.column_stack([self.scale_sd, self.zero_sd]) ** 2)
        own = np.concatenate([own, unseen[None]])
        crossed = np.concatenate([crossed, np.zeros((1, 2, fixed.shape[0]))])
        return np.asarray(
            np.einsum("mi,ij,mj->m", fixed_a, fixed, fixed_b)
            + np.einsum("mi,mij,mj->m", random_a, own[group], random_b)
            + np.einsum("mi,mij,mj->m", random_a, crossed[group], fixed_b)
            + np.einsum("mi,mij,mj->m", random_b, crossed[group], fixed_a)
        )

    def variance(self, fixed: Floats, random: Floats, group: Integers) -> Floats:
        """Variance of contrasts, shape (m,)."""
        return self.covariance(fixed, random, fixed, random, group)

    def quantile(self, coverage: float) -> float:
        """Student's quantile of a two-sided level."""
        from scipy.special import stdtrit

        return float(stdtrit(self.freedom, 0.5 + coverage / 2.0))


@dataclass(frozen=True)
class _Guess:
    """Where a round starts from: estimates, noise, and what is believed of the instruments."""

    state: State
    noise: Noise
    factor: Floats
    instruments: InstrumentSpread


@dataclass(frozen=True)
class _Round:
    """What one round works out before it solves: the linear form and the weights."""

    design: Design
    products: CrossProducts
    variance: Floats
    own: Floats
    right: Floats


def fit_velocity(
    readings: Readings, *, tails_recorded: bool = False, usual_tail_m: float = 0.0, max_rounds: int = 60
) -> VelocityFit:
    """Fit slowness by class and the instruments' errors to readings of every kind.

    Parameters
    ----------
    readings
        At least one reading.
    tails_recorded
        Whether the lengths of the dug readings already hold the tails of the terminals.
    usual_tail_m
        Tail before anything is read, metres, where they do not.
    max_rounds
        Rounds at most.

    Returns
    -------
    VelocityFit
        Proper also for a single reading: weak priors carry what the readings leave open, and the limits say so.

    Notes
    -----
    time = (1 + s_i) (1 + slack) sum_k length_k slowness_k + tail + z t_i + noise, in metres at REFERENCE_PCT; slack
    and tail in dug readings alone, z the number of time-zero errors in the reading. Noise variance a^2 + (b L)^2, and
    more where paced, placed by satellite or taken from the register.

    Each round: (1) errors of the true lengths: the regressor is the best estimate of the length from both sides,
    which gives the estimating equation of Deming's regression, so slopes are not flattened; (2) probability of each
    reading to be right, from a two-part normal mixture; (3) mixed-model equations, with the restricted likelihood of
    the two instrument variances and the probability of each instrument to be in order; (4) restricted likelihood of
    the noise. At the end the instrument variances are integrated over a grid.

    References
    ----------
    Henderson 1975 and Harville 1977 (restricted likelihood); Fuller 1987, Measurement Error Models, 1.3;
    Rue, Martino and Chopin 2009, JRSS B 71, 3.1 (integration over a grid).

    Checked by: tests/unit/test_locating_velocity.py, tests/simulated/test_locating_recovery.py (through score_design)
    """
    dug = int(readings.is_dug.sum())
    has_slack = min(dug, len(readings) - dug) >= ENOUGH_FOR_SLACK
    prior = line.priors(len(readings.classes), has_slack, None if tails_recorded else usual_tail_m)
    guess, now, rounds = _settle(readings, prior, max_rounds)
    return _average(readings, guess, now, has_slack, rounds)


def _settle(readings: Readings, prior: tuple[Floats, Floats], max_rounds: int) -> tuple[_Guess, _Round, int]:
    """Rounds until nothing moves: where they end, the last linear form, and their number."""
    groups = len(readings.instruments)
    guess = _Guess(line.start_state(readings), WIDE_START, np.ones(groups), start_instrument_spread(groups))
    rounds, is_settled = 0, False
    while True:
        rounds += 1
        now = _prepare(readings, guess, prior)
        before = guess
        point = step_instrument_spread(now.products, now.design, guess.instruments)
        if is_settled or rounds >= max_rounds:
            return replace(guess, instruments=point.spread), now, rounds
        state = line.solution_state(point.solution)
        spread, factor = _fit_noise(readings, state, guess, now, point.solution)
        guess = _Guess(state, spread, factor, count_faults(point.spread))
        is_settled = _is_settled(before, guess)


def _average(readings: Readings, guess: _Guess, now: _Round, has_slack: bool, rounds: int) -> VelocityFit:
    """The fit averaged over the uncertainty of the instrument variances."""
    grid, weights = integrate_instrument_spread(now.products, now.design, guess.instruments)
    points = tuple(point.solution for point in grid)
    state = line.state_of(
        weights @ np.array([p.fixed for p in points]), np.tensordot(weights, np.array([p.random for p in points]), 1)
    )
    unseen = np.array([point.spread.unseen_sd() for point in grid])
    leverage = _leverage(points[len(points) // 2], now.design, now.right / now.variance)
    return VelocityFit(
        readings=readings,
        state=state,
        points=points,
        weights=weights,
        scale_sd=unseen[:, 0],
        zero_sd=unseen[:, 1],
        faulty=np.tensordot(weights, np.array([point.spread.faulty for point in grid]), 1),
        noise=guess.noise,
        factor=guess.factor,
        residual_m=readings.time_m - line.line(readings, state),
        variance_m2=now.variance,
        leverage=leverage,
        right=now.right,
        own=mixed_model.sum_fixed_by_group(now.design, now.right / now.own, guess.noise.run**2),
        has_slack=has_slack,
        freedom=float(np.sum(now.right * (1.0 - leverage))) + noise.PRIOR_READINGS,
        rounds=rounds,
        moved=np.zeros((len(readings.instruments), 2, 2)),
    )


def _prepare(readings: Readings, guess: _Guess, prior: tuple[Floats, Floats]) -> _Round:
    state, spread, factor = guess.state, guess.noise, guess.factor
    residual = readings.time_m - line.line(readings, state)
    length_m = line.best_length(readings, state, spread, factor, residual)
    design = line.linearise(readings, state, residual, length_m, *prior)
    variance = line.reading_variance(readings, spread, design.scale, factor, *guess.instruments.unseen_sd())
    right = noise.right_probability(residual, variance, noise.wrong_sd(readings), spread.wrong_share)
    # rows that share a run carry its deviation in the run term, so it leaves their own variance
    shared = np.bincount(readings.run)[readings.run] > 1
    own = variance - np.where(shared, np.minimum((spread.run * design.scale) ** 2, 0.9 * variance), 0.0)
    products = mixed_model.sum_products(design, right / own, spread.run**2)
    return _Round(design, products, variance, own, right)


def _fit_noise(
    readings: Readings, state: State, before: _Guess, now: _Round, solution: Solution
) -> tuple[Noise, Floats]:
    factor = before.factor
    residual = readings.time_m - line.line(readings, state)
    leverage = _leverage(solution, now.design, now.right / now.variance)
    spread = noise.fit_noise(
        readings, before.noise, residual, leverage, now.right, now.design.scale, line.factor_of(readings, factor)
    )
    run = noise.fit_run_deviation(readings, residual, now.variance, now.right, spread)
    factor = noise.fit_factors(readings, factor, residual, now.variance, leverage, now.right)
    return replace(spread, run=run), factor


def _is_settled(before: _Guess, after: _Guess) -> bool:
    moved = np.abs(after.state.slowness - before.state.slowness).max() + abs(after.state.slack - before.state.slack)
    moved += 0.01 * abs(after.state.tail_m - before.state.tail_m)
    noises = [
        abs(np.log(getattr(after.noise, name) / getattr(before.noise, name)))
        for name in ("constant_m", "growing", "wrong_share")
    ]
    faulty = np.abs(after.instruments.faulty - before.instruments.faulty).max(initial=0.0)
    spread = np.abs(after.instruments.log_sd - before.instruments.log_sd).max()
    return bool(moved < 5e-5 and max(noises) < 1e-2 and spread < 0.02 and faulty < 0.02)


def _leverage(solution: Solution, design: Design, weight: Floats) -> Floats:
    """Share of each reading that the fit used up: weight times the variance of its fitted line."""
    return np.asarray(np.clip(weight * mixed_model.row_variance(solution, design), 0.0, 0.99))
