"""Share of sections still without a recorded failure by age, under late entry."""

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from shared.arrays import Floats


@dataclass(frozen=True)
class SurvivalCurve:
    """A step curve of survival from each age on, with limits, and the units at risk and failing at that age."""

    ages_years: Floats
    at_risk: Floats
    failures: Floats
    survival: Floats
    standard_error: Floats
    lo: Floats
    hi: Floats

    @property
    def median_years(self) -> float:
        """First age at which survival is one half or less; infinity where it never is."""
        below = np.flatnonzero(self.survival <= 0.5)
        return float(self.ages_years[below[0]]) if len(below) else float("inf")

    def to_frame(self) -> pd.DataFrame:
        return pd.DataFrame(
            {
                "age_years": self.ages_years,
                "at_risk": self.at_risk,
                "failures": self.failures,
                "survival": self.survival,
                "survival_lo": self.lo,
                "survival_hi": self.hi,
            }
        )


def estimate_survival(
    entry_years: ArrayLike,
    exit_years: ArrayLike,
    failed: ArrayLike,
    coverage: float,
    *,
    weights: ArrayLike | None = None,
    start_years: float = 0.0,
) -> SurvivalCurve:
    """Kaplan-Meier curve with late entry, conditional on survival to a starting age.

    Parameters
    ----------
    entry_years, exit_years
        Ages at which each unit came into view and left it (by its first failure or otherwise), in years.
    failed
        Whether it left by failing.
    coverage
        Two-sided coverage of the limits.
    weights
        Units each row stands for; 1 when left out.
    start_years
        Failures up to this age are left out: the curve starts at 1 there. For a thin risk set at young ages.

    Notes
    -----
    At risk at age t: entry < t <= exit, so a unit entering just at a failure's age is not at risk for it, and one
    withdrawn at that age is. Greenwood's standard error; limits on the log scale of the cumulative hazard.

    References
    ----------
    W.-Y. Tsai, N. P. Jewell, M.-C. Wang, Biometrika 74 (1987) 883-886 (late entry).

    Checked by: tests/published/test_survival_published.py
    """
    from scipy.special import ndtri

    entry, leave = np.asarray(entry_years, dtype=np.float64), np.asarray(exit_years, dtype=np.float64)
    units = np.ones(len(entry)) if weights is None else np.asarray(weights, dtype=np.float64)
    died = np.asarray(failed, dtype=bool) & (leave > start_years)
    ages, place = np.unique(leave[died], return_inverse=True)
    failures = np.bincount(place, weights=units[died], minlength=len(ages)).astype(np.float64)
    at_risk = _count_below(entry, units, ages) - _count_below(leave, units, ages)
    survival = np.asarray(np.cumprod(1.0 - failures / at_risk), dtype=np.float64)
    with np.errstate(divide="ignore", invalid="ignore"):
        variance = np.cumsum(failures / (at_risk * (at_risk - failures)))
        error = np.where(survival > 0, survival * np.sqrt(variance), 0.0)
        spread = ndtri((1 + coverage) / 2) * np.sqrt(variance) / np.abs(np.log(survival))
        inside = (survival > 0) & (survival < 1)
        lo = np.where(inside, survival ** np.exp(spread), survival)
        hi = np.where(inside, survival ** np.exp(-spread), survival)
    return SurvivalCurve(ages, at_risk, failures, survival, error, lo, hi)


def _count_below(moments: Floats, units: Floats, ages: Floats) -> Floats:
    """Units whose moment is strictly before each age."""
    order = np.argsort(moments, kind="stable")
    running = np.r_[0.0, np.cumsum(units[order])]
    return np.asarray(running[np.searchsorted(moments[order], ages, side="left")])
