"""Rows kept out and flagged: listed with their reasons, and given back in the form they came."""

from __future__ import annotations

import csv
import json
from pathlib import Path, PurePosixPath
from typing import TYPE_CHECKING

import duckdb

from pipelines.warehouse import models
from shared.errors import UserError
from shared.store import has_table

QUARANTINE_ID = "quarantine_id"
"""Column of an exported file that tells which row a mended one replaces."""
ROWS_AT_ONCE = 1_000

if TYPE_CHECKING:
    import pandas as pd


def list_findings(con: duckdb.DuckDBPyConnection) -> pd.DataFrame:
    """Every finding that stands: of rows in quarantine, and of rows kept with a warning.

    Returns
    -------
    pandas.DataFrame
        batch, table, file, row_number, rule, severity, column, value, message; one row a finding.

    Notes
    -----
    Checked by: tests/unit/test_validation_quarantine.py
    """
    query = models()["marts.quarantine"].query
    return con.execute(f"""
        select * replace (nullif("column", '') as "column") from ({query}) order by all
    """).df()


def export_rows(con: duckdb.DuckDBPyConnection, path: Path) -> int:
    """Write the rows in quarantine to a CSV file as received, to be corrected and loaded again.

    Returns
    -------
    int
        Rows written.

    Raises
    ------
    UserError
        Rows of several tables or forms are in quarantine and ``path`` is one file; or it cannot be written.

    Notes
    -----
    The last column, quarantine_id, tells which row a mended one replaces; leave it as it is. Formulas come back as
    they came, since the file is meant to be loaded again.

    With rows of several tables or headers, ``path`` is a folder and each form gets its own file, named after the
    first file its rows came in, so that a mapping knows it again. Checked by: tests/unit/test_validation_quarantine.py
    """
    if not has_table(con, "raw.quarantined_rows"):
        return 0
    first_file = {
        (t, h): f
        for t, h, f in con.execute("""
        select "table", headers, arg_min(file, (load_id, file)) from raw.quarantined_rows where released_by is null
        group by all order by "table", headers
    """).fetchall()
    }
    forms, names = list(first_file), file_names(list(first_file.values()))
    if len(forms) > 1 and path.suffix:
        tables = ", ".join(sorted({t for t, _ in forms}))
        raise UserError(
            f"the rows in quarantine are of {len(forms)} forms ({tables})",
            str(path),
            "give a folder instead of a file: each form is written to a file of its own",
        )
    try:
        return sum(
            _write_form(con, path if path.suffix else path / name, *form)
            for form, name in zip(forms, names, strict=True)
        )
    except OSError as fault:
        raise UserError(f"the file cannot be written: {fault.strerror}", str(path), "choose another place") from None


def _write_form(con: duckdb.DuckDBPyConnection, target: Path, table: str, headers: str) -> int:
    """Write the rows of one table and form, a thousand at a time; returns how many."""
    rows = con.execute(
        """
        select cells, row_hash from raw.quarantined_rows
        where released_by is null and "table" = ? and headers = ? order by load_id, file, row_number
    """,
        [table, headers],
    )
    names, written = json.loads(headers), 0
    target.parent.mkdir(parents=True, exist_ok=True)
    with target.open("w", encoding="utf-8", newline="") as handle:
        writer = csv.writer(handle, lineterminator="\n")
        writer.writerow([*names, QUARANTINE_ID])
        while some := rows.fetchmany(ROWS_AT_ONCE):
            writer.writerows([*_in_width(json.loads(cells), len(names)), row_id] for cells, row_id in some)
            written += len(some)
    return written


def _in_width(cells: list[str], width: int) -> list[str]:
    """Cells of a row, filled up where it came short, so that its id stands under its heading."""
    return cells + [""] * (width - len(cells))


def file_names(files: list[str]) -> list[str]:
    """A name for each form: that of the file it came in, numbered where it is taken."""
    names: list[str] = []
    for file in files:
        stem, number = PurePosixPath(file.replace("\\", "/")).stem, 1
        name = f"{stem}.csv"
        while name in names:
            number += 1
            name = f"{stem}_{number}.csv"
        names.append(name)
    return names
