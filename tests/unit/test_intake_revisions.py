"""Revisions, order of arrival, and files loaded again."""

from __future__ import annotations

from pathlib import Path

import duckdb
import pytest

from pipelines import warehouse
from pipelines.intake.load import load_paths
from pipelines.intake.raw import ensure_raw_tables
from shared.settings import Settings
from shared.store import Workspace, open_warehouse, write_settings
from tests.cases.small_utility import TABLES, Row, write_csv


@pytest.fixture
def load(tmp_path: Path):
    con = open_warehouse(Workspace(tmp_path / "workspace"))
    write_settings(con, Settings())
    ensure_raw_tables(con)
    load_paths(
        con, [write_csv(tmp_path / f"{t}.csv", TABLES[t]) for t in ("districts", "loops", "sections")], Settings()
    )

    def run(
        *files: list[Row], name: str = "jobs", as_newest: bool = False
    ) -> tuple[duckdb.DuckDBPyConnection, list[tuple[int, ...]]]:
        paths = [write_csv(tmp_path / f"{name}_{n}.csv", rows) for n, rows in enumerate(files)]
        report = load_paths(con, paths, Settings(), as_newest=as_newest)
        return con, [(f.read, f.new, f.revised, f.unchanged, f.superseded, f.quarantined) for f in report.files]

    return run


def job(revision: str, crew: str, job_id: str = "J1", **cells: str) -> Row:
    return {**TABLES["jobs"][0], "revision": revision, "crew_id": crew, "job_id": job_id, **cells}


def standing(con: duckdb.DuckDBPyConnection) -> list[tuple[str, int, str]]:
    warehouse.build_models(con, "staging")
    return con.execute("select job_id, revision, crew_id from staging.jobs order by 1").fetchall()


def test_a_later_revision_revises_and_an_earlier_one_is_superseded(load) -> None:
    con, counts = load([job("2", "B")])
    assert counts == [(1, 1, 0, 0, 0, 0)]
    assert load([job("3", "C")])[1] == [(1, 0, 1, 0, 0, 0)]
    assert load([job("1", "A")])[1] == [(1, 0, 0, 0, 1, 0)]
    assert standing(con) == [("J1", 3, "C")]
    assert con.execute("select count(*) from raw.jobs").fetchone() == (3,)


def test_revisions_in_one_file_are_sorted_whatever_their_order(load) -> None:
    con, counts = load([job("2", "B"), job("1", "A"), job("3", "C")])
    assert counts == [(3, 1, 0, 0, 2, 0)]
    assert standing(con) == [("J1", 3, "C")]


def test_an_open_job_waits_in_quarantine_until_it_is_loaded_closed(load) -> None:
    con, counts = load([job("1", "A", status="open")])
    assert counts == [(1, 0, 0, 0, 0, 1)]
    assert standing(con) == []
    assert load([job("2", "A", status="closed")])[1] == [(1, 1, 0, 0, 0, 0)]
    assert standing(con) == [("J1", 2, "A")]
    assert con.execute("select count(*) from raw.quarantined_rows where released_by is null").fetchone() == (0,)


def test_a_job_open_again_leaves_the_figures_until_it_is_closed_again(load) -> None:
    con, _ = load([job("1", "A"), job("1", "A", "J2", section_id="S2", dug_distance_m="77")])
    assert load([job("2", "A", status="Open"), job("1", "A", "J9", status="open", section_id="")])[1] == [
        (2, 0, 1, 0, 0, 1)
    ]
    assert [row[0] for row in standing(con)] == ["J2"]
    said = con.execute("select message from raw.file_results where rule = 'job_reopened'").fetchall()
    assert said == [("1 job is open again and leaves the figures until closed: J1",)]
    load([job("3", "B", status="closed")])
    assert standing(con) == [("J1", 3, "B"), ("J2", 1, "A")]


