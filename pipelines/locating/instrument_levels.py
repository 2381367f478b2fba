"""How an instrument's scale and offset move in time: steady, drifting, stepped, or set anew at its calibration."""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from pipelines.locating.line import cable_time
from pipelines.locating.readings import Readings
from pipelines.locating.velocity import VelocityFit
from shared.arrays import Floats, Integers

MOMENTS = 24
"""Moments tried for the start of a drift and for a step, evenly over the readings."""
LEVEL_SD = (0.05, 4.0)
"""Scale (share) and offset (metres) of an instrument before anything is read: those of a faulty one."""
STEP_SD = (0.02, 0.5)
RATE_SD = 0.01
"""Steps of scale and offset, and drift of the scale a year. Our choice, judged by tests/simulated/windows_study.py."""
PRIOR = {"steady": 0.2, "drifting": 0.5, "stepped": 0.3}
"""Chances of each way to move before anything is read. A verdict rests on the evidence, not on them."""
DOUBT = 1.5
"""What the variance of a movement is multiplied by. An average over standing still and moving leans to standing still
where a movement is young, so that its limits hold too seldom for instruments that do move: with 1.0 they held 80 to
85 % for 90 % (tests/simulated/windows_study.py). For one that stands still they hold more often than stated."""
FALSE_ALARMS = 0.10
"""Share of fleets in which a steady instrument may be called moving."""
ENOUGH = 12
"""Readings below which nothing is said of an instrument's movement."""


@dataclass(frozen=True)
class Levels:
    """Movement of every instrument, against where it stands on the as-of day.

    Parameters
    ----------
    at_years
        Knots of each instrument in years before (negative) the as-of day, shape (G, M), the last at nought.
    scale, zero_m
        Scale (share) and time zero (metres at REFERENCE_PCT) at the knots less those at the as-of day, shape (G, M).
    sd
        Standard deviation of scale and zero at the knots less their means over the readings, shape (G, M, 2).
    rate
        Drift of the scale a year that goes on after the as-of day, shape (G,).
    moved
        Covariance of (scale, zero at the as-of day less their mean over the readings, rate), shape (G, 3, 3).
    mean_shift
        Scale and zero at the as-of day less their mean over the readings, shape (G, 2).
    chance
        Probability of steady, drifting, stepped, shape (G, 3).
    evidence
        How many times more likely the readings are if the instrument moves between calibrations than if it does not,
        averaged over every start tried, shape (G,).
    started_years
        Most likely start of the movement, years before the as-of day, shape (G,); missing where nothing is said.
    """

    at_years: Floats
    scale: Floats
    zero_m: Floats
    sd: Floats
    rate: Floats
    moved: Floats
    mean_shift: Floats
    chance: Floats
    evidence: Floats
    started_years: Floats

    def shift(self, group: Integers, years: Floats) -> tuple[Floats, Floats]:
        """Scale and zero of instruments at moments, less those of the as-of day, shapes (n,).

        Parameters
        ----------
        group
            Instrument, -1 for one not on record.
        years
            Years after the as-of day, shape (n,); missing counts as the as-of day.
        """
        scale, zero = np.zeros(len(years)), np.zeros(len(years))
        when = np.where(np.isfinite(years), years, 0.0)
        for g in np.unique(group[group >= 0]):
            own = group == g
            scale[own] = np.interp(when[own], self.at_years[g], self.scale[g]) + self.rate[g] * np.maximum(when[own], 0)
            zero[own] = np.interp(when[own], self.at_years[g], self.zero_m[g])
        return scale, zero

    def verdict(self, limits: float, tolerated: float) -> list[str]:
        """Verdict on each instrument's movement.

        Parameters
        ----------
        limits
            Quantile of the limits, in standard errors.
        tolerated
            Movement of the scale, as a share, below which an instrument counts as steady.

        Returns
        -------
        list of str
            drifting or stepped where the evidence allows for every instrument looked at; steady where the scale has
            moved from its mean by less than is tolerated, its limits too; else cannot_tell.
        """
        looked_at = max(int(np.isfinite(self.evidence).sum()), 1)
        found = []
        for g in range(len(self.rate)):
            if not np.isfinite(self.evidence[g]):
                found.append("cannot_tell")
            elif self.evidence[g] >= looked_at / FALSE_ALARMS:
                found.append("drifting" if self.chance[g, 1] >= self.chance[g, 2] else "stepped")
            else:
                reach = abs(self.mean_shift[g, 0]) + limits * np.sqrt(self.moved[g, 0, 0])
                found.append("steady" if reach <= tolerated else "cannot_tell")
        return found


