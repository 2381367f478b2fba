"""Stage means of the demo's faulty records, held against the same means of the true time lines."""

from __future__ import annotations

import pandas as pd
import pytest

from pipelines.restoration import step as restoration_step
from shared.settings import Settings
from shared.store import read_model
from synthetic_data.demo import make_tables

LOOPS, SEED = 300, 20260101
# one feed wrote UTC for 1.2 % of the arrivals: five hours on each, 9 % on the mean drive. Arrival and location move
# alike, so that the search between them keeps its length; no row alone proves the drive wrong, and none is mended.
TOLERANCES = {"dispatch_to_arrive": 0.12}
STAGES = {
    "report_to_dispatch": ("reported_at", "dispatched_at"),
    "dispatch_to_arrive": ("dispatched_at", "arrived_at"),
    "arrive_to_locate": ("arrived_at", "located_at"),
    "report_to_restore": ("reported_at", "restored_at"),
    "locate_to_pinpoint": ("located_at", "pinpointed_at"),
    "repair_to_normal": ("repaired_at", "normal_at"),
}


def _minutes(jobs: pd.DataFrame, start: str, end: str) -> pd.Series:
    return (jobs[end] - jobs[start]).dt.total_seconds() / 60


@pytest.mark.parametrize("dirt", [False, True], ids=["clean", "with_its_errors"])
def test_stage_means(make_warehouse, dirt):
    """Without errors the means are those of the time lines; with them, close to them."""
    settings = Settings().override("general", as_of=pd.Timestamp("2025-12-31").date())
    con = make_warehouse(make_tables(LOOPS, SEED, dirt=dirt), settings=settings)
    restoration_step.run(con, settings)
    jobs = make_tables(LOOPS, SEED)["jobs"]
    limits = read_model(con, "marts.restoration_stages")
    stages = limits[limits["grouped_by"] == "all"].set_index("stage")["mean_min"]
    true = pd.Series({name: _minutes(jobs, *ends).mean() for name, ends in STAGES.items()})
    shown = pd.DataFrame({"product": stages.reindex(true.index), "true": true})
    shown["ratio"] = shown["product"] / shown["true"]
    print(f"\n{'with its errors' if dirt else 'clean'}\n{shown.round(3).to_string()}")
    for name, ratio in shown["ratio"].items():
        tolerance = TOLERANCES.get(name, 0.04) if dirt else 1e-6
        assert abs(ratio - 1) < tolerance, name
