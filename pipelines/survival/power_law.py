"""The power law of one cable class: how the failure intensity per kilometre grows with age."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from pipelines.survival import chunks
from shared.arrays import Floats, Integers
from shared.units import DAYS_PER_YEAR

YOUNGEST_YEARS = 0.5 / DAYS_PER_YEAR
"""A failure on the day of installation is put half a day later: dates are whole days."""

SHALLOWEST = 0.05
"""Least shape that is fitted: below it half of a life's failures fall on the first day, and a scale means nothing."""

STEEPEST = 60.0
"""No search looks for a steeper shape: 80 years to this power still fits a double."""


WHOLE_DAY = 1e-7
"""Days by which an age may miss a whole one: rounding alone."""

CONVERGED = 1e-7
"""Part of a value below which a step of Newton's method is its last: the error left is of the order of its square."""


@dataclass(frozen=True)
class PowerLaw:
    """A fitted power law: expected failures of one kilometre up to an age are (age / scale_years) ** shape."""

    failures: float
    exposure_km_years: float
    shape: float
    shape_lo: float
    shape_hi: float
    scale_years: float
    scale_lo: float
    scale_hi: float
    log_likelihood: float

    def cumulative(self, ages_years: ArrayLike) -> Floats:
        """Expected failures of one kilometre from installation up to each age."""
        ages = np.maximum(np.asarray(ages_years, dtype=np.float64), 0.0)
        return np.asarray((ages / self.scale_years) ** self.shape)


@dataclass(frozen=True)
class PowerLawData:
    """All that a power law needs of a class: a signed exposure by age, and the failures by age.

    ages_years, signed_km: +km where cable enters the view at an age, and the same with the opposite sign where
    it leaves it, turned so that an exit counts positive: sum(signed_km * age) is the exposure in km-years.
    """

    ages_years: Floats
    signed_km: Floats
    failures: float
    sum_log_ages: float

    @property
    def exposure_km_years(self) -> float:
        return float((self.signed_km * self.ages_years).sum())

    def cumulate_hazard(self, ages_years: Floats, cumulative: Callable[[Floats], Floats] | None = None) -> Floats:
        """Failures (without a law: km-years) that the exposure up to each age expects of a law of a kilometre."""
        own, at = (np.asarray(a if cumulative is None else cumulative(a)) for a in (self.ages_years, ages_years))
        place = np.searchsorted(self.ages_years, ages_years, side="right")
        below = np.r_[0.0, np.cumsum(self.signed_km * own)][place]
        km_beyond = np.r_[np.cumsum(self.signed_km[::-1])[::-1], 0.0][place]
        return np.asarray(below + at * km_beyond)

    def with_failures(self, failure_ages_years: ArrayLike) -> PowerLawData:
        """The same exposure with other failures, each counting 1."""
        ages = np.maximum(np.asarray(failure_ages_years, dtype=np.float64), YOUNGEST_YEARS)
        return PowerLawData(self.ages_years, self.signed_km, float(len(ages)), float(np.log(ages).sum()))

    @cached_property
    def _logs(self) -> tuple[Floats, Floats]:
        """Log ages and the signed km at them; age 0 adds nothing."""
        some = self.ages_years > 0
        return np.log(self.ages_years[some]), self.signed_km[some]

    def moments(self, shape: float, scale_years: float = 1.0) -> tuple[float, float, float]:
        """Sum of signed km x (age/scale)^shape, and its first two derivatives by shape."""
        log_ages, signed_km = self._logs
        relative = log_ages - np.log(scale_years)
        powers = shape * relative
        np.exp(powers, out=powers)
        powers *= signed_km
        total = float(powers.sum())
        powers *= relative
        first = float(powers.sum())
        powers *= relative  # no matrix product: its threads would cost more than they save here
        return total, first, float(powers.sum())


