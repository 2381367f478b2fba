"""How long does each stage of a job take, in every grouping of the jobs?"""

import numpy as np
import pandas as pd

from pipelines.restoration.limits import limit_groups, limit_shares, sort_groups

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
    jobs: pd.DataFrame,
    *,
    coverage: float,
    small_group: int,
    stages: tuple[str, ...] = (*STAGES, *CLOCKS),
    groupings: tuple[str, ...] = GROUPINGS,
) -> pd.DataFrame:
    """Length of every stage in every group of jobs.

    Parameters
    ----------
    jobs
        One row a job: cluster (core.job_groups), a column of group names for each grouping, and a column of minutes
        for each stage (NaN: the job lacks a stamp of it, and is left out of it alone).
    coverage
        Two-sided coverage of the limits.
    small_group
        Groups with fewer jobs are marked.
    stages, groupings
        What is summarised.

    Returns
    -------
    DataFrame
        marts.restoration_stages and marts.restoration_clocks; a stage no job of a group has makes no row. Limits are
        NaN where a group has too few days or storms (limits.py).

    Notes
    -----
    Checked by: tests/unit/test_restoration_stages.py
    """
    parts = []
    groups_of = {grouping: pd.Categorical(jobs[grouping]) for grouping in groupings}
    clusters = jobs["cluster"].to_numpy(dtype=np.int64)
    for stage in stages:
        # one sort by length serves all groupings
        minutes = jobs[stage].to_numpy(dtype=np.float64)
        order = np.argsort(minutes)
        for grouping in groupings:
            groups = sort_groups(minutes[order], groups_of[grouping].take(order), clusters[order])
            found = limit_groups(groups, coverage=coverage)
            for name, length in LONG_MIN.items():
                share = f"share_over_{name}"
                found[share], found[f"{share}_lo"], found[f"{share}_hi"] = limit_shares(
                    groups, groups.values > length, coverage=coverage
                )
            parts.append(found.assign(grouped_by=grouping, stage=stage))
    summary = pd.concat(parts, ignore_index=True)
    summary["is_small_group"] = summary["jobs"] < small_group
    return summary.rename(columns={"mean": "mean_min", "median": "median_min", "p90": "p90_min"}).sort_values(
        ["grouped_by", "group_name", "stage"], ignore_index=True
    )
