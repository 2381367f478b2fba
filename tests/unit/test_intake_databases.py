"""Tables of databases: read as they stand and never written to, and no password is shown or kept."""

from __future__ import annotations

import contextlib
import os
import shutil
import signal
import socket
import sqlite3
import subprocess
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

import duckdb
import psycopg
import pytest

from pipelines.intake.draft import draft_mapping
from pipelines.intake.load import LoadReport, load_paths
from pipelines.load import load as load_workspace
from shared.errors import UserError
from shared.settings import Settings
from shared.store import Workspace, open_warehouse
from tests.cases.small_utility import TABLES, write_csv

PASSWORD = "hush-7731"
COLUMNS = """
[table.columns]
job_id = "job"
status = { value = "closed" }
loop_id = "loop"
reported_at = "opened"
restored_at = "closed"
dug_distance_m = "dug"
major_event = "is_storm"
notes = "notes"
"""


@pytest.fixture
def con(tmp_path: Path) -> duckdb.DuckDBPyConnection:
    con = open_warehouse(Workspace(tmp_path / "workspace"))
    load_paths(con, [write_csv(tmp_path / f"{t}.csv", TABLES[t]) for t in ("districts", "loops")], Settings())
    return con


def load(con: duckdb.DuckDBPyConnection, tmp_path: Path, block: str, *paths: Path) -> LoadReport:
    mapping = tmp_path / "some.toml"
    mapping.write_text(f'[[table]]\nto = "jobs"\n{block}\n{COLUMNS}')
    return load_paths(con, paths, Settings(), mapping)


def jobs_of(con: duckdb.DuckDBPyConnection) -> list[tuple[object, ...]]:
    return con.execute("""
        select job_id, reported_at::varchar, dug_distance_m, major_event, notes, row_number from raw.jobs order by 1
    """).fetchall()


# ------------------------------------------------------------------ SQLite


@pytest.fixture
def sqlite_file(tmp_path: Path) -> Path:
    path = tmp_path / "out?ages.db"
    with contextlib.closing(sqlite3.connect(path)) as db, db:
        db.execute('create table "out ages" (job, loop, opened, closed, dug, is_storm, notes)')
        db.executemany(
            'insert into "out ages" values (?, ?, ?, ?, ?, ?, ?)',
            [
                (7, "L1", "2018-01-10 10:00", "2018-01-10 12:15", 40.0, 1, 'two\nlines, "quoted"'),
                ("J8", "L2", "2018-02-10 10:00", "2018-02-10 12:15", None, 0, ""),
            ],
        )
    return path


EXPECTED = [
    ("7", "2018-01-10 16:00:00+00", 40.0, True, 'two\nlines, "quoted"', 2),
    ("J8", "2018-02-10 16:00:00+00", None, False, None, 3),
]


@pytest.mark.parametrize(
    "asked", ['from = "out ages"', "from = 'main.\"out ages\"'", "query = 'select * from \"out ages\" where 1 = 1'"]
)
def test_a_table_of_sqlite_is_read_from_where_the_mapping_stands(
    con: duckdb.DuckDBPyConnection, tmp_path: Path, sqlite_file: Path, asked: str
) -> None:
    before = sqlite_file.read_bytes()
    (count,) = load(con, tmp_path, f'database = "sqlite:out?ages.db"\n{asked}').files
    assert (count.read, count.new, count.file.startswith("sqlite:out?ages.db, ")) == (2, 2, True)
    assert jobs_of(con) == EXPECTED
    assert sqlite_file.read_bytes() == before
    assert load(con, tmp_path, f'database = "sqlite:out?ages.db"\n{asked}').files[0].unchanged == 2


@pytest.mark.parametrize(
    "block, message",
    [
        (
            'database = "sqlite:none.db"\nfrom = "x"',
            (
                "there is no such database file\n  where: sqlite:none.db, x\n"
                "  to do: give its path from the folder of the mapping"
            ),
        ),
        (
            'database = "sqlite:out?ages.db"\nfrom = "x"',
            (
                "the database cannot be read: no such table: x\n  where: sqlite:out?ages.db, x\n"
                "  to do: correct from or query"
            ),
        ),
        (
            'database = "sqlite:out?ages.db"\nquery = \'delete from "out ages"\'',
            (
                "the database cannot be read: attempt to write a readonly database\n"
                "  where: sqlite:out?ages.db, its query\n  to do: correct from or query"
            ),
        ),
        (
            'database = "sqlite:out?ages.db"\nquery = \'select job, loop as job from "out ages"\'',
            (
                "the query gives one name to several columns: job, job\n  where: sqlite:out?ages.db, its query\n"
                '  to do: name each: select a.id as "job", b.id as "loop"'
            ),
        ),
        (
            'files = "none*"',
            (
                "no file is named, and the mapping reads no database\n  where: loopwear load\n"
                "  to do: name at least one file or folder"
            ),
        ),
    ],
)
def test_a_database_that_cannot_be_read_is_named(
    con: duckdb.DuckDBPyConnection, tmp_path: Path, sqlite_file: Path, block: str, message: str
) -> None:
    before = sqlite_file.read_bytes()
    with pytest.raises(UserError) as caught:
        load(con, tmp_path, block)
    assert str(caught.value) == message
    assert sqlite_file.read_bytes() == before