def take_movement_off(readings: Readings, base: Floats, levels: Levels, years: Floats) -> Readings:
    """The readings as each instrument would have shown them on the as-of day.

    Parameters
    ----------
    base
        Expected time of each reading by cable alone, metres at REFERENCE_PCT, shape (n,).
    years
        As in fit_levels.
    """
    scale, zero_m = levels.shift(readings.instrument, years)
    return replace(readings, time_m=readings.time_m - scale * base - zero_m * readings.zero_errors)


def still_levels(groups: int) -> Levels:
    """Levels of instruments of which nothing is known: none moves."""
    nothing = np.zeros((groups, 1))
    return Levels(
        nothing, nothing, nothing, np.zeros((groups, 1, 2)), np.zeros(groups), np.zeros((groups, 3, 3)),
        np.zeros((groups, 2)), np.tile([1.0, 0.0, 0.0], (groups, 1)), np.full(groups, np.nan), np.full(groups, np.nan),
    )  # fmt: skip


def expected_time(fit: VelocityFit) -> Floats:
    """Time of each reading over its cable, slack included, no instrument in it, metres at REFERENCE_PCT, shape (n,)."""
    return np.asarray((1.0 + fit.state.slack * fit.readings.is_dug) * cable_time(fit.readings, fit.state))


def fit_levels(fit: VelocityFit, time_m: Floats, years: Floats, calibrated_years: Floats) -> Levels:
    """Movement of each instrument, averaged over every way it may have moved.

    Parameters
    ----------
    fit
        A fit to the readings, with or without movements taken off.
    time_m
        The readings as they came, metres at REFERENCE_PCT, shape (n,).
    years
        Years of each reading after the as-of day (so negative), shape (n,).
    calibrated_years
        Last calibration of each instrument in the same years, missing where none, shape (G,).

    Notes
    -----
    What the line leaves of a reading is scale(t) x time + zero(t) + noise. The ways to move: steady; scale drifting in
    a straight line from one of MOMENTS on; scale and zero stepping at one of them; each with or without a step at the
    last calibration, at which a drift begins anew. Every way is a linear model with normal priors, so its likelihood,
    estimate and covariance are closed; they are averaged by their probabilities, which allows for the search of the
    start. `evidence` is an average likelihood ratio: in a steady instrument its expectation is one, so that by Markov's
    inequality it passes instruments / 0.10 for any of them in at most a tenth of all fleets. Readings are summed by
    month; readings of one run share its deviation and count together.

    References
    ----------
    Hoeting, Madigan, Raftery and Volinsky 1999, Statistical Science 14 (model averaging); Vovk and Wang 2021, Annals of
    Statistics 49 (evidence as e-values, and their correction for many).

    Checked by: tests/unit/test_locating_instrument_levels.py
    """
    readings, state, base = fit.readings, fit.state, expected_time(fit)
    left = time_m - base - state.tail_m * readings.tails
    shared = (fit.noise.run * base) ** 2 / fit.variance_m2
    # readings of one run count as far as their own noise goes
    crowd = 1.0 + (np.bincount(readings.run)[readings.run] - 1) * np.minimum(shared, 0.9)
    weight = fit.right / fit.variance_m2 / crowd
    groups = len(readings.instruments)
    found = [
        _fit_one(years[own], base[own], readings.zero_errors[own], left[own], weight[own], float(calibrated_years[g]))
        for g in range(groups)
        for own in [(readings.instrument == g) & np.isfinite(years)]
    ]
    if not groups:
        return still_levels(0)
    knots = max(len(each.at_years[0]) for each in found)
    widened = [_widen(each, knots) for each in found]
    return Levels(*(np.concatenate(parts) for parts in zip(*(vars(each).values() for each in widened), strict=True)))


