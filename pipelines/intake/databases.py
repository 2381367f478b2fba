"""Reads a query of a database into a file of texts, as it stands at one moment, and writes nothing there."""

import re
import sqlite3
from collections.abc import Generator, Sequence
from contextlib import closing
from pathlib import Path
from typing import Any

import duckdb

from pipelines.intake.mapping import Database
from pipelines.intake.text import clean_header, write_cells
from shared.errors import UserError

ROWS_AT_ONCE = 10_000
SECONDS_TO_CONNECT = 15
PASSWORDS = "the password is read from PGPASSWORD, the file .pgpass or a service file"

Rows = Generator[Sequence[Any], None, None]


def is_sqlite(path: Path) -> bool:
    """Whether a file is a database of SQLite."""
    with path.open("rb") as handle:
        return handle.read(16) == b"SQLite format 3\x00"


def table_names(address: str, file: Path | None) -> list[str]:
    """Names of the tables and views of a database that may be read, as a mapping says them.

    Checked by: tests/unit/test_intake_draft.py (through draft_mapping),
    tests/unit/test_intake_databases.py (through draft_mapping)
    """
    query = "select name from sqlite_master where type in ('table', 'view') and name not like 'sqlite_%' order by name"
    if file is None:
        query = """
            select format('%I.%I', table_schema, table_name) from information_schema.tables
            where table_schema not in ('pg_catalog', 'information_schema')
                and has_table_privilege(format('%I.%I', table_schema, table_name), 'select')
            order by 1
        """
    with closing((_read_sqlite if file else _read_postgres)(Database(address, query, file=file))) as rows:
        next(rows)
        names = [str(name) for (name,) in rows]
    return [n if re.fullmatch(r"\w+", n) else _identifier(n) for n in names] if file else names


def export_query(database: Database, folder: Path) -> Path:
    """Write the rows of a query to a Parquet file of texts, to be read as any other file.

    Parameters
    ----------
    database
        The address, and the query or the table.
    folder
        Where to write; the file's name is ours.

    Raises
    ------
    UserError
        The database cannot be reached, or refuses the query.

    Notes
    -----
    Rows come in portions through a cursor of the server, in a transaction that may only read.

    Checked by: tests/unit/test_intake_databases.py (through load_paths)
    """
    place = folder / str(sum(1 for _ in folder.iterdir()))
    place.mkdir()
    target = place / "query.parquet"
    read = _read_sqlite if database.file else _read_postgres
    with closing(read(database)) as found, duckdb.connect() as scratch:
        headers = [clean_header(str(h)) for h in next(found)]
        if len({h.casefold() for h in headers}) < len(headers):
            what = "the query gives one name to several columns: " + ", ".join(headers)
            raise UserError(what, database.label, 'name each: select a.id as "job", b.id as "loop"')
        rows = ((number, [_text(v) for v in row], None) for number, row in enumerate(found, start=2))
        write_cells(scratch, "query", len(headers), rows)
        named = ", ".join(f"c{i} as {_identifier(h)}" for i, h in enumerate(headers, start=1))
        scratch.execute(f"copy (select {named} from query_cells order by row_number) to '{target}' (format parquet)")
    return target


def _identifier(name: str) -> str:
    return '"' + name.replace('"', '""') + '"'


def _query(database: Database) -> str:
    if database.query is not None:
        return database.query
    names = re.findall(r'"(?:[^"]|"")*"|[^."]+', database.relation or "")
    return "select * from " + ".".join(n if n.startswith('"') else _identifier(n) for n in names)


def _text(value: Any) -> str:
    if value is None:
        return ""
    if isinstance(value, float):
        return str(int(value)) if value.is_integer() and abs(value) < 1e15 else repr(value)
    return value.hex() if isinstance(value, bytes) else str(value)


def _read_sqlite(database: Database) -> Rows:
    """Headers, then rows."""
    file = database.file
    if file is None or not file.is_file():
        raise UserError(
            "there is no such database file", database.label, "give its path from the folder of the mapping"
        )
    try:
        with closing(sqlite3.connect(f"{file.resolve().as_uri()}?mode=ro", uri=True)) as con:
            con.execute("pragma query_only = on")
            con.execute("begin")
            cursor = con.execute(_query(database))
            if cursor.description is None:
                raise UserError("the query gives no rows", database.label, "write one select")
            yield [column[0] for column in cursor.description]
            while portion := cursor.fetchmany(ROWS_AT_ONCE):
                yield from portion
    except (sqlite3.Error, sqlite3.Warning) as fault:
        raise UserError(f"the database cannot be read: {fault}", database.label, "correct from or query") from None


def _read_postgres(database: Database) -> Rows:
    """Headers, then rows, every value as the text that the server writes for it."""
    import psycopg
    from psycopg.types.string import TextLoader

    try:
        con = psycopg.connect(
            database.address, connect_timeout=SECONDS_TO_CONNECT, application_name="loopwear", client_encoding="utf8"
        )
    except psycopg.Error as fault:
        what = f"the database cannot be reached: {_first_line(fault)}"
        raise UserError(what, database.label, f"check the address and the rights; {PASSWORDS}") from None
    with con:
        try:
            con.read_only, con.isolation_level = True, psycopg.IsolationLevel.REPEATABLE_READ
            con.execute("set local timezone = 'UTC'")
            con.execute("set local datestyle = 'ISO'")
            for known in con.adapters.types:
                for oid in (known.oid, known.array_oid):
                    if oid:
                        con.adapters.register_loader(oid, TextLoader)
            with con.cursor(name="loopwear") as cursor:
                cursor.itersize = ROWS_AT_ONCE
                cursor.execute(_query(database))
                yield [column.name for column in cursor.description or ()]
                yield from cursor
        except UnicodeDecodeError as fault:
            raise UserError(f"a text is no UTF-8: {fault}", database.label, "leave it out of the query") from None
        except psycopg.Error as fault:
            what = f"the database refuses the query: {_first_line(fault)}"
            raise UserError(what, database.label, "correct from or query; only a select is run") from None


def _first_line(fault: Exception) -> str:
    return (str(fault).splitlines() or [type(fault).__name__])[0]