def summarise_ages(
    entry_years: ArrayLike,
    exit_years: ArrayLike,
    length_km: ArrayLike,
    failure_ages_years: ArrayLike,
    failure_weights: ArrayLike | None = None,
) -> PowerLawData:
    """What a power law needs to know of windows of age and of failures.

    Parameters
    ----------
    entry_years, exit_years
        Ages at which each section came into view and left it, in years.
    length_km
        Lengths, in km.
    failure_ages_years
        Age at each failure, in years.
    failure_weights
        How much each failure counts (1 each when left out; fractions for shared failures).

    Notes
    -----
    Ages are whole days, so equal ages are added up first: the likelihood is the same, and cost follows the
    number of different ages.

    Checked by: tests/unit/test_survival_power_law.py
    """
    ages = np.concatenate([np.asarray(exit_years, dtype=np.float64), np.asarray(entry_years, dtype=np.float64)])
    lengths = np.asarray(length_km, dtype=np.float64)
    place, distinct = pd.factorize(ages, sort=True)
    signed = np.bincount(place, weights=np.concatenate([lengths, -lengths]), minlength=len(distinct)).astype(np.float64)
    failure_ages = np.maximum(np.asarray(failure_ages_years, dtype=np.float64), YOUNGEST_YEARS)
    weights = np.ones(len(failure_ages)) if failure_weights is None else np.asarray(failure_weights, dtype=np.float64)
    return PowerLawData(distinct, signed, float(weights.sum()), float(weights @ np.log(failure_ages)))


def summarise_classes(
    codes: Integers,
    classes: int,
    entry_years: Floats,
    exit_years: Floats,
    length_km: Floats,
    failure_codes: Integers,
    failure_ages_years: Floats,
    failure_weights: Floats,
) -> list[PowerLawData]:
    """What a power law needs to know of every class, as summarise_ages has it of one.

    Parameters
    ----------
    codes, failure_codes
        Class of each window and of each failure, 0 to classes - 1.
    classes
        How many classes there are.
    entry_years, exit_years, length_km, failure_ages_years, failure_weights
        As in summarise_ages.

    Notes
    -----
    Where all ages are whole days the signed km are added up by class and day in one pass, without a sort.

    Checked by: tests/unit/test_survival_power_law.py
    """
    signed = _sum_by_day(codes, classes, entry_years, exit_years, length_km)
    if signed is None:
        of_window, of_failure = (
            [np.flatnonzero(each == code) for code in range(classes)] for each in (codes, failure_codes)
        )
        return [
            summarise_ages(
                entry_years[mine], exit_years[mine], length_km[mine], failure_ages_years[own], failure_weights[own]
            )
            for mine, own in zip(of_window, of_failure, strict=True)
        ]
    logs = np.log(np.maximum(failure_ages_years, YOUNGEST_YEARS))
    count, sum_logs = (np.bincount(failure_codes, w, classes) for w in (failure_weights, failure_weights * logs))
    found = []
    for code in range(classes):
        days = np.flatnonzero(signed[code])
        found.append(PowerLawData(days / DAYS_PER_YEAR, signed[code, days], float(count[code]), float(sum_logs[code])))
    return found


def _sum_by_day(
    codes: Integers, classes: int, entry_years: Floats, exit_years: Floats, length_km: Floats
) -> Floats | None:
    """Signed km by class and day of age; none where an age is no whole number of days."""
    oldest = max(entry_years.max(initial=0.0), exit_years.max(initial=0.0))
    width = int(np.rint(oldest * DAYS_PER_YEAR)) + 1
    signed = np.zeros(classes * width)
    for part in chunks.split(len(codes)):
        first = codes[part] * width
        for ages, km in ((exit_years[part], length_km[part]), (entry_years[part], -length_km[part])):
            found = ages * DAYS_PER_YEAR
            days = np.rint(found)
            if np.abs(np.subtract(found, days, out=found), out=found).max() > WHOLE_DAY or days.min() < 0.0:
                return None
            np.add.at(signed, first + days.astype(np.int64), km)
    return signed.reshape(classes, width)


@dataclass(frozen=True)
class ShapePrior:
    """What is believed of a shape before any failure: about centre, by a factor exp(+-spread)."""

    centre: float
    spread: float