def _widen(levels: Levels, knots: int) -> Levels:
    """The same knots with the first repeated, so that all instruments have equally many."""
    lead = knots - levels.at_years.shape[1]
    pads = [((0, 0), (lead, 0)) if value.ndim == 2 else ((0, 0), (lead, 0), (0, 0)) for value in
            (levels.at_years, levels.scale, levels.zero_m, levels.sd)]  # fmt: skip
    at, scale, zero, sd = (
        np.pad(value, pad, mode="edge")
        for value, pad in zip((levels.at_years, levels.scale, levels.zero_m, levels.sd), pads, strict=True)
    )
    return Levels(at, scale, zero, sd, *list(vars(levels).values())[4:])


@dataclass(frozen=True)
class _Cells:
    """Weighted sums of one instrument's readings by month, split at its calibration."""

    at: Floats
    tt: Floats
    tz: Floats
    zz: Floats
    ty: Floats
    zy: Floats
    yy: float


def _fit_one(years: Floats, time: Floats, zero: Floats, left: Floats, weight: Floats, calibrated: float) -> Levels:
    if len(years) < ENOUGH:
        return still_levels(1)
    is_calibrated = np.isfinite(calibrated) and years.min() < calibrated <= 0.0
    cells = _sum_cells(years, time, zero, left, weight, calibrated if is_calibrated else np.inf)
    knots = np.unique(np.concatenate([cells.at, [0.0], [calibrated - 1e-6, calibrated] if is_calibrated else []]))
    ways = _ways(years, calibrated if is_calibrated else np.nan)
    today = [len(knots) - 1, 2 * len(knots) - 1, 2 * len(knots)]
    heights, means, variances, covariances = [], [], [], []
    for kind, start, is_reset in ways:
        scale, offset = _columns(cells.at, kind, start, calibrated, is_reset)
        seen_scale, seen_zero = _columns(knots, kind, start, calibrated, is_reset)
        height, mean, covariance = _solve(cells, scale, offset)
        view = _contrasts(seen_scale, seen_zero, cells, scale, offset, kind)
        spread = view @ covariance
        heights.append(height)
        means.append(view @ mean)
        variances.append(np.sum(spread * view, axis=1))
        covariances.append(spread[today] @ view[today].T)
    kinds = np.array([kind for kind, _, _ in ways])
    weight_of = _posterior(np.array(heights), kinds)
    mean = weight_of @ np.array(means)
    away = np.array(means) - mean
    # the law of total variance over the ways to move
    variance = DOUBT * (weight_of @ (np.array(variances) + away**2))
    spread = covariances + away[:, today][:, :, None] * away[:, today][:, None, :]
    moved = DOUBT * np.tensordot(weight_of, spread, 1)
    likely = np.where(kinds == "steady", -1.0, weight_of)
    m = len(knots)
    return Levels(
        at_years=knots[None, :],
        scale=mean[None, :m] - mean[m - 1],
        zero_m=mean[None, m : 2 * m] - mean[2 * m - 1],
        sd=np.sqrt(np.maximum(variance[: 2 * m], 0.0)).reshape(1, 2, m).swapaxes(1, 2),
        rate=mean[-1:],
        moved=moved[None],
        mean_shift=mean[None, today[:2]],
        chance=np.array([[weight_of[kinds == kind].sum() for kind in PRIOR]]),
        evidence=np.array([_evidence(np.array(heights), kinds)]),
        started_years=np.array([ways[int(np.argmax(likely))][1]]),
    )


def _sum_cells(years: Floats, time: Floats, zero: Floats, left: Floats, weight: Floats, calibrated: float) -> _Cells:
    after = years >= calibrated
    month = np.floor(years * 12.0).astype(np.int64) * 2 + after
    _, cell, counts = np.unique(month, return_inverse=True, return_counts=True)

    def total(values: Floats) -> Floats:
        return np.asarray(np.bincount(cell, weights=values), dtype=float)

    return _Cells(
        at=total(years) / counts,
        tt=total(weight * time**2),
        tz=total(weight * time * zero),
        zz=total(weight * zero**2),
        ty=total(weight * time * left),
        zy=total(weight * zero * left),
        yy=float(weight @ left**2),
    )


