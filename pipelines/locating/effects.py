"""What the fit says of cable and instruments, in the form that corrects a reading: estimates and their covariance."""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from pipelines.locating.instrument_levels import Levels
from pipelines.locating.noise import MEASURED_LENGTH_SHARE, SATELLITE_M
from pipelines.locating.velocity import VelocityFit
from shared.arrays import Floats

FIXED = ("slack", "tail_m")
OWN = ("scale", "zero_m", "scale_rate")
"""Terms of an instrument: scale and time zero on the as-of day, and the drift of the scale a year after it."""
USUAL = (
    "usual_tail_m", "usual_tail_per_m", "usual_tail_variance_m2", "usual_tail_variance_per_m", "usual_tails",
    "usual_tails_per_m",
)  # fmt: skip
"""Terms of the effects that stand in for tails that are not given."""
ENOUGH_PATHS = 10
"""Digs with known terminals from which the usual tail of a path is learnt; with fewer, from the terminals alone."""


@dataclass(frozen=True)
class Effects:
    """Estimates and covariances; times in metres at REFERENCE_PCT.

    Parameters
    ----------
    classes, instruments
        Names. The class after the last stands for any other, the first instrument, "", for one never seen before.
    slowness
        By class and any other, shape (K + 1,).
    slack, tail_m
        Cable longer than its route, as a share; cable of each tail that is not on record.
    fixed_covariance
        Of slowness, slack, tail_m, shape (K + 3, K + 3).
    own
        Scale, zero_m, scale_rate of each instrument, shape (I + 1, 3).
    own_covariance, own_with_fixed
        Shapes (I + 1, 3, 3) and (I + 1, 3, K + 3).
    factor
        Noise variance of each instrument against the fleet's.
    terms
        Numbers of the whole fleet: noise_constant_m, noise_growing, noise_dig_share2, noise_dig_m2, and the usual tail
        of a path where terminals are not given: usual_tail_m, usual_tail_per_m, usual_tail_variance_m2,
        usual_tail_variance_per_m, and how many tails: usual_tails, usual_tails_per_m.
    """

    classes: tuple[str, ...]
    instruments: tuple[str, ...]
    slowness: Floats
    slack: float
    tail_m: float
    fixed_covariance: Floats
    own: Floats
    own_covariance: Floats
    own_with_fixed: Floats
    factor: Floats
    terms: dict[str, float]

    def instrument_rows(self, names: pd.Series) -> np.ndarray:
        """Row of each instrument; that of one never seen before where it is missing or unknown."""
        number = {name: i for i, name in enumerate(self.instruments)}
        return np.asarray(names.map(number).fillna(0).to_numpy(np.int64))


def describe_effects(fit: VelocityFit, levels: Levels, terminal_tails: pd.Series) -> Effects:
    """Effects of a fit whose readings were brought to the as-of day.

    Parameters
    ----------
    terminal_tails
        Tails of the terminals on record, metres, for a usual tail where too few digs tell it.

    Notes
    -----
    Covariances are averaged over the uncertainty of the instrument variances. The covariance of an instrument's
    movement is added to its own.

    Checked by: tests/unit/test_locating_placing.py
    """
    classes, instruments = fit.readings.classes, ("", *fit.readings.instruments)
    k = len(classes)
    mean = np.concatenate([fit.state.slowness, [fit.state.slowness.mean(), fit.state.slack, fit.state.tail_m]])
    # a class that no reading passed is a class like the others: their mean, their spread
    widen = np.insert(np.eye(k + 2), k, np.concatenate([np.full(k, 1.0 / k), [0.0, 0.0]]), axis=0)
    fixed, own, crossed = fit.effect_covariance()
    fixed = widen @ fixed @ widen.T
    fixed[k, k] += max(float(np.var(fit.state.slowness)), 0.03**2)
    groups = len(instruments)
    covariance, with_fixed = np.zeros((groups, 3, 3)), np.zeros((groups, 3, k + 3))
    covariance[0, :2, :2] = np.diag([fit.weights @ fit.scale_sd**2, fit.weights @ fit.zero_sd**2])
    covariance[1:] = levels.moved
    covariance[1:, :2, :2] = own
    with_fixed[1:, :2] = crossed @ widen.T
    estimates = np.zeros((groups, 3))
    estimates[1:] = np.column_stack([fit.state.scale, fit.state.zero_m, levels.rate])
    return Effects(
        classes=classes,
        instruments=instruments,
        slowness=mean[: k + 1],
        slack=fit.state.slack,
        tail_m=fit.state.tail_m,
        fixed_covariance=fixed,
        own=estimates,
        own_covariance=covariance,
        own_with_fixed=with_fixed,
        factor=np.concatenate([[1.0], fit.factor]),
        terms=_noise_terms(fit) | _usual_tail(fit, terminal_tails),
    )


