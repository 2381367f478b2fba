"""A load taken back leaves the warehouse as it was before it."""

from __future__ import annotations

from pathlib import Path

import duckdb
import pytest

from pipelines.intake.load import load_paths
from pipelines.intake.undo import undo_load
from shared import dictionary
from shared.errors import UserError
from shared.settings import Settings
from shared.store import Workspace, open_warehouse
from tests.cases.small_utility import TABLES, with_changes, write_csv


def everything(con: duckdb.DuckDBPyConnection) -> dict[str, list[tuple[object, ...]]]:
    stems = [*dictionary.load_tables(), "loads", "files", "findings", "quarantined_rows"]
    return {s: con.execute(f"select * from raw.{s} order by all").fetchall() for s in stems}


@pytest.fixture
def con(tmp_path: Path) -> duckdb.DuckDBPyConnection:
    con = open_warehouse(Workspace(tmp_path / "workspace"))
    jobs = with_changes("jobs", {}, {"reported_at": "soon"})
    paths = [write_csv(tmp_path / f"{t}.csv", TABLES[t]) for t in ("districts", "loops", "sections")]
    load_paths(con, [*paths, write_csv(tmp_path / "jobs.csv", jobs)], Settings())
    return con


def test_undo_restores_what_was_there_quarantine_included(con: duckdb.DuckDBPyConnection, tmp_path: Path) -> None:
    before = everything(con)
    mended = with_changes("jobs", {"crew_id": "C9"}, {"reported_at": "2018-02-10 10:00"}, {"loop_id": "L9"})
    report = load_paths(con, [write_csv(tmp_path / "jobs.csv", mended)], Settings())
    assert con.execute("select released_by from raw.quarantined_rows where load_id = 'b0001'").fetchall() == [
        (report.load_id,)
    ]
    taken = undo_load(con, report.load_id)
    assert taken == {"raw.jobs": 2, "raw.loads": 1, "raw.files": 1, "raw.findings": 1, "raw.quarantined_rows": 1}
    assert everything(con) == before


def test_only_the_last_load_can_be_undone(con: duckdb.DuckDBPyConnection, tmp_path: Path) -> None:
    load_paths(con, [write_csv(tmp_path / "instruments.csv", TABLES["instruments"])], Settings())
    with pytest.raises(UserError) as caught:
        undo_load(con, "b0001")
    assert (
        str(caught.value)
        == """load b0001 cannot be undone before b0002
  where: loopwear load --undo
  to do: undo b0002 first; what it brought can be loaded again afterwards"""
    )


def test_an_unknown_load_is_named(con: duckdb.DuckDBPyConnection) -> None:
    with pytest.raises(UserError) as caught:
        undo_load(con, "b0099")
    assert (
        str(caught.value)
        == """there is no load 'b0099'
  where: loopwear load --undo
  to do: the loads on record are b0001"""
    )
