"""How long do loops run away from their normal open point, and what does that risk?"""

from collections.abc import Sequence

import numpy as np
import pandas as pd

from pipelines.restoration.limits import limit_groups, limit_shares, sort_groups
from shared import dictionary
from shared.units import DAYS_PER_YEAR

LONG_DAYS = 10.0
"""Days beyond which a loop is counted as long abnormal: our choice."""


def summarise_abnormal_days(jobs: pd.DataFrame, groupings: Sequence[str], *, coverage: float) -> pd.DataFrame:
    """Days from the report to normal switching by group, and the second faults to be expected in them.

    Parameters
    ----------
    jobs
        One row a job on a loop (radials have no second end): a column for each grouping, cluster, abnormal_days,
        and loop_failures_per_year, what the loop's cable is expected to fail in a year.
    groupings
        Columns to group by.
    coverage
        Two-sided coverage of the limits (limits.py).

    Returns
    -------
    DataFrame
        marts.restoration_abnormal. expected_strandings: failures expected on the same loop while it was abnormal,
        sum of loop_failures_per_year x abnormal_days / DAYS_PER_YEAR. Each would strand customers until it is repaired.

    Notes
    -----
    The rate is the class rates' sum over the loop's sections: a loop that has just failed is likely worse than its
    class, so the figure errs on the low side.

    Checked by: tests/unit/test_restoration_abnormal.py
    """
    parts = []
    kept = jobs.dropna(subset=["abnormal_days"])
    years = kept["abnormal_days"] / DAYS_PER_YEAR
    kept = kept.assign(abnormal_years=years, strandings=years * kept["loop_failures_per_year"])
    clusters = kept["cluster"].to_numpy(dtype=np.int64)
    for grouping in groupings if len(kept) else ():
        lengths, names = kept["abnormal_days"].to_numpy(dtype=np.float64), pd.Categorical(kept[grouping])
        groups = sort_groups(lengths, names, clusters)
        found = limit_groups(groups, coverage=coverage)
        share, lo, hi = limit_shares(groups, groups.values > LONG_DAYS, coverage=coverage)
        sums = kept.groupby(grouping, observed=True)[["abnormal_years", "strandings"]].sum()
        parts.append(
            pd.DataFrame(
                {
                    "grouped_by": grouping,
                    "group_name": groups.names,
                    "jobs": groups.counts,
                    "mean_days": found["mean"],
                    "mean_days_lo": found["mean_lo"],
                    "mean_days_hi": found["mean_hi"],
                    "median_days": found["median"],
                    "p90_days": found["p90"],
                    "share_over_10_days": share,
                    "share_over_10_days_lo": lo,
                    "share_over_10_days_hi": hi,
                    "abnormal_loop_years": sums["abnormal_years"].to_numpy(),
                    "expected_strandings": sums["strandings"].to_numpy(),
                }
            )
        )
    return dictionary.stack_frames("marts.restoration_abnormal", parts)
