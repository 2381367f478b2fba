"""Corrections: applied only as decided, with their lineage, held against the record as it stands, and undone whole."""

from __future__ import annotations

from pathlib import Path

import duckdb
import pytest

from pipelines import warehouse
from pipelines.intake.load import load_paths
from pipelines.intake.undo import undo_load
from shared.settings import Settings
from shared.store import Workspace, open_warehouse, write_settings
from tests.cases.small_utility import TABLES, Row, write_csv


@pytest.fixture
def con(tmp_path: Path) -> duckdb.DuckDBPyConnection:
    con = open_warehouse(Workspace(tmp_path / "workspace"))
    write_settings(con, Settings())
    paths = [write_csv(tmp_path / f"{t}.csv", TABLES[t]) for t in ("districts", "loops", "sections", "jobs")]
    load_paths(con, paths, Settings())
    return con


def decide(con: duckdb.DuckDBPyConnection, tmp_path: Path, *rows: Row):
    full = [{"slip": "", "grounds": "", **row} for row in rows]
    return load_paths(con, [write_csv(tmp_path / "corrections.csv", full)], Settings())


def standing(con: duckdb.DuckDBPyConnection, column: str, job: str = "J1") -> tuple[object, ...]:
    warehouse.build_models(con, "staging")
    row = con.execute(f"select {column}, source_file, row_number from staging.jobs where job_id = ?", [job]).fetchone()
    assert row is not None
    return row


def row(column: str, now: str, proposed: str, decision: str = "apply", job: str = "J1") -> Row:
    return {"job_id": job, "column": column, "value_now": now, "value_proposed": proposed, "decision": decision}


def test_a_confirmed_correction_is_applied_with_its_lineage_and_a_refused_one_is_not(con, tmp_path: Path) -> None:
    report = decide(
        con,
        tmp_path,
        row("estimated_distance_m", "41.5", "12.6"),
        row("estimated_distance_m", "42.5", "13.0", "refuse", "J2"),
    )
    assert report.files[0].new == 2
    assert standing(con, "estimated_distance_m") == (12.6, "corrections.csv", 2)
    assert standing(con, "estimated_distance_m", "J2")[0] == 42.5


def test_the_exported_proposals_can_be_filled_in_and_loaded_as_they_are(con, tmp_path: Path) -> None:
    rows = [
        {"likelihood": "0.9", "slip": "", "grounds": "", **r}
        for r in (row("estimated_distance_m", "41.5", "12.6"), row("estimated_distance_m", "42.5", "13.0", "", "J2"))
    ]
    report = load_paths(con, [write_csv(tmp_path / "proposed_corrections.csv", rows)], Settings())
    assert (report.files[0].read, report.files[0].new, report.files[0].filtered) == (1, 1, 1)
    assert standing(con, "estimated_distance_m")[0] == 12.6


def test_two_corrections_of_a_job_are_both_applied(con, tmp_path: Path) -> None:
    decide(
        con,
        tmp_path,
        row("test_terminal_id", "T1", "T2"),
        row("arrived_at", "2018-01-10 16:40:00Z", "2018-01-10 16:30:00Z"),
    )
    assert standing(con, "test_terminal_id")[0] == "T2"
    assert standing(con, "arrived_at::varchar")[0] == "2018-01-10 16:30:00+00"


def test_the_export_and_the_corrections_loaded_again_change_nothing(con, tmp_path: Path) -> None:
    decide(con, tmp_path, row("estimated_distance_m", "41.5", "12.6"))
    before = con.execute("select count(*) from raw.jobs").fetchone()
    later = [*TABLES["jobs"], dict(TABLES["jobs"][0], job_id="J9", section_id="S3", dug_distance_m="88")]
    report = load_paths(con, [write_csv(tmp_path / "jobs_later.csv", later), tmp_path / "corrections.csv"], Settings())
    assert [(f.new, f.revised, f.unchanged) for f in report.files] == [(1, 0, 3), (0, 0, 1)]
    assert con.execute("select count(*) from raw.jobs").fetchone() == (before[0] + 1,)
    assert standing(con, "estimated_distance_m")[0] == 12.6


def test_a_correction_of_another_value_than_the_one_that_stands_is_kept_out(con, tmp_path: Path) -> None:
    report = decide(
        con,
        tmp_path,
        row("estimated_distance_m", "99", "12.6"),
        row("loudness", "1", "2"),
        row("crew_id", "C1", "C2", job="J77"),
        row("dug_distance_m", "40", "ten"),
    )
    assert report.files[0].quarantined == 4
    said = [m for (m,) in con.execute("select message from raw.findings order by row_number").fetchall()]
    cure = "; nothing is changed: export the proposals again, or correct value_now"
    assert said == [
        f"estimated_distance_m of J1 is now 41.5, not 99{cure}",
        f"jobs have no column loudness that can be corrected{cure}",
        f"job J77 is not loaded{cure}",
        f"value_proposed = ten does not fit column dug_distance_m{cure}",
    ]
    assert standing(con, "estimated_distance_m")[0] == 41.5


def test_undoing_the_load_of_corrections_takes_them_back(con, tmp_path: Path) -> None:
    report = decide(con, tmp_path, row("status", "closed", "cancelled"))
    warehouse.build_models(con, "staging")
    assert con.execute("select count(*) from staging.jobs").fetchone() == (2,)
    undo_load(con, report.load_id)
    assert standing(con, "estimated_distance_m")[0] == 41.5


def test_a_correction_is_applied_again_where_the_source_repeats_what_it_was_made_for(con, tmp_path: Path) -> None:
    decide(con, tmp_path, row("estimated_distance_m", "41.5", "12.6"), row("crew_id", "C2", "C3", job="J2"))

    def say(**cells: str) -> None:
        load_paths(con, [write_csv(tmp_path / "jobs.csv", [{**TABLES["jobs"][0], **cells}])], Settings())

    say(notes="dug up twice")
    assert standing(con, "estimated_distance_m || notes")[0] == "12.6dug up twice"
    say(notes="dug up twice", estimated_distance_m="30")
    assert standing(con, "estimated_distance_m")[0] == 30.0


def test_a_job_joined_away_stays_so_when_the_source_says_it_anew(con, tmp_path: Path) -> None:
    joined = [{"job_id": "J2", "joined_with": "J1", "cluster_decision": "join"}]
    load_paths(con, [write_csv(tmp_path / "job_clusters.csv", joined)], Settings())
    load_paths(con, [write_csv(tmp_path / "jobs.csv", [{**TABLES["jobs"][1], "notes": "late"}])], Settings())
    warehouse.build_models(con, "staging")
    assert con.execute("select job_id from staging.jobs order by 1").fetchall() == [("J1",), ("J3",)]