def _noise_terms(fit: VelocityFit) -> dict[str, float]:
    """Noise of a reading, and of a dug distance as they are measured on this record."""
    dug = fit.readings.is_dug
    paced, satellite = (
        float(flags[dug].mean()) if dug.any() else 0.0 for flags in (fit.readings.is_paced, fit.readings.is_satellite)
    )
    return {
        "noise_constant_m": fit.noise.constant_m,
        "noise_growing": fit.noise.growing,
        "noise_dig_share2": MEASURED_LENGTH_SHARE + paced * fit.noise.paced**2,
        "noise_dig_m2": satellite * SATELLITE_M**2,
    }


def _usual_tail(fit: VelocityFit, terminal_tails: pd.Series) -> dict[str, float]:
    """Tails that a path of some length passes on this record: that of a terminal, growing by least squares with it."""
    readings = fit.readings
    of = readings.is_dug
    tails = terminal_tails.dropna().to_numpy(float)
    near, variance = (float(tails.mean()), float(tails.var())) if len(tails) else (0.0, 0.0)
    if of.sum() < ENOUGH_PATHS:
        return dict(zip(USUAL, (near, 0.0, variance, 0.0, 1.0, 0.0), strict=True))
    tail, route = readings.tail_m[of], (readings.length_m - readings.tail_m)[of]

    def growth(values: Floats) -> float:
        return max(float(route @ values / (route @ route)), 0.0)

    per_m = growth(tail - near)
    scatter = growth((tail - near - per_m * route) ** 2 - variance)
    return dict(zip(USUAL, (near, per_m, variance, scatter, 1.0, growth(readings.tails[of] - 1.0)), strict=True))


def store_effects(effects: Effects) -> dict[str, pd.DataFrame]:
    """Rows of fitted.locating_effects and fitted.locating_covariance."""
    names = [*effects.classes, "other class", *FIXED]
    fixed = [*effects.slowness, effects.slack, effects.tail_m]
    rows = [("", "fixed", name, value) for name, value in zip(names, fixed, strict=True)]
    rows += [("", "fleet", name, value) for name, value in effects.terms.items()]
    pairs = [
        ("", a, b, effects.fixed_covariance[i, j]) for i, a in enumerate(names) for j, b in enumerate(names) if i <= j
    ]
    for g, instrument in enumerate(effects.instruments):
        rows += [(instrument, "own", name, effects.own[g, i]) for i, name in enumerate(OWN)]
        rows.append((instrument, "own", "noise_factor", effects.factor[g]))
        pairs += [
            (instrument, a, b, effects.own_covariance[g, i, j])
            for i, a in enumerate(OWN)
            for j, b in enumerate(OWN)
            if i <= j
        ]
        pairs += [
            (instrument, a, b, effects.own_with_fixed[g, i, j])
            for i, a in enumerate(OWN[:2])
            for j, b in enumerate(names)
        ]
    return {
        "fitted.locating_effects": pd.DataFrame(rows, columns=["instrument_id", "term_of", "term", "estimate"]),
        "fitted.locating_covariance": pd.DataFrame(pairs, columns=["instrument_id", "term", "with_term", "covariance"]),
    }


def read_effects(estimates: pd.DataFrame, covariance: pd.DataFrame) -> Effects:
    """Effects from their two tables."""
    fixed, fleet = (estimates[estimates["term_of"] == kind] for kind in ("fixed", "fleet"))
    names = fixed["term"].tolist()
    own = estimates[estimates["term_of"] == "own"].pivot_table(
        index="instrument_id", columns="term", values="estimate", sort=False
    )
    instruments = tuple(str(name) for name in own.index)
    place = {name: i for i, name in enumerate(names)}
    q, groups = len(names), len(instruments)
    fixed_covariance, own_covariance = np.zeros((q, q)), np.zeros((groups, 3, 3))
    crossed = np.zeros((groups, 3, q))
    number = {name: i for i, name in enumerate(instruments)}
    for name, a, b, value in covariance.itertuples(index=False, name=None):
        if a in place:
            fixed_covariance[place[a], place[b]] = fixed_covariance[place[b], place[a]] = value
        elif b in place:
            crossed[number[name], OWN.index(a), place[b]] = value
        else:
            g, i, j = number[name], OWN.index(a), OWN.index(b)
            own_covariance[g, i, j] = own_covariance[g, j, i] = value
    values = fixed["estimate"].to_numpy(float)
    return Effects(
        classes=tuple(names[:-3]),
        instruments=instruments,
        slowness=values[:-2],
        slack=float(values[-2]),
        tail_m=float(values[-1]),
        fixed_covariance=fixed_covariance,
        own=own[list(OWN)].to_numpy(float),
        own_covariance=own_covariance,
        own_with_fixed=crossed,
        factor=own["noise_factor"].to_numpy(float),
        terms=dict(zip(fleet["term"].tolist(), fleet["estimate"].tolist(), strict=True)),
    )