def fit_shape(strata: list[PowerLawData], prior: ShapePrior | None = None) -> float:
    """One shape for several classes, each with a scale of its own, by maximum likelihood.

    Parameters
    ----------
    strata
        Each with a scale of its own.
    prior
        Normal prior of the log shape; left out, the likelihood alone speaks.

    Raises
    ------
    ValueError
        No stratum has a failure.

    Notes
    -----
    With scales profiled out the score is sum_c n_c (1/b - S_c'(b)/S_c(b)) + sum of log ages.

    Checked by: tests/unit/test_survival_power_law.py
    """
    some = [s for s in strata if s.failures > 0]
    if not some:
        raise ValueError("no failures: a shape cannot be fitted")

    def score(shape: float) -> tuple[float, float]:
        total = slope = 0.0
        for stratum in some:
            power, first, second = stratum.moments(shape)
            total += stratum.failures * (1.0 / shape - first / power) + stratum.sum_log_ages
            slope -= stratum.failures * (1.0 / shape**2 + second / power - (first / power) ** 2)
        if prior is not None:
            pull = np.log(shape / prior.centre)
            total -= pull / (prior.spread**2 * shape)
            slope -= (1.0 - pull) / (prior.spread * shape) ** 2
        return total, slope

    found = _newton(score, 2.0, SHALLOWEST, STEEPEST)
    return _root(lambda shape: score(shape)[0], 1.0, SHALLOWEST, STEEPEST) if found is None else found


@dataclass(frozen=True)
class Clusters:
    """Which cable of a class hangs together: its loops, or whatever fails in clusters.

    entry_years, exit_years, km, cluster: ages in view, length and code of each section. owner, event_ages_years:
    section of each failure, and its age.
    """

    entry_years: Floats
    exit_years: Floats
    km: Floats
    cluster: Integers
    owner: Integers
    event_ages_years: Floats

    @property
    def failed(self) -> int:
        """How many have a failure."""
        return int(np.count_nonzero(np.bincount(self.cluster[self.owner])))

    def inflate(self, shape: float, log_scale: float, curvature: Floats) -> Floats:
        """Variances of shape and log scale that hold however failures cluster, over the likelihood's own; at least 1.

        Notes
        -----
        V = C^-1 (sum over clusters of s s') C^-1 m / (m - 1), s a cluster's score and C the second derivatives; where
        failures cluster less than chance has them, the likelihood's own variance is kept.
        """
        code = np.unique(self.cluster, return_inverse=True)[1]
        count = int(code.max()) + 1

        def sum_up(ages: Floats) -> tuple[Floats, ...]:
            relative = np.log(np.maximum(ages, YOUNGEST_YEARS)) - log_scale
            power = self.km * np.exp(shape * relative) * (ages > 0)
            return tuple(np.bincount(code, each, count).astype(np.float64) for each in (power, power * relative))

        (power, first), (power_before, first_before) = sum_up(self.exit_years), sum_up(self.entry_years)
        logs = np.log(np.maximum(self.event_ages_years, YOUNGEST_YEARS)) - log_scale
        of_event = code[self.owner]
        failures = np.bincount(of_event, minlength=count)
        score = np.column_stack(
            [
                failures / shape + np.bincount(of_event, logs, count) - (first - first_before),
                shape * (power - power_before - failures),
            ]
        )
        own = np.linalg.inv(-curvature)
        robust = own @ (score.T @ score) @ own * count / max(count - 1, 1)
        return np.maximum(np.diag(robust) / np.diag(own), 1.0)


