"""Which days are so far out that they say nothing about everyday work?"""

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

FEWEST_DAYS = 100
"""Days with an interruption below which no threshold is set: common practice, no source."""


THRESHOLD_YEARS = 5  # IEEE Std 1366: the five calendar years before the one judged


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


def mark_major_event_days(days: pd.DataFrame) -> pd.DataFrame:
    """Which days are marked as major events: by the utility's own flags where it has any, else by the 2.5 beta rule.

    Parameters
    ----------
    days
        One row a day with a job: reported_on (datetime), jobs, saidi_min, is_flagged (the utility excludes it).

    Returns
    -------
    DataFrame
        marts.restoration_major_events: the same with threshold_min (of the year, from the five years before it; NaN
        with fewer than FEWEST_DAYS days in them), is_over_threshold, is_major_event_day and marked_by.

    Notes
    -----
    Checked by: tests/unit/test_restoration_major_events.py
    """
    years = days["reported_on"].dt.year
    thresholds = {}
    for year in sorted(years.unique()):
        before = days.loc[(years >= year - THRESHOLD_YEARS) & (years < year), "saidi_min"]
        thresholds[year] = fit_major_event_threshold(before.dropna()).threshold_min
    threshold = years.map(thresholds).astype(np.float64)
    over = (days["saidi_min"] > threshold).fillna(False)
    has_flags = bool(days["is_flagged"].any())
    return days.assign(
        threshold_min=threshold,
        is_over_threshold=over,
        is_major_event_day=days["is_flagged"] if has_flags else over,
        marked_by="flags" if has_flags else "2.5 beta",
    )