def _ways(years: Floats, calibrated: float) -> list[tuple[str, float, bool]]:
    """Kind of movement, its start, and whether the instrument was set anew at its calibration."""
    starts = np.unique(np.quantile(years, np.arange(MOMENTS) / MOMENTS))
    resets = (False, True) if np.isfinite(calibrated) else (False,)
    return [
        (kind, start, is_reset)
        for is_reset in resets
        for kind, starts_of in (("steady", [0.0]), ("drifting", starts), ("stepped", starts[1:]))
        for start in starts_of
    ]


def _columns(at: Floats, kind: str, start: float, calibrated: float, is_reset: bool) -> tuple[Floats, Floats]:
    """What multiplies time, and what multiplies the zero errors, at moments: shapes (m, a) and (m, b).

    The columns of scale come in the order level, step at the calibration, movement; the same for the offset.
    """
    after = (at >= calibrated).astype(float)
    scale, zero = [np.ones(len(at))], [np.ones(len(at))]
    if is_reset:
        scale.append(after)
        zero.append(after)
    if kind == "drifting":
        moved = np.maximum(at - start, 0.0)
        if is_reset and start < calibrated:
            # set anew at the calibration, and from there on drifting as before
            moved = np.where(after > 0, at - calibrated, moved)
        scale.append(moved)
    elif kind == "stepped":
        scale.append((at >= start).astype(float))
        zero.append((at >= start).astype(float))
    return np.column_stack(scale), np.column_stack(zero)


def _solve(cells: _Cells, scale: Floats, zero: Floats) -> tuple[float, Floats, Floats]:
    """Log marginal likelihood (up to a constant), mean and covariance of the coefficients."""
    a = scale.shape[1]
    system = np.block(
        [
            [scale.T @ (cells.tt[:, None] * scale), scale.T @ (cells.tz[:, None] * zero)],
            [zero.T @ (cells.tz[:, None] * scale), zero.T @ (cells.zz[:, None] * zero)],
        ]
    )
    target = np.concatenate([scale.T @ cells.ty, zero.T @ cells.zy])
    is_drift = scale.shape[1] > zero.shape[1]
    sd = np.array(
        [LEVEL_SD[0], *[STEP_SD[0]] * (a - 1 - is_drift), *[RATE_SD] * is_drift, LEVEL_SD[1]]
        + [STEP_SD[1]] * (zero.shape[1] - 1)
    )
    whole = system + np.diag(sd**-2)
    covariance = np.linalg.inv(whole)
    mean = covariance @ target
    height = 0.5 * float(target @ mean) - 0.5 * float(np.linalg.slogdet(whole)[1]) - float(np.log(sd).sum())
    return height, mean, covariance


def _contrasts(scale_at: Floats, zero_at: Floats, cells: _Cells, scale: Floats, zero: Floats, kind: str) -> Floats:
    """Rows that turn coefficients into scale and zero at the knots less their means over the readings, and the rate."""
    a, b = scale.shape[1], zero.shape[1]
    return np.vstack(
        [
            np.hstack([scale_at - cells.tt @ scale / cells.tt.sum(), np.zeros((len(scale_at), b))]),
            np.hstack([np.zeros((len(zero_at), a)), zero_at - cells.zz @ zero / cells.zz.sum()]),
            np.concatenate([np.zeros(a - 1), [float(kind == "drifting")], np.zeros(b)]),
        ]
    )


def _posterior(log_likelihood: Floats, kinds: NDArray[np.str_]) -> Floats:
    prior = np.array([PRIOR[kind] / np.sum(kinds == kind) for kind in kinds])
    weight = prior * np.exp(log_likelihood - log_likelihood.max())
    return np.asarray(weight / weight.sum())


def _evidence(log_likelihood: Floats, kinds: NDArray[np.str_]) -> float:
    """Average likelihood of the ways to move over that of standing still, steps at the calibration in both."""
    still = kinds == "steady"
    share = np.array([0.0 if kind == "steady" else PRIOR[kind] / np.sum(kinds == kind) for kind in kinds])
    likelihood = np.exp(np.minimum(log_likelihood - log_likelihood[still].max(), 700.0))
    return float((share / share.sum()) @ likelihood / likelihood[still].mean())