def test_a_file_and_a_database_are_joined_either_way_round(
    con: duckdb.DuckDBPyConnection, tmp_path: Path, sqlite_file: Path
) -> None:
    del sqlite_file
    taped = tmp_path / "taped.csv"
    taped.write_text("id,m\n7,41\nJ8,42\n")
    block = """database = "sqlite:out?ages.db"
from = "out ages"
[[table.join]]
files = "taped*"
on = { job = "id" }
[table.derived]
dug = "coalesce([dug], [m])"
"""
    load(con, tmp_path, block, taped)
    assert [(job, dug) for job, _, dug, *_ in jobs_of(con)] == [("7", 40.0), ("J8", 42.0)]
    block = """files = "taped*"
[[table.join]]
database = "sqlite:out?ages.db"
from = "out ages"
on = { id = "job" }
[table.derived]
job = "[id]"
dug = "[m] + 1"
"""
    (count,) = load(con, tmp_path, block, taped).files
    assert (count.read, count.revised) == (2, 2)


# ------------------------------------------------------------------ PostgreSQL


def find_program(name: str) -> str | None:
    places = sorted(Path("/usr/lib/postgresql").glob(f"*/bin/{name}"), reverse=True)
    return shutil.which(name) or (str(places[0]) if places else None)


@pytest.fixture(scope="module")
def server() -> Iterator[str]:
    """Address of a server of our own with a table of jobs; its owner is reader, its password PASSWORD."""
    initdb, postgres = find_program("initdb"), find_program("postgres")
    if initdb is None or postgres is None:
        if os.environ.get("LOOPWEAR_REQUIRE_POSTGRES") == "1":
            pytest.fail("PostgreSQL is required and not installed")
        pytest.skip("PostgreSQL is not installed")
    folder = Path(tempfile.mkdtemp(prefix="pg", dir="/tmp"))
    as_user: list[str] = []
    if os.getuid() == 0:  # the server refuses to run as root
        as_user = ["setpriv", "--reuid=nobody", "--regid=nogroup", "--clear-groups"]
        shutil.chown(folder, "nobody", "nogroup")
    secret = folder / "secret"
    secret.write_text(PASSWORD)
    secret.chmod(0o644)
    data = folder / "data"
    made = [*as_user, initdb, "-D", str(data), "-U", "reader", "--auth=scram-sha-256", f"--pwfile={secret}"]
    subprocess.run([*made, "--no-sync", "-E", "UTF8", "--locale=C"], check=True, capture_output=True, cwd="/")
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    options = ["-c", "listen_addresses=127.0.0.1", "-c", "fsync=off", "-c", "timezone=America/Denver"]
    run = [*as_user, postgres, "-D", str(data), "-p", str(port), "-k", str(folder), *options]
    log = (folder / "log").open("w")
    process = subprocess.Popen(run, stdout=log, stderr=log, cwd="/")
    address = f"postgresql://reader@127.0.0.1:{port}/postgres"
    try:
        _fill(address)
        yield address
    finally:
        process.send_signal(signal.SIGINT)
        process.wait(30)
        log.close()
        shutil.rmtree(folder, ignore_errors=True)


def _fill(address: str) -> None:
    until = time.monotonic() + 30
    while True:
        try:
            db = psycopg.connect(address, password=PASSWORD)
            break
        except psycopg.OperationalError:
            if time.monotonic() > until:
                raise
            time.sleep(0.1)
    with db:
        db.execute("create schema out")
        db.execute("""
            create table out.jobs (job text, loop varchar(10), opened timestamptz, closed timestamp,
                dug numeric(8, 2), is_storm boolean, notes text)
        """)
        db.execute("""
            insert into out.jobs values
                ('7', 'L1', '2018-01-10 16:00+00', '2018-01-10 12:15', 40.00, true, E'two\\nlines, "quoted"'),
                ('J8', 'L2', '2018-02-10 09:00-07', '2018-02-10 12:15', null, false, null)
        """)
        db.execute("""
            create table out.many as select 'M' || n as job, 'L1' as loop,
                timestamp '2010-01-01' + n * interval '1 minute' as opened,
                timestamp '2010-01-01' + n * interval '1 minute' + interval '90 minutes' as closed,
                n / 100.0 as dug, false as is_storm, null as notes
            from generate_series(1, 25000) as s(n)
        """)
        db.execute("create sequence out.counter")


