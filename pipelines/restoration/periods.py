"""Did the stages take longer in one period than in another?"""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from pipelines.restoration.limits import SortedGroups, find_means, limit_by_spread, sort_groups


@dataclass(frozen=True)
class Difference:
    """Two periods: jobs and mean of each (NaN without jobs), limits of the difference, and what they say of it.

    Attributes
    ----------
    judged
        longer or shorter where the limits leave no difference out, else within; too_few where a period has too few
        days or storms for limits (limits.py).
    """

    jobs: int
    mean: float
    jobs_before: int
    mean_before: float
    lo: float
    hi: float
    judged: str


def compare_means(now: pd.DataFrame, before: pd.DataFrame, column: str, coverage: float) -> Difference:
    """Mean of a column in two periods and the limits of the difference.

    Parameters
    ----------
    now, before
        One row a job: cluster (core.job_groups) and the column (NaN: none).
    column
        What is compared.
    coverage
        Two-sided coverage of the limits of the difference.

    Notes
    -----
    Limits of each mean over clusters (limits.py); their variances add up, and the freedom is the smaller of both.

    Checked by: tests/unit/test_restoration_periods.py (through compare_periods)
    """
    ends: list[SortedGroups] = []
    for jobs in (now, before):
        values = jobs[column].to_numpy(dtype=np.float64, na_value=np.nan)
        ends.append(sort_groups(values, np.full(len(jobs), "all"), jobs["cluster"].to_numpy(dtype=np.int64)))
    (mean, spread), (mean_before, spread_before) = (find_means(groups) for groups in ends)
    sizes, means = (
        [int(groups.counts.sum()) for groups in ends],
        [float(m.sum()) if len(m) else np.nan for m in (mean, mean_before)],
    )
    if not all(sizes) or any(groups.has_too_few.any() for groups in ends):
        return Difference(sizes[0], means[0], sizes[1], means[1], np.nan, np.nan, "too_few")
    lo, hi = (float(end[0]) for end in limit_by_spread(mean - mean_before, spread - spread_before, coverage))
    judged = "within" if lo <= 0 <= hi else "longer" if means[0] > means[1] else "shorter"
    return Difference(sizes[0], means[0], sizes[1], means[1], lo, hi, judged)


def compare_periods(now: pd.DataFrame, before: pd.DataFrame, stages: tuple[str, ...], coverage: float) -> pd.DataFrame:
    """Means of each stage in two periods and the limits of their difference.

    Parameters
    ----------
    now, before
        One row a job: cluster and STAGE_min in minutes for each stage (NaN: the job lacks a stamp of it).
    stages
        Stages compared.
    coverage
        Two-sided coverage of the limits of the difference.

    Returns
    -------
    DataFrame
        stage, jobs, mean_min, jobs_before, mean_before_min, difference_min, difference_lo, difference_hi and judged
        (Difference).

    Notes
    -----
    Checked by: tests/unit/test_restoration_periods.py
    """
    found = [compare_means(now, before, f"{stage}_min", coverage) for stage in stages]
    return pd.DataFrame(
        {
            "stage": stages,
            "jobs": [one.jobs for one in found],
            "mean_min": [one.mean for one in found],
            "jobs_before": [one.jobs_before for one in found],
            "mean_before_min": [one.mean_before for one in found],
            "difference_min": [one.mean - one.mean_before for one in found],
            "difference_lo": [one.lo for one in found],
            "difference_hi": [one.hi for one in found],
            "judged": [one.judged for one in found],
        }
    )
