"""How long do loops run away from their normal open point, and what does that risk?"""

from collections.abc import Sequence

import numpy as np
import pandas as pd

from pipelines.restoration.bootstrap import limit_groups, limit_shares, widen_by_days
from pipelines.restoration.sorted_groups import sort_groups
from shared import dictionary
from shared.units import DAYS_PER_YEAR

LONG_DAYS = 10.0
"""Days beyond which a loop is counted as long abnormal: our choice."""


def summarise_abnormal_days(
    jobs: pd.DataFrame, groupings: Sequence[str], *, coverage: float, replicates: int, rng: np.random.Generator
) -> pd.DataFrame:
    """Days from the report to normal switching by group, and the second faults to be expected in them.

    Parameters
    ----------
    jobs
        One row a job on a loop (radials have no second end): a column for each grouping, reported_on, abnormal_days,
        and loop_failures_per_year, what the loop's cable is expected to fail in a year.
    groupings
        Columns to group by.
    level, replicates, rng
        Of the limits: bootstrap.py for the mean, Wilson for the share.

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
    days = pd.factorize(kept["reported_on"])[0].astype(np.int64)
    for grouping in groupings if len(kept) else ():
        lengths, names = kept["abnormal_days"].to_numpy(dtype=np.float64), pd.Categorical(kept[grouping])
        groups = sort_groups(lengths, names)
        found = limit_groups(groups, coverage=coverage, replicates=replicates, rng=rng)
        found["mean_lo"], found["mean_hi"] = widen_by_days(
            groups.names,
            found["mean_lo"].to_numpy(),
            found["mean_hi"].to_numpy(),
            lengths,
            names,
            days,
            coverage=coverage,
            replicates=replicates,
            rng=rng,
        )
        sums = kept.groupby(grouping, observed=True)[["abnormal_years", "strandings"]].sum()
        long = (kept["abnormal_days"] > LONG_DAYS).astype(np.int64)
        over = long.groupby(kept[grouping], observed=True).sum().to_numpy()
        lo, hi = limit_shares(over, groups.counts, coverage)
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
                    "share_over_10_days": over / groups.counts,
                    "share_over_10_days_lo": lo,
                    "share_over_10_days_hi": hi,
                    "abnormal_loop_years": sums["abnormal_years"].to_numpy(),
                    "expected_strandings": sums["strandings"].to_numpy(),
                }
            )
        )
    return dictionary.stack_frames("marts.restoration_abnormal", parts)
