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
    IEEE Std 1366-2012, 3.5 and Annex B.2: the five years before, fewer where there are no more; days with a SAIDI of
    zero are discarded; natural logs, their mean and standard deviation; above exp(alpha + 2.5 beta), in the year that
    follows. Annex B.2 was read; that the deviation divides by n - 1 is from memory. Here it stands on cable faults
    alone, so it is not the utility's own threshold.

    Checked by: tests/unit/test_restoration_major_events.py
    """
    saidi = np.asarray(daily_saidi_min, dtype=np.float64)
    logs = np.log(saidi[saidi > 0])
    if len(logs) < FEWEST_DAYS:
        return MajorEventThreshold(float("nan"), float("nan"), float("nan"), len(logs))
    alpha, beta = float(logs.mean()), float(logs.std(ddof=1))
    return MajorEventThreshold(alpha, beta, float(np.exp(alpha + 2.5 * beta)), len(logs))


def fit_yearly_thresholds(days: pd.DataFrame) -> pd.DataFrame:
    """The threshold that holds in each year with a job, from the five years before it.

    Parameters
    ----------
    days
        One row a day with a job: reported_on (datetime), saidi_min.

    Returns
    -------
    DataFrame
        fitted.major_event_threshold: year, days, alpha, beta, threshold_min.

    Notes
    -----
    Checked by: tests/unit/test_restoration_major_events.py
    """
    years = days["reported_on"].dt.year
    rows = []
    for year in sorted(years.unique()):
        before = days.loc[(years >= year - THRESHOLD_YEARS) & (years < year), "saidi_min"]
        found = fit_major_event_threshold(before.dropna())
        rows.append((year, found.days, found.alpha, found.beta, found.threshold_min))
    return pd.DataFrame(rows, columns=["year", "days", "alpha", "beta", "threshold_min"])


def mark_major_event_days(days: pd.DataFrame, thresholds: pd.DataFrame) -> pd.DataFrame:
    """Which days are marked as major events: by the utility's own flags where it has any, else by the 2.5 beta rule.

    Parameters
    ----------
    days
        One row a day with a job: reported_on (datetime), jobs, saidi_min, is_flagged (the utility excludes it).
    thresholds
        Of ``fit_yearly_thresholds``.

    Returns
    -------
    DataFrame
        marts.restoration_major_events: the same with threshold_min (of the year; NaN with fewer than FEWEST_DAYS days
        before it), is_over_threshold, is_major_event_day and marked_by.

    Notes
    -----
    Checked by: tests/unit/test_restoration_major_events.py
    """
    threshold = days["reported_on"].dt.year.map(thresholds.set_index("year")["threshold_min"]).astype(np.float64)
    over = (days["saidi_min"] > threshold).fillna(False)
    has_flags = bool(days["is_flagged"].any())
    return days.assign(
        threshold_min=threshold,
        is_over_threshold=over,
        is_major_event_day=days["is_flagged"] if has_flags else over,
        marked_by="flags" if has_flags else "2.5 beta",
    )
