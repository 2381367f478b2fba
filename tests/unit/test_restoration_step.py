"""The step as a whole: nothing to read, and the same twice."""

from __future__ import annotations

import pandas as pd

from pipelines.restoration import step
from pipelines.warehouse import read_query
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


def test_the_record_is_known_to_the_end_of_the_as_of_day_where_it_ends_last(make_warehouse) -> None:
    """Two jobs at 11 and at 23 on 5 January in Chicago, the second at night; the first was closed two days later."""
    con = build_restoration(
        make_warehouse({}, build=()),
        {
            "districts": """
                district_id | timezone        | recorded_from
                D1          | America/Chicago | 2006-01-01
                D2          | UTC             | 2006-01-01
            """,
            "loops": """
                loop_id | district_id
                L1      | D1
            """,
            "jobs": """
                job_id | loop_id | reported_at       | closed_at
                J1     | L1      | 2020-01-05 17:00Z | 2020-01-07 17:00Z
                J2     | L1      | 2020-01-06 05:00Z | 2020-01-06 05:30Z
            """,
        },
    )
    assert step.find_known_until(con) == (pd.Timestamp("2020-01-06 06:00Z"),) * 2
    con.execute("update settings.current set general_as_of = '2020-01-09'")
    assert step.find_known_until(con)[0] == pd.Timestamp("2020-01-10 06:00Z")
    found = read_query(con, "restoration/jobs").set_index("job_id")
    assert found["hour"].to_dict() == {"J1": "morning", "J2": "night"}
    assert set(found["season"]) == {"December to February"}


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