def test_a_moved_open_point_is_said_with_both_its_terminals(load) -> None:
    first, second = TABLES["loops"]
    moved = {**first, "normal_open_terminal_id": "T4"}
    con, counts = load([moved, {**second, "normal_open_terminal_id": "T6"}], name="loops")
    assert counts == [(2, 0, 2, 0, 0, 0)]
    load([{**moved, "customers": "121"}, {**first, "district_id": "D9", "normal_open_terminal_id": "T2"}], name="loops")
    said = con.execute("select message from raw.file_results where rule = 'open_point_moved'").fetchall()
    assert said == [("1 loop has its normally open point moved: L1 (T3 to T4)",)]  # L2 had none, D9 is no district


def test_an_open_job_with_a_reading_is_an_open_window_of_its_instrument(load) -> None:
    """Under the source's own headings any cell that is an instrument's id names it."""
    read = {"status": "open", "instrument_id": "I1", "estimated_distance_m": "90"}
    way = {"test_terminal_id": "T1", "toward_terminal_id": "T2"}
    others = [job("1", "A", job_id="J2", **{**read, "instrument_id": "I2"}), job("1", "A", job_id="J3")]
    con, _ = load([job("1", "A", **read, **way), *others, job("1", "A", "J4", **{**read, "estimated_distance_m": ""})])
    con.execute("create schema if not exists staging")

    def waiting() -> list[tuple[str, str, str, str]]:
        listed = "select 'I1' as instrument_id union all select 'I3'"
        con.execute(f"create or replace table staging.instruments as {listed}")
        rows = con.execute(warehouse.models()["marts.open_windows"].query).df()
        return rows[["instrument_id", "job_id", "test_terminal_id", "toward_terminal_id"]].values.tolist()

    assert waiting() == [["I1", "J1", "T1", "T2"]]
    con.execute("update raw.quarantined_rows set headers = replace(headers, 'instrument_id', 'Gerät')")
    assert sorted(row[:2] for row in waiting()) == [["I1", "J1"]]
    con.execute("update raw.quarantined_rows set released_by = 'b0009'")
    assert waiting() == []


def test_an_earlier_revision_lets_no_later_one_out_of_quarantine(load) -> None:
    con, _ = load([job("3", "A", status="open"), job("", "A", job_id="J2", status="open")])
    load([job("2", "A"), job("1", "A", job_id="J2")])
    waiting = con.execute("select key from raw.quarantined_rows where released_by is null").fetchall()
    assert waiting == [("J1 / 3",)]  # the one without a revision ranks below any that has one


def test_the_same_content_changes_nothing_under_any_name_or_order(load) -> None:
    rows = [job("1", "A"), job("2", "B"), job("1", "A", "J2", section_id="S2", dug_distance_m="77")]
    con, _ = load(rows)
    before = con.execute("select * from raw.jobs order by load_sequence").fetchall()
    assert load(rows)[1] == [(3, 0, 0, 3, 0, 0)]
    assert load(rows[::-1], name="jobs_again")[1] == [(3, 0, 0, 3, 0, 0)]
    assert con.execute("select * from raw.jobs order by load_sequence").fetchall() == before


def test_a_row_repeated_word_for_word_is_unchanged_and_one_that_differs_is_set_aside(load) -> None:
    con, counts = load([job("1", "A"), job("1", "A"), job("1", "B")])
    assert counts == [(3, 1, 0, 1, 0, 1)]
    said = (
        "the key J1 / 1 is in row 2 of the same file with other content; keep one of them, or give the later "
        "one a higher revision"
    )
    assert con.execute("select message from raw.findings").fetchall() == [(said,)]
    assert standing(con) == [("J1", 1, "A")]


def test_of_two_files_in_one_load_the_later_one_has_the_last_word(load) -> None:
    con, counts = load([job("1", "A")], [job("1", "B")])
    assert counts == [(1, 1, 0, 0, 0, 0), (1, 0, 1, 0, 0, 0)]
    assert standing(con) == [("J1", 1, "B")]
    assert load([job("1", "A")], [job("1", "B")])[1] == [(1, 0, 0, 0, 1, 0), (1, 0, 0, 1, 0, 0)]
    assert standing(con) == [("J1", 1, "B")]
    assert older(con) == []  # the load itself says more of the job, so nothing would change back


