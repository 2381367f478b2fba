"""Does the failure intensity grow with age, and does the power law fit? Tests on windows of age."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from shared.units import DAYS_PER_YEAR


@dataclass(frozen=True)
class TrendTest:
    """A statistic and the probability of one as extreme without a trend (two-sided)."""

    statistic: float
    degrees: int
    p_value: float


def run_laplace_test(entry_years: ArrayLike, exit_years: ArrayLike, event_ages_years: ArrayLike) -> TrendTest:
    """Laplace's test: do failures sit early or late in their unit's window?

    Parameters
    ----------
    entry_years, exit_years
        Window of the failing unit, one entry a failure, in years of age.
    event_ages_years
        Age at each failure.

    Notes
    -----
    With no trend each age is uniform over its window: z = sum(t - middle) / sqrt(sum(width^2) / 12), normal. Positive:
    the intensity grows. Units without failures add nothing.

    References
    ----------
    D. R. Cox and P. A. W. Lewis, The Statistical Analysis of Series of Events (1966); NIST e-Handbook 8.2.3.4.

    Checked by: tests/published/test_survival_published.py
    """
    from scipy.special import ndtr

    start, end, when = (np.asarray(a, dtype=np.float64) for a in (entry_years, exit_years, event_ages_years))
    width = end - start
    statistic = float((when - (start + end) / 2).sum() / np.sqrt((width**2).sum() / 12.0))
    return TrendTest(statistic, 0, float(2.0 * ndtr(-abs(statistic))))


def run_log_ratio_test(entry_years: ArrayLike, exit_years: ArrayLike, event_ages_years: ArrayLike) -> TrendTest:
    """Chi-square test of a constant intensity against a power law (MIL-HDBK-189), windows that may enter late.

    Parameters
    ----------
    entry_years, exit_years, event_ages_years
        As in run_laplace_test.

    Notes
    -----
    chi2 = 2 sum ln(width / (t - entry)) on 2n degrees of freedom: small when failures come late, so the intensity
    grows. With entry at 0 it is the handbook's statistic.

    References
    ----------
    MIL-HDBK-189; NIST e-Handbook 8.2.3.4.

    Checked by: tests/published/test_survival_published.py
    """
    from scipy.special import chdtr, chdtrc

    start, end, when = (np.asarray(a, dtype=np.float64) for a in (entry_years, exit_years, event_ages_years))
    half_day = 0.5 / DAYS_PER_YEAR
    statistic = float(2.0 * np.log((end - start) / np.maximum(when - start, half_day)).sum())
    degrees = 2 * len(when)
    tail = min(float(chdtr(degrees, statistic)), float(chdtrc(degrees, statistic)))
    return TrendTest(statistic, degrees, min(1.0, 2.0 * tail))
