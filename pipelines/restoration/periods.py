"""Did the stages take longer in one period than in another?"""

import numpy as np
import pandas as pd
from scipy.special import stdtrit

from shared.arrays import Floats


def compare_periods(now: pd.DataFrame, before: pd.DataFrame, stages: tuple[str, ...], coverage: float) -> pd.DataFrame:
    """Means of each stage in two periods and the limits of their difference.

    Parameters
    ----------
    now, before
        One row a job: reported_on and STAGE_min in minutes for each stage (NaN: the job lacks a stamp of it).
    stages
        Stages compared.
    coverage
        Two-sided coverage of the limits of the difference.

    Returns
    -------
    DataFrame
        stage, jobs, mean_min, jobs_before, mean_before_min, difference_min, difference_lo, difference_hi and judged:
        longer or shorter where the limits leave no difference out, else within; too_few where a period has fewer than
        two days with jobs.

    Notes
    -----
    Jobs of one stormy day are alike, so days are the units: the variance of a mean is the linearised one of a ratio
    of totals over days, D / (D - 1) sum_d (sum_i (y_i - m))^2 / n^2. Limits by Welch's t with D - 1 degrees of
    freedom a period.

    References
    ----------
    W. G. Cochran, Sampling Techniques (1977), 9A and 11; B. L. Welch, Biometrika 34 (1947), 28-35.

    Checked by: tests/unit/test_restoration_periods.py
    """
    rows = []
    for stage in stages:
        ends = [
            mean_over_days(jobs[f"{stage}_min"].to_numpy(dtype=np.float64, na_value=np.nan), jobs["reported_on"])
            for jobs in (now, before)
        ]
        (jobs, mean, variance, days), (jobs_before, mean_before, variance_before, days_before) = ends
        difference, lo, hi, judged = mean - mean_before, np.nan, np.nan, "too_few"
        if min(days, days_before) >= 2:
            total = variance + variance_before
            parts = variance**2 / (days - 1) + variance_before**2 / (days_before - 1)
            reach = float(stdtrit(total**2 / parts, (1 + coverage) / 2)) * total**0.5 if total > 0 else 0.0
            lo, hi = difference - reach, difference + reach
            judged = "within" if lo <= 0 <= hi else "longer" if difference > 0 else "shorter"
        rows.append((stage, jobs, mean, jobs_before, mean_before, difference, lo, hi, judged))
    return pd.DataFrame(
        rows,
        columns=[
            "stage", "jobs", "mean_min", "jobs_before", "mean_before_min", "difference_min", "difference_lo",
            "difference_hi", "judged",
        ],
    )  # fmt: skip


def mean_over_days(minutes: Floats, day: pd.Series) -> tuple[int, float, float, int]:
    """Number of values, their mean, its variance with days as the units, and the number of days.

    Parameters
    ----------
    minutes
        Minutes of each job; NaN: none.
    day
        Day of each job.
    """
    there = np.isfinite(minutes)
    values, n = minutes[there], int(there.sum())
    if n == 0:
        return 0, np.nan, np.nan, 0
    mean = float(values.mean())
    totals = pd.Series(values - mean).groupby(day.to_numpy()[there]).sum().to_numpy()
    days = len(totals)
    variance = float((totals**2).sum()) / n**2 * days / (days - 1) if days > 1 else np.nan
    return n, mean, variance, days
