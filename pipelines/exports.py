"""Writes the export tables: one CSV and one Parquet a table, in the order of their key."""

from pathlib import Path

import duckdb

from shared import dictionary
from shared.store import has_table, open_results, quoted

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


def write_exports(results: Path, folder: Path) -> dict[str, int]:
    """Write every export table of the dictionary that the results hold; Parquet files say of which run they are.

    Returns
    -------
    dict
        Rows by table.
    """
    rows: dict[str, int] = {}
    with open_results(results) as con:
        run, as_of, schema = con.execute("select run, as_of, schema_version from about").fetchall()[0]
        said = f"run: '{run}', as_of: '{as_of}', schema_version: '{schema}'"
        for stem, table in dictionary.export_tables().items():
            if has_table(con, table.name):
                rows[stem] = write_files(con, table, folder, said)
    return rows


def write_files(con: duckdb.DuckDBPyConnection, table: dictionary.Table, folder: Path, said: str) -> int:
    """One table as CSV and as Parquet with metadata, in the order of its key; returns its rows."""
    key = ", ".join(f'"{c}"' for c in table.key)
    facts = [dictionary.columns()[c] for c in table.columns]
    as_text = ", ".join(_csv_value(c) for c in facts)
    as_is = ", ".join(f'"{c.name}"' for c in facts)
    rows = 0
    for suffix, listed, options in (
        ("csv", as_text, "format csv, header"),
        ("parquet", as_is, f"format parquet, compression zstd, kv_metadata {{{said}}}"),
    ):
        place = quoted(folder / f"{table.stem}.{suffix}")
        rows_of = f"select {listed} from {table.name} order by {key}"
        rows = con.execute(f"copy ({rows_of}) to {place} ({options})").fetchall()[0][0]
    return rows