def older(con: duckdb.DuckDBPyConnection) -> list[str]:
    rows = con.execute("select message from raw.file_results where rule = 'older_state' order by load_id").fetchall()
    return [message for (message,) in rows]


def test_a_row_that_would_change_back_what_changed_since_is_listed_and_not_taken(load) -> None:
    con, _ = load([job("", "A"), job("", "Z", "J2", section_id="S2", dug_distance_m="77")])
    load([job("", "B", dug_distance_m="41"), job("", "Y", "J2", section_id="S2", dug_distance_m="77")])
    third = job("", "X", "J3", section_id="S3", dug_distance_m="99")
    assert load([job("", "A"), job("", "Z", "J2", section_id="S2", dug_distance_m="77"), third])[1] == [
        (3, 1, 0, 0, 2, 0)
    ]
    assert [row[2] for row in standing(con)] == ["B", "Y", "X"]
    assert older(con)[0] == (
        "2 rows say again what was loaded before and has changed since: J1 (crew_id B to A, dug_distance_m 41.0 to "
        "40.0); J2 (crew_id Y to Z). They are not taken; if the files are the newest, load them with --as-newest"
    )
    load([job("", "A")])
    assert older(con)[1] == (
        "1 row says again what was loaded before and has changed since: J1 (crew_id B to A, dug_distance_m 41.0 to "
        "40.0). It is not taken; if the files are the newest, load them with --as-newest"
    )
    assert con.execute("select count(*) from raw.jobs").fetchone() == (5,)


def test_the_first_ten_that_would_change_back_are_named_and_the_others_counted(load) -> None:
    con, _ = load([job("", "A", f"J{n:02d}", section_id="") for n in range(12)])
    load([job("", "B", f"J{n:02d}", section_id="") for n in range(12)])
    load([job("", "A", f"J{n:02d}", section_id="") for n in range(12)])
    named = "; ".join(f"J{n:02d} (crew_id B to A)" for n in range(10))
    assert older(con)[0] == (
        f"12 rows say again what was loaded before and has changed since: {named} and 2 more. They are not taken; if "
        "the files are the newest, load them with --as-newest"
    )


def test_as_newest_brings_a_former_state_back_and_a_higher_revision_still_wins(load) -> None:
    con, _ = load([job("", "A"), job("1", "A", "J2", section_id="S2", dug_distance_m="77")])
    load([job("", "B"), job("2", "B", "J2", section_id="S2", dug_distance_m="77")])
    old = [job("", "A"), job("1", "A", "J2", section_id="S2", dug_distance_m="77")]
    assert load(old, as_newest=True)[1] == [(2, 0, 1, 1, 0, 0)]
    assert standing(con) == [("J1", None, "A"), ("J2", 2, "B")]
    assert load([job("", "B")], as_newest=True)[1] == [(1, 0, 1, 0, 0, 0)]
    assert load([job("", "B")])[1] == [(1, 0, 0, 1, 0, 0)]
    assert [row[2] for row in standing(con)] == ["B", "B"]
    assert older(con) == []


def test_a_former_state_lets_nothing_out_of_quarantine(load) -> None:
    con, _ = load([job("", "A")])
    load([job("", "B")])
    load([job("", "C", loop_id="L9")])
    load([job("", "A")])
    assert con.execute("select count(*) from raw.quarantined_rows where released_by is null").fetchone() == (1,)


def test_a_cancelled_revision_takes_the_job_away_and_a_moved_one_moves_it(load) -> None:
    con, _ = load([job("1", "A"), job("1", "A", "J2", section_id="S2", dug_distance_m="77")])
    load([job("2", "A", status="cancelled"), job("2", "A", "J2", loop_id="L2", section_id="S4", dug_distance_m="77")])
    warehouse.build_models(con, "staging")
    assert con.execute("select job_id, loop_id from staging.jobs").fetchall() == [("J2", "L2")]