def test_a_table_of_postgresql_is_read_with_its_instants_whole(
    con: duckdb.DuckDBPyConnection, tmp_path: Path, server: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("PGPASSWORD", PASSWORD)
    (count,) = load(con, tmp_path, f'database = "{server}"\nfrom = "out.jobs"').files
    assert (count.file, count.read, count.new) == (f"{server}, out.jobs", 2, 2)
    assert jobs_of(con) == EXPECTED
    closed = con.execute("select restored_at::varchar from raw.jobs order by job_id limit 1").fetchone()
    assert closed == ("2018-01-10 18:15:00+00",)  # no zone in the database: the district's own


def test_the_tables_of_postgresql_are_drafted_and_the_draft_loads_them(
    con: duckdb.DuckDBPyConnection, tmp_path: Path, server: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("PGPASSWORD", PASSWORD)
    monkeypatch.setattr("pipelines.intake.draft_parts.FIRST_ROWS", 500)
    text = draft_mapping([], con, Settings(), [server])
    assert f'# Drafted from {server}, "out".jobs, {server}, "out".many.' in text and PASSWORD not in text
    mapping = tmp_path / "drafted.toml"
    mapping.write_text(text.replace('# reported_at = "???"', 'reported_at = "opened"'))
    report = load_paths(con, [], Settings(), mapping)
    assert [(f.file, f.read, f.new) for f in report.files] == [
        (f'{server}, "out".jobs', 2, 2),
        (f'{server}, "out".many', 25_000, 25_000),
    ]
    with pytest.raises(UserError, match="the database's address holds a password") as caught:
        draft_mapping([], con, Settings(), [server.replace("reader@", f"reader:{PASSWORD}@")])
    assert PASSWORD not in str(caught.value)


def test_rows_come_in_portions_and_none_is_lost(
    con: duckdb.DuckDBPyConnection, tmp_path: Path, server: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("PGPASSWORD", PASSWORD)
    query = "select * from out.many where job like 'M%' order by dug"
    (count,) = load(con, tmp_path, f'database = "{server}"\nquery = "{query}"').files
    assert (count.read, count.new) == (25_000, 25_000)
    found = con.execute("select sum(dug_distance_m), count(distinct job_id), max(row_number) from raw.jobs").fetchone()
    assert found == (pytest.approx(25_000 * 25_001 / 2 / 100, rel=1e-12), 25_000, 25_001)


@pytest.mark.parametrize(
    "query, reason",
    [
        ("select nextval('out.counter')", "cannot execute nextval() in a read-only transaction"),
        ("delete from out.jobs returning *", 'syntax error at or near "delete"'),
        ("select * from out.none", 'relation "out.none" does not exist'),
    ],
)
def test_nothing_is_written_to_a_database(
    con: duckdb.DuckDBPyConnection,
    tmp_path: Path,
    server: str,
    monkeypatch: pytest.MonkeyPatch,
    query: str,
    reason: str,
) -> None:
    monkeypatch.setenv("PGPASSWORD", PASSWORD)
    with pytest.raises(UserError) as caught:
        load(con, tmp_path, f'database = "{server}"\nquery = "{query}"')
    assert str(caught.value) == (
        f"the database refuses the query: {reason}\n  where: {server}, its query\n"
        "  to do: correct from or query; only a select is run"
    )


def test_the_password_is_read_from_its_file_and_stands_nowhere(
    tmp_path: Path, server: str, monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.delenv("PGPASSWORD", raising=False)
    secret = tmp_path / "passes"
    secret.write_text(f"127.0.0.1:*:*:*:{PASSWORD}\n")
    secret.chmod(0o600)
    space = Workspace(tmp_path / "space")
    mapping = tmp_path / "some.toml"
    mapping.write_text(f'[[table]]\nto = "jobs"\ndatabase = "{server}"\nfrom = "out.jobs"\n{COLUMNS}')
    monkeypatch.setenv("PGPASSFILE", str(tmp_path / "none"))
    with pytest.raises(UserError) as caught:
        load_workspace(space, [], Settings(), mapping)
    assert caught.value.what.startswith("the database cannot be reached: ")
    assert caught.value.remedy == (
        "check the address and the rights; the password is read from PGPASSWORD, the file .pgpass or a service file"
    )
    monkeypatch.setenv("PGPASSWORD", PASSWORD + "-wrong")
    with pytest.raises(UserError) as caught:
        load_workspace(space, [], Settings(), mapping)
    assert "password authentication failed" in str(caught.value) and PASSWORD not in str(caught.value)
    monkeypatch.delenv("PGPASSWORD")
    monkeypatch.setenv("PGPASSFILE", str(secret))
    (count,) = load_workspace(space, [], Settings(), mapping).files
    assert count.read == 2
    kept = [path for path in space.folder.rglob("*") if path.is_file()]
    assert kept and not [path for path in kept if PASSWORD.encode() in path.read_bytes()]
    assert PASSWORD not in "".join(capfd.readouterr())