def fit_power_law(data: PowerLawData, coverage: float, clusters: Clusters | None = None) -> PowerLaw | None:
    """Power law of a class by maximum likelihood, with likelihood limits of shape and scale.

    Parameters
    ----------
    data
        Signed exposure and failures (summarise_ages).
    coverage
        Two-sided coverage of the limits.
    clusters
        What fails in clusters; none: every failure stands alone.

    Returns
    -------
    PowerLaw or None
        None where fewer than two failures, or none at different ages, leave the shape open.

    Notes
    -----
    Minimal repair: failures of a section are a Poisson process with Lambda(age) = km x (age/scale)^shape, each
    section seen between its ages of entry and exit alone. Limits: the values whose profile log-likelihood lies
    within chi2(level; 1)/2 of its maximum. With clusters that drop is multiplied by the variance that clusters give
    over the likelihood's own, and Student's t of as many degrees as clusters failed takes the normal's place.

    References
    ----------
    L. H. Crow, AMSAA TR-138 (1974); W. Q. Meeker and L. A. Escobar, Statistical Methods for Reliability Data (1998),
    ch. 16; R. E. Chandler and S. Bate, Biometrika 94 (2007) 167-183 (likelihood scaled for clusters).

    Checked by: tests/published/test_survival_published.py, tests/unit/test_survival_power_law.py
    """
    from scipy.special import stdtrit

    exposure = data.exposure_km_years
    if data.failures < 2 or exposure <= 0:
        return None
    shape = fit_shape([data])
    power, _, _ = data.moments(shape)
    scale = (power / data.failures) ** (1.0 / shape)
    height, _, curvature = _log_likelihood(data, shape, float(np.log(scale)))
    reach = stdtrit(clusters.failed if clusters else np.inf, (1.0 + coverage) / 2.0)
    wider = clusters.inflate(shape, float(np.log(scale)), curvature) if clusters else np.ones(2)
    of_shape, of_scale = (
        Peak(shape, float(np.log(scale)), curvature, float(reach**2 * more) / 2.0, height) for more in wider
    )
    shape_lo, shape_hi = (_shape_limit(data, of_shape, down=down) for down in (True, False))
    scale_lo, scale_hi = (_scale_limit(data, of_scale, down=down) for down in (True, False))
    return PowerLaw(
        failures=data.failures,
        exposure_km_years=exposure,
        shape=shape,
        shape_lo=shape_lo,
        shape_hi=shape_hi,
        scale_years=scale,
        scale_lo=scale_lo,
        scale_hi=scale_hi,
        log_likelihood=height,
    )


@dataclass(frozen=True)
class Peak:
    """Where the log-likelihood is highest, its second derivatives there, and by how much it drops at a limit."""

    shape: float
    log_scale: float
    curvature: Floats
    drop: float
    height: float

    @property
    def lowest(self) -> float:
        """The log-likelihood at a limit."""
        return self.height - self.drop

    def reach(self, along: Floats) -> float:
        """Steps along a direction of (shape, log scale) after which a parabola has dropped so far; 0 if it does not."""
        bend = float(along @ self.curvature @ along)
        return (-2.0 * self.drop / bend) ** 0.5 if bend < 0.0 else 0.0


def _profile_of_shape(data: PowerLawData, shape: float) -> tuple[float, float]:
    """Log-likelihood with the best scale for this shape, and its derivative."""
    power, first, _ = data.moments(shape)
    n = data.failures
    height = n * np.log(n / power) + n * np.log(shape) + (shape - 1.0) * data.sum_log_ages - n
    return float(height), float(n * (1.0 / shape - first / power) + data.sum_log_ages)


def _shape_limit(data: PowerLawData, peak: Peak, *, down: bool) -> float:
    """Shape below or above the best at which the profile has dropped to the limit."""

    def above(at: float) -> tuple[float, float]:
        height, slope = _profile_of_shape(data, at)
        return height - peak.lowest, slope

    low, high = (SHALLOWEST, peak.shape) if down else (peak.shape, STEEPEST)
    reach = peak.reach(np.array([1.0, -peak.curvature[0, 1] / peak.curvature[1, 1]])) / peak.shape
    # the likelihood is steeper below than above: a shape that is a factor off drops about as much either way
    start = peak.shape * float(np.exp(-reach if down else reach))
    found = _newton(above, min(max(start, low), high), low, high)
    return _root(lambda at: above(at)[0], peak.shape, low, high) if found is None else found


