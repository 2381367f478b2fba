"""The restoration step: reads core tables, fits, writes fitted.restoration_*."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from pipelines.restoration.stages import GROUPINGS, STAGES, summarise_stages
from shared.store import write_table

if TYPE_CHECKING:
    import duckdb

    from shared.settings import Settings


def run(con: duckdb.DuckDBPyConnection, settings: Settings) -> dict[str, int]:
    """Fit the restoration figures; returns the tables written and their rows.

    Notes
    -----
    Checked by: tests/unit/test_restoration_step.py
    """
    # read
    lengths = ", ".join(f"job_stages.{stage}_min as {stage}" for stage in STAGES)
    names = ", ".join(f'job_groups."{grouping}"::varchar as "{grouping}"' for grouping in GROUPINGS)
    jobs: pd.DataFrame = con.execute(f"""
        select {names}, {lengths}
        from core.job_stages as job_stages
        inner join core.job_groups as job_groups on job_groups.job_id = job_stages.job_id
        order by job_stages.job_id
    """).df()

    # compute
    rng = np.random.default_rng(settings.general.seed)
    limits = summarise_stages(
        jobs, level=settings.general.interval_level, small_group=settings.general.small_group,
        replicates=settings.restoration.bootstrap_replicates, rng=rng,
    )

    # write
    return {"fitted.restoration_limits": write_table(con, "fitted.restoration_limits", limits)}
