"""The power law of one cable class: how the failure intensity per kilometre grows with age."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]

YOUNGEST_YEARS = 0.5 / 365.25
"""A failure on the day of installation is put half a day later: dates are whole days."""

STEEPEST = 60.0
"""No search looks for a steeper shape: 80 years to this power still fits a double."""


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
        return float(self.signed_km @ self.ages_years)

    def moments(self, shape: float, scale_years: float = 1.0) -> tuple[float, float, float]:
        """Sum of signed km x (age/scale)^shape, and its first two derivatives by shape."""
        some = self.ages_years > 0
        log_ages = np.log(self.ages_years[some] / scale_years)
        powers = self.signed_km[some] * np.exp(shape * log_ages)
        first = powers * log_ages
        return float(powers.sum()), float(first.sum()), float(first @ log_ages)


def summarise_ages(
    entry_years: ArrayLike, exit_years: ArrayLike, length_km: ArrayLike, failure_ages_years: ArrayLike,
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
    distinct, place = np.unique(ages, return_inverse=True)
    signed = np.bincount(place, weights=np.concatenate([lengths, -lengths]), minlength=len(distinct)).astype(np.float64)
    failure_ages = np.maximum(np.asarray(failure_ages_years, dtype=np.float64), YOUNGEST_YEARS)
    weights = np.ones(len(failure_ages)) if failure_weights is None else np.asarray(failure_weights, dtype=np.float64)
    return PowerLawData(distinct, signed, float(weights.sum()), float(weights @ np.log(failure_ages)))


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

    def score(shape: float) -> float:
        total = 0.0
        for stratum in some:
            power, first, _ = stratum.moments(shape)
            total += stratum.failures * (1.0 / shape - first / power) + stratum.sum_log_ages
        if prior is not None:
            total -= np.log(shape / prior.centre) / (prior.spread**2 * shape)
        return total

    return _root(score, 1.0, 1e-3, STEEPEST)


def fit_power_law(data: PowerLawData, level: float) -> PowerLaw | None:
    """Power law of a class by maximum likelihood, with likelihood limits of shape and scale.

    Parameters
    ----------
    data
        Signed exposure and failures (summarise_ages).
    level
        Two-sided coverage of the limits.

    Returns
    -------
    PowerLaw or None
        None where fewer than two failures, or none at different ages, leave the shape open.

    Notes
    -----
    Minimal repair: failures of a section are a Poisson process with Lambda(age) = km x (age/scale)^shape, each
    section seen between its ages of entry and exit alone. Limits: the values whose profile log-likelihood lies
    within chi2(level; 1)/2 of its maximum.

    References
    ----------
    L. H. Crow, AMSAA TR-138 (1974); W. Q. Meeker and L. A. Escobar, Statistical Methods for Reliability Data (1998),
    ch. 16.

    Checked by: tests/published/test_survival_published.py, tests/unit/test_survival_power_law.py
    """
    from scipy.special import chdtri

    if data.failures < 2 or data.exposure_km_years <= 0:
        return None
    shape = fit_shape([data])
    power, _, _ = data.moments(shape)
    scale = (power / data.failures) ** (1.0 / shape)
    drop = float(chdtri(1.0, 1.0 - level)) / 2.0
    best = _profile_of_shape(data, shape)
    lowest = best - drop
    shape_lo = _root(lambda b: _profile_of_shape(data, b) - lowest, shape, 1e-3, shape)
    shape_hi = _root(lambda b: _profile_of_shape(data, b) - lowest, shape, shape, STEEPEST)
    profile = _profile_of_scale(data, shape)
    scale_lo = _scale_limit(profile, scale, lowest, down=True)
    scale_hi = _scale_limit(profile, scale, lowest, down=False)
    return PowerLaw(
        failures=data.failures, exposure_km_years=data.exposure_km_years, shape=shape, shape_lo=shape_lo,
        shape_hi=shape_hi, scale_years=scale, scale_lo=scale_lo, scale_hi=scale_hi, log_likelihood=best,
    )


def _profile_of_shape(data: PowerLawData, shape: float) -> float:
    """Log-likelihood with the best scale for this shape."""
    power, _, _ = data.moments(shape)
    n = data.failures
    return float(n * np.log(n / power) + n * np.log(shape) + (shape - 1.0) * data.sum_log_ages - n)


def _profile_of_scale(data: PowerLawData, start: float) -> Callable[[float], float]:
    """Log-likelihood with the best shape for a log scale; each search starts where the last one ended."""
    shape = start

    def profile(log_scale: float) -> float:
        nonlocal shape
        scale = float(np.exp(log_scale))
        n, logs = data.failures, data.sum_log_ages - data.failures * log_scale
        for _ in range(60):
            _, first, second = data.moments(shape, scale)
            score, curvature = n / shape + logs - first, n / shape**2 + max(second, 0.0)
            step = float(np.clip(score / curvature, -shape / 2, shape))
            shape += step
            if abs(step) < 1e-10 * shape:
                break
        power, _, _ = data.moments(shape, scale)
        return float(n * np.log(shape) + (shape - 1.0) * logs - n * log_scale - power)

    return profile


def _scale_limit(profile: Callable[[float], float], scale: float, lowest: float, *, down: bool) -> float:
    """Scale at which the profile has dropped to lowest; 0 or infinity where it never does."""
    step, inner = 0.05, float(np.log(scale))
    for _ in range(40):
        outer = inner - step if down else inner + step
        if profile(outer) < lowest:
            return float(np.exp(_root(lambda s: profile(s) - lowest, inner, min(inner, outer), max(inner, outer))))
        inner, step = outer, step * 1.6
        if abs(inner - np.log(scale)) > 20:
            break
    return 0.0 if down else float("inf")


def _root(function: Callable[[float], float], start: float, low: float, high: float) -> float:
    """A root between low and high, found by widening from start; the nearer end where there is none inside."""
    from scipy.optimize import brentq

    f_low, f_high = function(low), function(high)
    if f_low == 0.0 or f_high == 0.0:
        return low if f_low == 0.0 else high
    if np.sign(f_low) == np.sign(f_high):
        return high if start <= low else low
    return float(brentq(function, low, high, xtol=1e-10, rtol=1e-12))
