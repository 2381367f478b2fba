"""The line a reading lies on, and its linear form about an estimate."""

from dataclasses import dataclass

import numpy as np

from pipelines.locating import noise
from pipelines.locating.mixed_model import Design, Solution
from pipelines.locating.noise import Noise
from pipelines.locating.readings import Readings
from shared.arrays import Floats

SLOWNESS_PRIOR_SD = 0.3
"""Slowness against that of REFERENCE_PCT is 1 +- 0.3: the whole band of insulated cable, so nearly flat."""
SLACK_PRIOR_SD = 0.1
"""Nearly flat: a prior at none that drew slack to itself would leave the rest of it in the velocity."""
TAIL_PRIOR_SD_M = {"recorded": 0.3, "unknown": 2.0}
PINNED = 1e12
"""Prior precision that keeps a term at its prior mean."""


@dataclass(frozen=True)
class State:
    """Where the fit stands.

    Parameters
    ----------
    slowness
        By class, against that of REFERENCE_PCT, shape (K,).
    slack
        How much longer the cable is than the route it was dug up along, as a share.
    tail_m
        Cable above and around the point distances are taped from, not on record, metres a tail.
    scale, zero_m
        Time-base error (share) and time-zero error (metres at REFERENCE_PCT) of each instrument, shape (I,).
    """

    slowness: Floats
    slack: float
    tail_m: float
    scale: Floats
    zero_m: Floats


def effects_of(readings: Readings, values: Floats) -> Floats:
    """Instrument values spread over the readings; zero where the instrument is not on record."""
    if not len(values):
        return np.zeros(len(readings))
    known = readings.instrument >= 0
    return np.asarray(np.where(known, values[np.where(known, readings.instrument, 0)], 0.0))


def cable_time(readings: Readings, state: State) -> Floats:
    """Time over the recorded lengths at the fitted slowness, metres at REFERENCE_PCT, shape (n,)."""
    parts = readings.part_m * state.slowness[readings.part_class]
    return np.asarray(np.bincount(readings.part_row, weights=parts, minlength=len(readings)))


def line(readings: Readings, state: State) -> Floats:
    """Expected time of each reading, metres at REFERENCE_PCT, shape (n,)."""
    stretch = (1.0 + effects_of(readings, state.scale)) * (1.0 + state.slack * readings.is_dug)
    return np.asarray(
        stretch * cable_time(readings, state)
        + state.tail_m * readings.tails
        + readings.zero_errors * effects_of(readings, state.zero_m)
    )


def best_length(readings: Readings, state: State, spread: Noise, factor: Floats, residual: Floats) -> Floats:
    """Best estimate of the true length from the recorded length and the reading together, metres, shape (n,).

    Notes
    -----
    L + (var(L) slope / V) residual. It is uncorrelated with the residual, so using it as the regressor gives the
    estimating equation of Deming's regression: errors of the recorded lengths do not flatten the slope.
    """
    time = cable_time(readings, state) * (1.0 + state.slack * readings.is_dug)
    slope = time / readings.length_m
    variance = noise.total_variance(readings, spread, time, factor_of(readings, factor))
    drawn = np.clip(residual, -3.0 * np.sqrt(variance), 3.0 * np.sqrt(variance))
    moved = noise.length_variance(readings, spread) * slope / variance * drawn
    return np.asarray(np.maximum(readings.length_m + moved, 0.2 * readings.length_m))


def factor_of(readings: Readings, factor: Floats) -> Floats:
    """Noise factor of each reading's instrument; 1 where the instrument is not on record."""
    known = readings.instrument >= 0
    if not len(factor):
        return np.ones(len(readings))
    return np.asarray(np.where(known, factor[np.where(known, readings.instrument, 0)], 1.0))


def reading_variance(
    readings: Readings, spread: Noise, time_m: Floats, factor: Floats, scale_sd: float, zero_sd: float
) -> Floats:
    """Noise variance of each reading; where the instrument is not on record, its errors are noise too."""
    variance = noise.total_variance(readings, spread, time_m, factor_of(readings, factor))
    unknown = (scale_sd * time_m) ** 2 + (zero_sd * readings.zero_errors) ** 2
    return np.asarray(variance + np.where(readings.instrument < 0, unknown, 0.0))


def linearise(
    readings: Readings, state: State, residual: Floats, length_m: Floats, mean: Floats, precision: Floats
) -> Design:
    """Linear form of the line about an estimate, with lengths replaced by their best estimates."""
    n, classes = len(readings), len(readings.classes)
    stretch = length_m / readings.length_m
    scale = 1.0 + effects_of(readings, state.scale)
    route = 1.0 + state.slack * readings.is_dug
    time = cable_time(readings, state) * stretch
    dug = np.flatnonzero(readings.is_dug)
    row = np.concatenate([readings.part_row, dug, dug])
    column = np.concatenate([readings.part_class, np.full(len(dug), classes), np.full(len(dug), classes + 1)])
    value = np.concatenate(
        [readings.part_m * (stretch * scale * route)[readings.part_row], (scale * time)[dug], readings.tails[dug]]
    )
    fixed = np.concatenate([state.slowness, [state.slack, state.tail_m]])
    predicted: Floats = np.asarray(np.bincount(row, weights=value * fixed[column], minlength=n), dtype=float)
    predicted = predicted + effects_of(readings, state.scale) * route * time
    predicted = predicted + effects_of(readings, state.zero_m) * readings.zero_errors
    return Design(
        row=row,
        column=column,
        value=value,
        columns=classes + 2,
        response=residual + predicted,
        scale=route * time,
        zero=readings.zero_errors,
        group=readings.instrument,
        groups=len(readings.instruments),
        run=readings.run,
        prior_mean=mean,
        prior_precision=precision,
    )


def priors(classes: int, has_slack: bool, usual_tail_m: float | None) -> tuple[Floats, Floats]:
    """Prior mean and precision of the fixed effects: slowness by class, slack, tail (none: tails are on record)."""
    tail_sd = TAIL_PRIOR_SD_M["recorded" if usual_tail_m is None else "unknown"]
    mean = np.concatenate([np.ones(classes), [0.0, usual_tail_m or 0.0]])
    slack = SLACK_PRIOR_SD**-2 if has_slack else PINNED
    return mean, np.concatenate([np.full(classes, SLOWNESS_PRIOR_SD**-2), [slack, tail_sd**-2]])


def state_of(fixed: Floats, random: Floats) -> State:
    """Estimates as named parts."""
    return State(fixed[:-2], float(fixed[-2]), float(fixed[-1]), random[:, 0], random[:, 1])


def solution_state(solution: Solution) -> State:
    return state_of(solution.fixed, solution.random)


def start_state(readings: Readings) -> State:
    """Slowness of each class as the median of time over length where the class makes up most of the path."""
    parts = readings.part_m / readings.length_m[readings.part_row]
    ratio = (readings.time_m / readings.length_m)[readings.part_row]
    plausible = (ratio > 0.6) & (ratio < 1.7)
    overall = float(np.median(ratio[plausible])) if plausible.any() else 1.0
    slowness = np.full(len(readings.classes), overall)
    for k in range(len(readings.classes)):
        own = plausible & (readings.part_class == k) & (parts > 0.8)
        if own.sum() >= 3:
            # long paths, where offsets weigh least
            long_enough = readings.part_m >= np.median(readings.part_m[own])
            slowness[k] = float(np.median(ratio[own & long_enough]))
    count = len(readings.instruments)
    return State(slowness, 0.0, 0.0, np.zeros(count), np.zeros(count))
