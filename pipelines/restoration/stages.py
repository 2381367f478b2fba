"""How long does each stage of a job take, in every grouping of the jobs?"""

import numpy as np
import pandas as pd

from pipelines.restoration.bootstrap import limit_groups, limit_shares, widen_by_days
from pipelines.restoration.sorted_groups import SortedGroups, sort_groups
from shared.arrays import Floats

STAGE_GROUPINGS = ("all", "district", "method", "crew", "cable_class", "month", "year")
"""Groupings of restoration_summary and restoration_stages; each is a column of core.job_groups."""
GROUPINGS = (*STAGE_GROUPINGS, "configuration", "loop_size")

STAGES = (
    "report_to_dispatch",
    "dispatch_to_arrive",
    "arrive_to_locate",
    "locate_to_restore",
    "report_to_restore",
    "locate_to_pinpoint",
    "restore_to_repair",
    "repair_to_normal",
    "repair_to_close",
)

CLOCKS = ("customer_clock", "crew_clock", "asset_clock")
"""Three clocks, never mixed: until the customers are back, until the crew knows where to dig, until the loop is
back to its normal open point."""

LONG_MIN = {"4h": 240.0, "8h": 480.0}
"""Lengths whose exceeding is counted, in minutes."""


def summarise_stages(
    jobs: pd.DataFrame, *, coverage: float, small_group: int, replicates: int, rng: np.random.Generator
) -> pd.DataFrame:
    """Length of every stage in every group of jobs.

    Parameters
    ----------
    jobs
        One row a job: reported_on, a column of group names for each of GROUPINGS, and a column of minutes for each
        of STAGES and CLOCKS (NaN: the job lacks a stamp of it, and is left out of it alone).
    coverage
        Two-sided coverage of the limits.
    small_group
        Groups with fewer jobs are marked.
    replicates, rng
        Resamples of the small groups, and their source.

    Returns
    -------
    DataFrame
        marts.restoration_stages and marts.restoration_clocks; a stage no job of a group has makes no row.

    Notes
    -----
    Percentile bootstrap (bootstrap.py): of whole days for the means of groups with ten days or more, since jobs of
    one stormy day are alike; of jobs for the other means, the medians and the 90th percentiles. Shares: Wilson score.

    Checked by: tests/unit/test_restoration_stages.py
    """
    parts = []
    groups_of = {grouping: pd.Categorical(jobs[grouping]) for grouping in GROUPINGS}
    days = pd.factorize(jobs["reported_on"])[0].astype(np.int64)
    for stage in (*STAGES, *CLOCKS):
        # one sort by length serves all groupings
        minutes = jobs[stage].to_numpy(dtype=np.float64)
        order = np.argsort(minutes)
        for grouping in GROUPINGS:
            names = groups_of[grouping].take(order)
            groups = sort_groups(minutes[order], names)
            found = limit_groups(groups, coverage=coverage, replicates=replicates, rng=rng)
            found["mean_lo"], found["mean_hi"] = widen_by_days(
                groups.names,
                found["mean_lo"].to_numpy(),
                found["mean_hi"].to_numpy(),
                minutes[order],
                names,
                days[order],
                coverage=coverage,
                replicates=replicates,
                rng=rng,
            )
            parts.append(_with_shares(found, groups, coverage).assign(grouped_by=grouping, stage=stage))
    summary = pd.concat(parts, ignore_index=True)
    summary["is_small_group"] = summary["jobs"] < small_group
    return summary.rename(columns={"mean": "mean_min", "median": "median_min", "p90": "p90_min"}).sort_values(
        ["grouped_by", "group_name", "stage"], ignore_index=True
    )


def _with_shares(found: pd.DataFrame, groups: SortedGroups, coverage: float) -> pd.DataFrame:
    """Add the share of each group above each length of LONG_MIN, with its limits."""
    columns: dict[str, Floats] = {}
    for name, length in LONG_MIN.items():
        running = np.append(0, np.cumsum(groups.values > length))
        over = running[groups.starts + groups.counts] - running[groups.starts]
        lo, hi = limit_shares(over, groups.counts, coverage)
        columns |= {
            f"share_over_{name}": over / groups.counts,
            f"share_over_{name}_lo": lo,
            f"share_over_{name}_hi": hi,
        }
    return found.assign(**columns)
