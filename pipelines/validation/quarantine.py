"""Rows kept out, values taken out and rows flagged: listed with their reasons."""

from __future__ import annotations

from typing import TYPE_CHECKING

import duckdb

from pipelines.validation.file_rules import Severity
from pipelines.validation.rules import RULES
from pipelines.warehouse import models
from shared import dictionary
from shared.errors import UserError, suggest_name

QUARANTINE_ID = "quarantine_id"
"""Column of an exported file that tells which row a corrected one replaces."""
QUARANTINE_TABLE = "quarantine_table"
QUARANTINE_REASONS = "quarantine_reasons"
OWN_COLUMNS = (QUARANTINE_REASONS, QUARANTINE_TABLE, QUARANTINE_ID)
"""Columns that an export adds to those a row came with; loaded again, they are no part of the row."""

if TYPE_CHECKING:
    import pandas as pd


def list_findings(
    con: duckdb.DuckDBPyConnection,
    *,
    severity: str | None = None,
    rule: str | None = None,
    table: str | None = None,
    batch: str | None = None,
) -> pd.DataFrame:
    """Every finding that stands: of rows kept out first, then values taken out, then rows kept with a warning.

    Parameters
    ----------
    severity, rule, table, batch
        Only findings of these.

    Returns
    -------
    pandas.DataFrame
        batch, table, file, row_number, rule, severity, column, value, message; one row a finding.

    Raises
    ------
    UserError
        There is no such severity, rule, table or load.

    Notes
    -----
    Checked by: tests/unit/test_intake_quarantined.py
    """
    given = check_chosen(con, severity=severity, rule=rule, table=table, batch=batch)
    order = list(dictionary.codes()["severity"])
    wanted = " and ".join(f'"{name}" = ?' for name in given) or "true"
    return con.execute(
        f"""
        select * replace (nullif("column", '') as "column") from ({models()["marts.quarantine"].query})
        where {wanted}
        order by list_position(?, severity), batch, "table", file, row_number, rule, "column", "value"
        """,
        [*given.values(), order],
    ).df()


SAID_OF: dict[Severity, str] = {
    "reject": "rows kept out, in quarantine",
    "empty": "values taken out of rows that were kept",
    "warn": "rows kept with a warning",
}
"""What the findings of a severity are, in words."""


def check_chosen(con: duckdb.DuckDBPyConnection, **chosen: str | None) -> dict[str, str]:
    """What of severity, rule, table and batch is asked for, by name.

    Raises
    ------
    UserError
        There is no such severity, rule, table or load.
    """
    known = {
        "severity": list(dictionary.codes()["severity"]),
        "rule": [r.name for r in RULES],
        "table": list(dictionary.load_tables()),
        "batch": [load_id for (load_id,) in con.execute("select load_id from raw.loads order by 1").fetchall()],
    }
    given = {name: value for name, value in chosen.items() if value is not None}
    for name, value in given.items():
        if value not in known[name]:
            raise UserError(f"there is no {name} '{value}'", f"--{name}", suggest_name(value, known[name]))
    return given
