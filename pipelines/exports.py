"""Writes the export tables: one CSV and one Parquet a table, in the order of their key."""

from __future__ import annotations

from pathlib import Path

import duckdb

from shared import dictionary
from shared.store import has_table

# A spreadsheet runs a text that begins so as a formula; a leading apostrophe keeps it a text. A plain number stays.
FORMULA = r"^[=+\-@\t\r]"
NUMBER = r"^[+-]?[0-9.]+([eE][+-]?[0-9]+)?$"


def _csv_value(column: dictionary.Column) -> str:
    name = f'"{column.name}"'
    if column.type == "text":
        return (
            f"case when regexp_matches({name}, '{FORMULA}') and not regexp_matches({name}, '{NUMBER}') "
            f"then '''' || {name} else {name} end as {name}"
        )
    if column.type == "instant":
        return f"strftime({name} at time zone 'UTC', '%Y-%m-%dT%H:%M:%SZ') as {name}"
    return name


def write_exports(con: duckdb.DuckDBPyConnection, folder: Path) -> dict[str, int]:
    """Write every export table of the dictionary that is built.

    Each file is written beside its place and then moved there, so that a reader never meets half a file.

    Returns
    -------
    dict
        Rows by table.
    """
    folder.mkdir(parents=True, exist_ok=True)
    rows: dict[str, int] = {}
    for stem, table in dictionary.export_tables().items():
        if not has_table(con, table.name):
            continue
        key = ", ".join(f'"{c}"' for c in table.key)
        facts = [dictionary.columns()[c] for c in table.columns]
        as_text = ", ".join(_csv_value(c) for c in facts)
        as_is = ", ".join(f'"{c.name}"' for c in facts)
        for suffix, listed, options in (
            ("csv", as_text, "format csv, header"),
            ("parquet", as_is, "format parquet, compression zstd"),
        ):
            unfinished = folder / f".{stem}.{suffix}.new"
            place = str(unfinished).replace("'", "''")
            con.execute(f"copy (select {listed} from {table.name} order by {key}) to '{place}' ({options})")
            unfinished.replace(folder / f"{stem}.{suffix}")
        counted = con.execute(f"select count(*) from {table.name}").fetchone()
        rows[stem] = counted[0] if counted else 0
    return rows
