"""Which days are so far out that they say nothing about everyday work?"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

FEWEST_DAYS = 100
"""Days with an interruption below which no threshold is set: common practice, no source."""


@dataclass(frozen=True)
class MajorEventThreshold:
    """The daily SAIDI above which a day is a major event day.

    Attributes
    ----------
    alpha, beta
        Mean and standard deviation (divisor n - 1) of the natural log of daily SAIDI in minutes.
    threshold_min
        exp(alpha + 2.5 beta), in minutes; NaN with fewer than FEWEST_DAYS days.
    days
        Days with a SAIDI above 0.
    """

    alpha: float
    beta: float
    threshold_min: float
    days: int


def fit_major_event_threshold(daily_saidi_min: ArrayLike) -> MajorEventThreshold:
    """Threshold of the 2.5 beta rule from the daily SAIDI of up to five years.

    Parameters
    ----------
    daily_saidi_min
        SAIDI of each day in minutes, shape (days,); days without an interruption (0) are left out.

    References
    ----------
    IEEE Std 1366-2022, 2.5 beta method. The wording is from memory. Here it stands on cable faults alone,
    so it is not the utility's own threshold.

    Checked by: tests/unit/test_restoration_major_events.py
    """
    saidi = np.asarray(daily_saidi_min, dtype=np.float64)
    logs = np.log(saidi[saidi > 0])
    if len(logs) < FEWEST_DAYS:
        return MajorEventThreshold(float("nan"), float("nan"), float("nan"), len(logs))
    alpha, beta = float(logs.mean()), float(logs.std(ddof=1))
    return MajorEventThreshold(alpha, beta, float(np.exp(alpha + 2.5 * beta)), len(logs))
