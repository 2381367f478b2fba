"""The raw tables: made from the dictionary, appended to, never changed."""

import duckdb

from shared import dictionary
from shared.store import comment_on, has_table

BOOKS = {
    "loads": (
        "a load",
        """
        load_id VARCHAR, loaded_at TIMESTAMPTZ, mapping VARCHAR, files BIGINT, rows_read BIGINT, rows_loaded BIGINT
    """,
    ),
    "files": (
        "a file of a load",
        """
        load_id VARCHAR, file_no BIGINT, "table" VARCHAR, file VARCHAR, bytes BIGINT, digest VARCHAR, read BIGINT,
        new BIGINT, revised BIGINT, unchanged BIGINT, superseded BIGINT, quarantined BIGINT, warned BIGINT,
        filtered BIGINT, emptied BIGINT
    """,
    ),
    "findings": (
        "a rule that a row failed",
        """
        load_id VARCHAR, "table" VARCHAR, file VARCHAR, row_number BIGINT, rule VARCHAR, severity VARCHAR,
        "column" VARCHAR, "value" VARCHAR, message VARCHAR
    """,
    ),
    "file_results": (
        "one thing measured of a file by a rule of whole files",
        """
        load_id VARCHAR, "table" VARCHAR, file VARCHAR, rule VARCHAR, severity VARCHAR, "column" VARCHAR, year BIGINT,
        rows_measured BIGINT, measured DOUBLE, allowed DOUBLE, message VARCHAR
    """,
    ),
    "quarantined_rows": (
        "a row kept out, as received",
        """
        load_id VARCHAR, "table" VARCHAR, file VARCHAR, row_number BIGINT, row_hash VARCHAR, key VARCHAR,
        headers VARCHAR, cells VARCHAR, released_by VARCHAR, read_as VARCHAR
    """,
    ),
    "commitments": (
        "a programme committed, with the method by which its work will be judged",
        """
        load_id VARCHAR, commitment_id VARCHAR, committed_on DATE, known_on DATE, reason VARCHAR, method VARCHAR
    """,
    ),
    "commitment_sections": (
        "a section committed, or of the cohort it will be compared with, as it was expected to fail on that day",
        """
        load_id VARCHAR, commitment_id VARCHAR, decision_id VARCHAR, role VARCHAR, section_id VARCHAR, loop_id VARCHAR,
        district_id VARCHAR, cable_class VARCHAR, compared_in VARCHAR, action VARCHAR, due_from DATE, due_to DATE,
        length_km DOUBLE, cost DOUBLE, without DOUBLE[], planned DOUBLE[], own_variance DOUBLE, loop_variance DOUBLE,
        level_error DOUBLE
    """,
    ),
}
"""Intake's own books in the raw layer: what one row is, and the columns."""


def ensure_raw_tables(con: duckdb.DuckDBPyConnection) -> None:
    """Make the raw tables and intake's books where they are missing.

    Checked by: tests/unit/test_intake_revisions.py
    """
    provenance = ", ".join(f'"{c}" {dictionary.columns()[c].duckdb_type}' for c in dictionary.PROVENANCE)
    for stem, table in dictionary.load_tables().items():
        if not has_table(con, f"raw.{stem}"):
            listed = ", ".join(f'"{c}" {dictionary.columns()[c].duckdb_type}' for c in table.columns)
            con.execute(f"create table raw.{stem} ({listed}, {provenance})")
            comment_on(con, f"raw.{stem}")
    for stem, (grain, columns) in BOOKS.items():
        if not has_table(con, f"raw.{stem}"):
            con.execute(f"create table raw.{stem} ({columns})")
            con.execute(f"comment on table raw.{stem} is 'one row is {grain}'")
