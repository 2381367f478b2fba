"""A refresh is all of one run or nothing of it, and its record names the step that failed."""

from __future__ import annotations

import datetime as dt
from pathlib import Path

import pytest

from pipelines import refresh as road
from pipelines import runs
from shared.errors import UserError
from shared.settings import Settings
from shared.store import Workspace, open_warehouse


def write_answer(run: road.Refresh) -> dict[str, int]:
    run.con.execute("create or replace table marts.answer as select 42 as answer")
    run.settings = run.settings.override("general", as_of=dt.date(2020, 1, 31))
    return {"marts.answer": 1}


def fail_after_writing(run: road.Refresh) -> dict[str, int]:
    run.con.execute("create or replace table marts.answer as select 43 as answer")
    raise UserError("the ground is wet", "marts.answer", "wait")


def test_a_failed_step_is_named_and_the_last_good_tables_stay(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    space = Workspace(tmp_path)
    monkeypatch.setattr(road, "STEPS", {"first": write_answer})
    monkeypatch.setattr(road, "PUBLISHING", {})
    road.refresh(space, Settings())
    monkeypatch.setattr(road, "STEPS", {"first": write_answer, "second": fail_after_writing})
    with pytest.raises(UserError, match="the ground is wet"):
        road.refresh(space, Settings())
    with open_warehouse(space, read_only=True) as con:
        assert con.execute("select answer from marts.answer").fetchall() == [(42,)]
        runs = con.execute("select run_number, outcome, failed_step, as_of, fault from raw.runs order by 1").fetchall()
        steps = con.execute("select run_number, step, rows_written from raw.run_steps order by all").fetchall()
    assert runs == [
        (1, "done", None, dt.date(2020, 1, 31), None),
        (2, "failed", "second", dt.date(2020, 1, 31), "the ground is wet\n  where: marts.answer\n  to do: wait"),
    ]
    assert steps == [(1, "first", 1), (2, "first", 1)]


def test_a_run_that_was_killed_while_publishing_keeps_its_number(tmp_path: Path) -> None:
    """The ranking kept under its number is committed before it publishes: the next run must take another."""
    with open_warehouse(Workspace(tmp_path)) as con:
        runs.reserve_run(con, "refresh", dt.datetime(2026, 1, 2, tzinfo=dt.UTC))
        runs.close_killed_runs(con)
        runs.reserve_run(con, "refresh", dt.datetime(2026, 1, 3, tzinfo=dt.UTC))
        runs.write_run(con, runs.RunRecord("refresh"), dt.datetime(2026, 1, 3, tzinfo=dt.UTC), 1.0, None)
        found = con.execute("select run_number, outcome, fault from raw.runs order by 1").fetchall()
    assert found == [(1, "stopped", "it was killed"), (2, "done", None)]


def test_nothing_loaded_says_what_to_run(tmp_path: Path) -> None:
    with pytest.raises(UserError, match="nothing is loaded yet") as caught:
        road.refresh(Workspace(tmp_path), Settings())
    assert caught.value.remedy == "run: loopwear load PATH..."


def test_as_of_is_the_local_day_of_the_last_report(make_warehouse) -> None:
    con = make_warehouse(
        {
            "districts": """
            district_id | timezone        | recorded_from
            D           | America/Chicago | 2000-01-01
        """,
            "loops": """
            loop_id | district_id
            L       | D
        """,
            # 03:00 UTC on the first of February is still the evening of 31 January in the district.
            "jobs": """
            job_id | loop_id | reported_at          | restored_at
            J1     | L       | 2020-02-01 03:00:00Z | 2020-02-01 06:00:00Z
            J2     | L       | 2020-01-15 03:00:00Z | 2020-02-03 06:00:00Z
            J3     | X       | 2020-03-01 03:00:00Z | 2020-03-01 06:00:00Z
        """,
        },
        build=("staging",),
    )
    assert road.find_last_report_day(con) == dt.date(2020, 1, 31)
