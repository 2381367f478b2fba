"""A warehouse of an older version is brought forward with a copy kept, one of a newer version is left alone."""

from __future__ import annotations

from pathlib import Path

import duckdb
import pandas as pd
import pytest

from pipelines.intake.load import load_paths
from pipelines.intake.raw import ensure_raw_tables
from pipelines.intake.undo import undo_load
from pipelines.refresh import refresh
from shared import dictionary, migrations
from shared.errors import UserError
from shared.settings import Settings
from shared.store import Workspace, has_table, open_warehouse

VERSION_1 = Path(__file__).parents[1] / "cases" / "warehouse_v1.sql"
NEWEST = max(migrations.read_steps())
FILES = {
    "districts": "district_id,name,timezone,recorded_from\nD1,North,America/Chicago,2010-01-01\n",
    "loops": "loop_id,district_id\nA1,D1\nB1,D1\n",
    "sections": "section_id,loop_id,position,length_m,insulation,installed_on\n"
    "A1-1,A1,1,120,XLPE,1980-05-01\nA1-2,A1,2,90,XLPE,1980-05-01\nB1-1,B1,1,200,EPR,\n",
    "jobs": "job_id,loop_id,section_id,reported_at,restored_at,status,failed_component,cause\n"
    "J1,A1,A1-1,2015-06-01 10:00,2015-06-01 14:00,closed,cable,unknown\n"
    "J2,A1,A1-1,2018-06-01 10:00,2018-06-01 14:00,closed,cable,unknown\n"
    "J3,A1,,2019-06-01 10:00,2019-06-01 14:00,closed,cable,unknown\n"
    "J4,B1,B1-1,2020-06-01 10:00,2020-06-01 14:00,closed,splice,unknown\n"
    "J5,A1,A1-2,2021-06-01 10:00,2021-06-01 14:00,closed,cable,squirrel\n"
    "J6,nowhere,,2021-07-01 10:00,2021-07-01 14:00,closed,cable,unknown\n",
    "corrections": "job_id,column,slip,value_now,value_proposed,decision,grounds\n"
    "J4,failed_component,,splice,cable,apply,dug up\n",
}


@pytest.fixture
def old(tmp_path: Path) -> Workspace:
    """A workspace with a warehouse of version 1."""
    space = Workspace(tmp_path / "workspace")
    space.make()
    with duckdb.connect(str(space.warehouse)) as con:
        con.execute("set TimeZone = 'UTC'")
        for layer in ("raw", "settings", "staging", "core", "fitted", "marts"):
            con.execute(f"create schema {layer}")
        con.execute(VERSION_1.read_text(encoding="utf-8"))
    return space


def read_all(con: duckdb.DuckDBPyConnection, columns_of: dict[str, str]) -> dict[str, pd.DataFrame]:
    """Every raw table by its name of today, with its columns under their names of today."""
    stems = [s for (s,) in con.execute("select table_name from duckdb_tables() where schema_name = 'raw'").fetchall()]
    return {
        columns_of.get(s, s): con.execute(f"from raw.{s} order by all").df().rename(columns=columns_of) for s in stems
    }


def test_the_oldest_warehouse_is_brought_forward_and_loses_nothing(old: Workspace, capsys) -> None:
    renamed = {"batch_id": "load_id", "batches": "loads", "batch_results": "file_results"}
    with duckdb.connect(str(old.warehouse), read_only=True) as con:
        con.execute("set TimeZone = 'UTC'")
        before = read_all(con, renamed)
    bytes_before = old.warehouse.read_bytes()
    assert migrations.find_version(duckdb.connect(str(old.warehouse), read_only=True)) == 1

    with open_warehouse(old) as con:
        after = read_all(con, {})
        left = con.execute(
            "select schema_name || '.' || table_name from duckdb_tables() "
            "where schema_name in ('staging', 'core', 'fitted', 'marts')"
        ).fetchall()
        version = con.execute("from settings.schema_version").fetchall()
    kept = old.folder / f"warehouse.duckdb.before-{NEWEST}"
    assert kept.read_bytes() == bytes_before
    assert version == [(NEWEST,)]
    assert (
        after.keys() - before.keys() == {"section_successors", "decisions", "commitments", "commitment_sections"}
        and not before.keys() - after.keys()
    )
    for stem, rows in before.items():
        pd.testing.assert_frame_equal(after[stem][list(rows)], rows)
        assert after[stem].drop(columns=list(rows)).isna().all(axis=None), stem  # what came later is empty
    assert len(before["jobs"]) == 6 and len(before["ranking_runs"]) == 1 and len(before["quarantined_rows"]) == 1
    assert ("staging.jobs",) not in left  # it had a column batch_id
    assert {name for (name,) in left} <= set(dictionary.tables())
    assert capsys.readouterr().err == (
        f"the warehouse was brought from schema version 1 to {NEWEST}; as it was: {kept}\n"
        "figures and reports follow with: loopwear refresh\n"
    )
    open_warehouse(old).close()
    assert capsys.readouterr().err == ""  # once is enough


