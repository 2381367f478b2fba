"""The step as a whole: nothing to read, and the same twice."""

from __future__ import annotations

import pandas as pd

from pipelines.restoration import step
from shared import dictionary
from shared.settings import Settings
from tests.restoration_models import build_restoration

WRITTEN = {name for name, table in dictionary.tables().items() if table.made_by.startswith("pipelines/restoration/")}


def test_without_a_job_every_table_is_there_and_empty(make_warehouse) -> None:
    con = build_restoration(make_warehouse({}, build=()), {})
    written = step.run(con, Settings())
    assert set(written) == WRITTEN
    assert {name: rows for name, rows in written.items() if rows} in ({}, {"marts.restoration_maturity": 13})


def test_crews_are_compared_only_when_the_settings_ask_for_it() -> None:
    assert step.crew_grouping(Settings()) == ()
    assert step.crew_grouping(Settings().override("restoration", show_crews=True)) == ("crew",)


def test_the_same_jobs_give_the_same_tables(make_warehouse) -> None:
    days = pd.date_range("2019-01-01", periods=60, freq="3D", tz="UTC")
    jobs = pd.DataFrame(
        {
            "job_id": [f"J{n:02}" for n in range(60)],
            "loop_id": "L1",
            "reported_at": days,
            "restored_at": [day + pd.Timedelta(minutes=40 + 7 * n % 200) for n, day in enumerate(days)],
            "crew_id": ["A-1", "B-1", "C-1"] * 20,
            "customers_interrupted": 40,
        }
    )
    con = build_restoration(
        make_warehouse({}, build=()),
        {
            "districts": pd.DataFrame([{"district_id": "D1", "timezone": "UTC", "recorded_from": "2006-01-01"}]),
            "loops": pd.DataFrame([{"loop_id": "L1", "district_id": "D1"}]),
            "jobs": jobs,
        },
    )
    first = {name: con.execute(f"from {name}").df() for name in WRITTEN}
    step.run(con, Settings())
    for name, frame in first.items():
        pd.testing.assert_frame_equal(frame, con.execute(f"from {name}").df(), obj=name)
