"""Counts, from the staging tables, of stamps at midnight and at quarters of an hour, and of lengths at whole tens."""

import duckdb
import pandas as pd

from pipelines.validation.heaping import MIDNIGHTS_BY_CHANCE, QUARTERS_BY_CHANCE, count_tens
from shared import dictionary

# table -> the job that says in which zone its stamps were written
STAMPED = {"jobs": "s.job_id", "test_shots": "s.job_id", "restoration_steps": "s.job_id"}
LENGTHS = {
    "sections": ("length_m",),
    "jobs": ("estimated_distance_m", "far_end_distance_m", "dug_distance_m"),
    "test_shots": ("fault_distance_m", "far_end_distance_m"),
    "known_lengths": ("known_length_m", "reading_m"),
}
COUNTS = ["table", "column", "file", "heap", "values_given", "values_heaped", "by_chance"]


def count_heaps(con: duckdb.DuckDBPyConnection) -> pd.DataFrame:
    """Counts of every stamp and length of the tables in use, by the file they came from.

    Returns
    -------
    DataFrame
        ``COUNTS``, as measure_heaping takes them.

    Notes
    -----
    Stamps are taken by the clock of the job's district; a date without an hour counts as midnight. Midnights are left
    out of the quarters.

    Checked by: tests/unit/test_validation_heaping.py
    """
    frames = [_count_stamps(con, table) for table in STAMPED]
    frames += [_count_lengths(con, table, column) for table, columns in LENGTHS.items() for column in columns]
    filled = [frame for frame in frames if len(frame)]
    return pd.concat(filled, ignore_index=True) if filled else pd.DataFrame(columns=COUNTS)


def _count_stamps(con: duckdb.DuckDBPyConnection, table: str) -> pd.DataFrame:
    columns = dictionary.load_tables()[table].instants
    listed = ", ".join(f"timezone(d.timezone, s.{c}) as {c}" for c in columns)
    counted = con.execute(f"""
        with local as (
            select s.source_file as file, {listed} from staging.{table} as s
            -- a job is of one loop and a loop of one district
            join staging.jobs as j on j.job_id = {STAMPED[table]}
            join staging.loops as l on l.loop_id = j.loop_id
            join staging.districts as d on d.district_id = l.district_id
        ),
        stamps as (unpivot local on {", ".join(columns)} into name "column" value stamp)
        select "column", file, count(*) as stamps, count(*) filter (stamp = date_trunc('day', stamp)) as midnights,
            count(*) filter (stamp <> date_trunc('day', stamp) and minute(stamp) % 15 = 0 and second(stamp) = 0)
                as quarters
        from stamps group by all order by all
    """).fetchall()
    rows = []
    for column, file, given, midnights, quarters in counted:
        rows.append((table, column, file, "midnight", given, midnights, MIDNIGHTS_BY_CHANCE))
        rows.append((table, column, file, "quarter_hour", given - midnights, quarters, QUARTERS_BY_CHANCE))
    return pd.DataFrame(rows, columns=COUNTS)


def _count_lengths(con: duckdb.DuckDBPyConnection, table: str, column: str) -> pd.DataFrame:
    values = con.execute(
        f"select source_file as file, {column} as metres from staging.{table} where {column} > 0 order by all"
    ).df()
    frames = [
        count_tens(part["metres"]).assign(table=table, column=column, file=file)
        for file, part in values.groupby("file", sort=True)
    ]
    return pd.concat(frames, ignore_index=True)[COUNTS] if frames else pd.DataFrame(columns=COUNTS)