def test_a_warehouse_brought_forward_has_the_raw_tables_of_a_new_one(old: Workspace, tmp_path: Path) -> None:
    """Whoever changes a raw table, or adds a column to one, finds here that it takes a migration."""
    query = (
        "select table_name, column_name, data_type from duckdb_columns() "
        "where schema_name = 'raw' and table_name not like 'ranking%' and table_name not like 'run%' order by all"
    )
    with open_warehouse(old) as con, open_warehouse(Workspace(tmp_path / "new")) as new:
        ensure_raw_tables(new)
        columns = con.execute(query).fetchall()
        assert columns == new.execute(query).fetchall()
    assert ("jobs", "load_id", "VARCHAR") in columns


def test_a_warehouse_brought_forward_loads_undoes_and_refreshes_as_any_other(old: Workspace, tmp_path: Path) -> None:
    for name, text in FILES.items():
        (tmp_path / f"{name}.csv").write_text(text, encoding="utf-8")
    paths = [tmp_path / f"{name}.csv" for name in FILES]
    with open_warehouse(old) as con:
        again = load_paths(con, paths, Settings()).to_frame().set_index("table")
        assert again["unchanged"].to_dict() == {"districts": 1, "loops": 2, "sections": 3, "jobs": 5, "corrections": 1}
        assert again[["new", "revised", "superseded"]].to_numpy().sum() == 0
        assert con.execute("select count(*) from raw.quarantined_rows").fetchone() == (1,)
        assert undo_load(con, "b0003") == {"raw.loads": 1, "raw.files": 5}
        assert undo_load(con, "b0002")["raw.jobs"] == 1  # the corrected row
        corrected = load_paths(con, paths[-1:], Settings()).to_frame()
        assert list(corrected["new"]) == [1]
    refresh(old, Settings())
    with open_warehouse(old, read_only=True) as con:
        assert con.execute("select count(*), max(load_id) from staging.jobs").fetchone() == (5, "b0002")
        assert con.execute("select distinct batch from marts.quarantine").fetchall() == [("b0001",)]
        assert con.execute("select count(*) from raw.ranking_loops where run_number = 3").fetchone() == (2,)


def test_an_older_warehouse_is_not_read_but_the_command_that_helps_is_named(old: Workspace) -> None:
    with pytest.raises(UserError) as caught:
        open_warehouse(old, read_only=True)
    assert str(caught.value) == (
        f"an older loopwear wrote the warehouse: its schema version is 1, this one reads {NEWEST}\n"
        f"  where: {old.warehouse}\n"
        "  to do: run: loopwear refresh (it brings the warehouse forward and keeps a copy, "
        f"warehouse.duckdb.before-{NEWEST})"
    )


@pytest.mark.parametrize("read_only", [True, False])
def test_a_newer_warehouse_is_left_as_it_is(tmp_path: Path, read_only: bool) -> None:
    space = Workspace(tmp_path)
    with open_warehouse(space) as con:
        con.execute("update settings.schema_version set version = version + 1")
    before = space.warehouse.read_bytes()
    with pytest.raises(UserError) as caught:
        open_warehouse(space, read_only=read_only)
    assert str(caught.value) == (
        f"a newer loopwear wrote the warehouse: its schema version is {NEWEST + 1}, this one knows {NEWEST}\n"
        f"  where: {space.warehouse}\n"
        f"  to do: use the newer loopwear; or put the copy that it made first, warehouse.duckdb.before-{NEWEST + 1}, "
        "in the place of the warehouse, and load again what was loaded since"
    )
    assert space.warehouse.read_bytes() == before


def test_a_migration_that_fails_changes_nothing(old: Workspace, monkeypatch) -> None:
    steps = {2: migrations.read_steps()[2], 3: "drop table raw.loads; select no_such_column from raw.jobs"}
    monkeypatch.setattr(migrations, "read_steps", lambda: steps)
    with pytest.raises(duckdb.BinderException):
        open_warehouse(old)
    with duckdb.connect(str(old.warehouse), read_only=True) as con:
        assert migrations.find_version(con) == 1
        assert has_table(con, "raw.batches") and not has_table(con, "raw.loads")
    assert (old.folder / "warehouse.duckdb.before-3").exists()


def test_a_copy_that_finds_no_room_leaves_the_warehouse_alone(old: Workspace, monkeypatch) -> None:
    def fill_up(_source: Path, target: Path) -> None:
        Path(target).write_bytes(b"half")
        raise OSError(28, "No space left on device")

    before = old.warehouse.read_bytes()
    monkeypatch.setattr("shared.store.shutil.copyfile", fill_up)
    with pytest.raises(OSError, match="No space left"):
        open_warehouse(old)
    assert old.warehouse.read_bytes() == before
    assert sorted(p.name for p in old.folder.glob("warehouse*")) == ["warehouse.duckdb"]


def test_migrations_are_numbered_without_a_gap() -> None:
    assert list(migrations.read_steps()) == list(range(2, NEWEST + 1))