def _scale_limit(data: PowerLawData, peak: Peak, *, down: bool) -> float:
    """Scale below or above the best at which its profile has dropped to the limit; 0 or infinity where it never does.

    The limit is where the log-likelihood has dropped so far and its derivative by shape is zero: two equations, solved
    by Newton's method from where a parabola would have it, else searched for along the profile.
    """
    along = np.array([-peak.curvature[0, 1] / peak.curvature[0, 0], 1.0])  # the ridge: best shape as the scale moves
    reach = peak.reach(along)
    place = np.array([peak.shape, peak.log_scale]) + (-reach if down else reach) * along
    for _ in range(30 if reach else 0):
        # beyond a factor of e^20 there is no limit worth the name: the search below says 0 or infinity
        if not 0.0 < place[0] < STEEPEST or not abs(place[1] - peak.log_scale) < 20.0:
            break
        height, gradient, curvature = _log_likelihood(data, *place)
        drop, slope = peak.lowest - height, -gradient[0]
        area = gradient[0] * curvature[0, 1] - gradient[1] * curvature[0, 0]
        if area == 0.0:
            break
        step = np.array([drop * curvature[0, 1] - gradient[1] * slope, gradient[0] * slope - drop * curvature[0, 0]])
        step /= area  # Cramer's rule
        place = place + step
        if abs(step).max() < CONVERGED:
            right_side = (place[1] < peak.log_scale) == down
            if right_side and curvature[0, 0] < 0.0:
                return float(np.exp(place[1]))
            break
        if abs(step).max() > 3.0:
            break
    profile, scale = _profile_of_scale(data, peak.shape), float(np.exp(peak.log_scale))
    return _search_scale_limit(profile, scale, peak.lowest, down=down)


def _log_likelihood(data: PowerLawData, shape: float, log_scale: float) -> tuple[float, Floats, Floats]:
    """Log-likelihood with its gradient and second derivatives by shape and log scale."""
    power, first, second = data.moments(shape, float(np.exp(log_scale)))
    n, logs = data.failures, data.sum_log_ages - data.failures * log_scale
    across = power - n + shape * first
    return (
        float(n * np.log(shape) + (shape - 1.0) * logs - n * log_scale - power),
        np.array([n / shape + logs - first, shape * (power - n)]),
        np.array([[-n / shape**2 - second, across], [across, -(shape**2) * power]]),
    )


def _profile_of_scale(data: PowerLawData, start: float) -> Callable[[float], float]:
    """Log-likelihood with the best shape for a log scale; each search starts where the last one ended."""
    shape = start

    def profile(log_scale: float) -> float:
        nonlocal shape
        for _ in range(60):
            _, gradient, curvature = _log_likelihood(data, shape, log_scale)
            step = float(np.clip(gradient[0] / -min(curvature[0, 0], -data.failures / shape**2), -shape / 2, shape))
            shape += step
            if abs(step) < 1e-10 * shape:
                break
        return _log_likelihood(data, shape, log_scale)[0]

    return profile


def _search_scale_limit(profile: Callable[[float], float], scale: float, lowest: float, *, down: bool) -> float:
    """Scale at which the profile has dropped to lowest, by ever longer steps; 0 or infinity where it never does."""
    step, inner = 0.05, float(np.log(scale))
    for _ in range(40):
        outer = inner - step if down else inner + step
        if profile(outer) < lowest:
            return float(np.exp(_root(lambda s: profile(s) - lowest, inner, min(inner, outer), max(inner, outer))))
        inner, step = outer, step * 1.6
        if abs(inner - np.log(scale)) > 20:
            break
    return 0.0 if down else float("inf")


def _newton(function: Callable[[float], tuple[float, float]], start: float, low: float, high: float) -> float | None:
    """A root between low and high by Newton's method on a value and its slope; none where it strays or stalls."""
    at = start
    for _ in range(40):
        value, slope = function(at)
        if not slope or not np.isfinite(value):
            return None
        step = -value / slope
        at += step
        if not low < at < high:
            return None
        if abs(step) < CONVERGED * at:
            return at
    return None


def _root(function: Callable[[float], float], start: float, low: float, high: float) -> float:
    """A root between low and high, found by widening from start; the nearer end where there is none inside."""
    from scipy.optimize import brentq

    f_low, f_high = function(low), function(high)
    if np.sign(f_low) == np.sign(f_high):
        return high if start <= low else low
    return float(brentq(function, low, high, xtol=1e-10, rtol=1e-12))
