"""What do the corrections do to the answers: those applied taken back, those proposed all applied?

Nothing is estimated: the records are altered in a database of its own beside the warehouse, staging and core are built
from them, and the velocities fitted, just as a refresh does. The warehouse itself is only read.
"""

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import duckdb
import pandas as pd

from pipelines import warehouse
from pipelines.intake.corrections import insert_corrected, insert_joined
from shared import dictionary
from shared.settings import Settings
from shared.store import LAYERS, quoted, read_model, write_settings, write_table

SCRATCH = "as_if"

Results = dict[tuple[str, str], float]


def run(con: duckdb.DuckDBPyConnection, settings: Settings) -> dict[str, int]:
    """Write marts.correction_effects.

    Returns
    -------
    dict
        Table written to its rows.

    Notes
    -----
    Checked by: tests/end_to_end/test_refresh_effects.py
    """
    # ---- read
    standing = _results(con, read_model(con, "marts.velocity_by_class"))
    proposals = warehouse.read_query(con, "validation/likeliest_slips")
    joins = con.execute("""
        select job_id, joined_with, 'proposed' as source_file, 0 as row_number from marts.job_clusters order by job_id
    """).df()
    applied = con.execute(f"select count(*) from raw.jobs where {DECIDED}").fetchone()

    # ---- compute
    found: dict[str, Results] = {"value_standing": standing}
    if not settings.validation.weigh_corrections:
        applied, proposals, joins = None, proposals.iloc[:0], joins.iloc[:0]
    if applied and applied[0]:
        found["value_without_applied"] = _as_if(con, settings, _take_back)
    if len(proposals):
        found["value_with_slips"] = _as_if(con, settings, lambda other: _apply(other, proposals))
    if len(joins):
        found["value_with_joins"] = _as_if(con, settings, lambda other: _join(other, joins))

    # ---- write
    return {"marts.correction_effects": write_table(con, "marts.correction_effects", _to_frame(found))}


DECIDED = """source_file in (select file from raw.files where "table" in ('corrections', 'job_clusters'))
and (load_id, source_file) not in (select (load_id, file) from raw.files where "table" = 'jobs')"""
"""SQL that tells a job's row made by a decision."""


def _to_frame(found: dict[str, Results]) -> pd.DataFrame:
    names = [c for c in dictionary.tables()["marts.correction_effects"].columns if c.startswith("value_")]
    keys = list(dict.fromkeys(key for results in found.values() for key in results))
    rows = [(*key, *(found.get(name, {}).get(key) for name in names)) for key in keys]
    frame = pd.DataFrame(rows, columns=["answer", "group_name", *names])
    return frame.astype(dict.fromkeys(names, float))


def _results(con: duckdb.DuckDBPyConnection, classes: pd.DataFrame) -> Results:
    """The results of the core tables a connection sees, and of fitted classes."""
    answers = warehouse.read_query(con, "validation/answers").iloc[0]
    values: dict[tuple[str, str], Any] = {(str(name), "all"): value for name, value in answers.items()}
    for row in classes.to_dict("records"):
        values["velocity_fitted_pct", str(row["cable_class"])] = row["velocity_fitted_pct"]
    return {key: float(value) for key, value in values.items() if value is not None and value == value}


def _as_if(
    con: duckdb.DuckDBPyConnection, settings: Settings, alter: Callable[[duckdb.DuckDBPyConnection], None]
) -> Results:
    """The results of the records as they would be, altered."""
    with _scratch(con) as other:
        write_settings(other, settings)
        alter(other)
        for layer in ("staging", "core"):
            warehouse.build_models(other, layer, commented=False)
        return _results(other, _fit_classes(other, settings))


@contextmanager
def _scratch(con: duckdb.DuckDBPyConnection) -> Iterator[duckdb.DuckDBPyConnection]:
    """A database with its own copy of the jobs, gone afterwards; every other source table is the warehouse's own.

    It is a file in the workspace's runs folder, so that large fleets need no more memory than the settings allow. A
    second connection of the same process, since one transaction writes to one database alone. It sees what was
    committed: the raw tables, which a refresh does not touch.
    """
    row = con.execute("select current_database()").fetchone()
    home = row[0] if row else "warehouse"
    other = con.cursor()
    place = _scratch_file(con)
    try:
        other.execute("set TimeZone = 'UTC'")
        other.execute(f"attach {quoted(place or ':memory:')} as {SCRATCH}")
        other.execute(f"use {SCRATCH}")
        for layer in LAYERS:
            other.execute(f"create schema if not exists {layer}")
        for stem in (*dictionary.load_tables(), "files"):
            kind = "table" if stem == "jobs" else "view"
            other.execute(f'create {kind} raw.{stem} as select * from "{home}".raw.{stem}')
        yield other
    finally:
        other.execute(f'use "{home}"')
        other.execute(f"detach database if exists {SCRATCH}")
        other.close()
        _remove(place)


def _scratch_file(con: duckdb.DuckDBPyConnection) -> Path | None:
    """Where the scratch database goes: beside the warehouse's other temporary files; nowhere if it is in memory."""
    row = con.execute("select path from duckdb_databases() where database_name = current_database()").fetchone()
    runs = Path(row[0]).parent / "runs" if row and row[0] else None
    if runs is None or not runs.is_dir():
        return None
    place = runs / f"{SCRATCH}.duckdb"
    _remove(place)  # a run that was killed may have left it
    return place


def _remove(place: Path | None) -> None:
    if place is not None:
        place.unlink(missing_ok=True)
        place.with_name(f"{place.name}.wal").unlink(missing_ok=True)


def _take_back(other: duckdb.DuckDBPyConnection) -> None:
    other.execute(f"delete from raw.jobs where {DECIDED}")


def _apply(other: duckdb.DuckDBPyConnection, proposals: pd.DataFrame) -> None:
    _lay_ready(other, "corrections_to_apply", proposals)
    insert_corrected(other, "proposed")


def _join(other: duckdb.DuckDBPyConnection, joins: pd.DataFrame) -> None:
    _lay_ready(other, "joins_decided", joins)
    insert_joined(other, "proposed")


def _lay_ready(other: duckdb.DuckDBPyConnection, table: str, decided: pd.DataFrame) -> None:
    """A frame as the temporary table that the decisions are inserted from."""
    other.register("decided_frame", decided)
    other.execute(f"create or replace temp table {table} as select * from decided_frame")
    other.unregister("decided_frame")


def _fit_classes(other: duckdb.DuckDBPyConnection, settings: Settings) -> pd.DataFrame:
    """Velocities by class, fitted as the locating step fits them."""
    from pipelines.locating.class_and_instrument_tables import describe_classes
    from pipelines.locating.readings import select_readings
    from pipelines.locating.step import fit_before, median_settings, read_inputs, reading_facts

    inputs = read_inputs(other)
    readings = select_readings(inputs.readings, inputs.paths, inputs.runs)
    if not len(readings):
        return pd.DataFrame(columns=["cable_class", "velocity_fitted_pct"])
    fit = fit_before(inputs, settings, readings, reading_facts(readings, inputs), inputs.as_of).fit
    return describe_classes(fit, median_settings(readings, inputs.readings), settings)
