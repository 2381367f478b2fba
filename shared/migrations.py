"""Which schema version has a warehouse, and how is an older one brought forward? By numbered SQL files, in order.

``sql/migrations/NNN_name.sql`` leads from version NNN - 1 to NNN. A warehouse that bears no number is of version 1.
"""

import hashlib
from pathlib import Path

import duckdb

from shared import dictionary

FOLDER = Path(__file__).resolve().parents[1] / "sql" / "migrations"
REBUILT = ("staging", "core", "fitted", "marts")
"""Layers that a refresh makes anew from raw."""


def read_steps() -> dict[int, str]:
    """The SQL of each migration by the version it leads to."""
    return {int(p.name[:3]): p.read_text(encoding="utf-8") for p in sorted(FOLDER.glob("*.sql"))}


def name_schema() -> str:
    """Version of the raw tables, and a hash of the columns of all: results of another are not read.

    Checked by: tests/unit/test_reports_render.py (through Results)
    """
    columns = sorted((table.name, tuple(table.columns)) for table in dictionary.tables().values())
    return f"{max(read_steps())}-{hashlib.sha256(repr(columns).encode()).hexdigest()[:8]}"


def find_version(con: duckdb.DuckDBPyConnection) -> int:
    """Schema version of a warehouse; 0 where nothing was ever kept in it.

    Checked by: tests/end_to_end/test_warehouse_versions.py (through open_warehouse)
    """
    tables = set(con.execute("select schema_name, table_name from duckdb_tables() where not internal").fetchall())
    if ("settings", "schema_version") in tables:
        row = con.execute("select version from settings.schema_version").fetchone()
        return int(row[0]) if row else 0
    return int(any(schema == "raw" for schema, _ in tables))


def migrate(con: duckdb.DuckDBPyConnection) -> None:
    """Bring a warehouse to the newest version, in one transaction; a new one is only numbered.

    Notes
    -----
    Raw and settings are kept. Of the layers that a refresh rebuilds, tables of a name or with columns that the
    dictionary does not know are dropped, so that nothing reads what nobody writes any more.

    Checked by: tests/end_to_end/test_warehouse_versions.py (through open_warehouse)
    """
    steps = read_steps()
    newest = max(steps)
    found = find_version(con)
    con.execute("begin transaction")
    for number, step in steps.items():
        if number > (found or newest):
            con.execute(step)
    for name, columns in con.execute(
        "select schema_name || '.' || table_name, list(column_name order by column_index) from duckdb_columns() "
        "where not internal and list_contains(?, schema_name) group by 1",
        [REBUILT],
    ).fetchall():
        table = dictionary.tables().get(name)
        if table is None or columns != list(table.columns):
            con.execute(f"drop table {name}")
    con.execute(f"create or replace table settings.schema_version as select {newest} as version")
    con.execute("commit")
