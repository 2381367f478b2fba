"""Dig windows of the demo as typed: each year's digs asked of a fit to the records before that year.

python -m tests.simulated.demo_windows_study WORKSPACE [--years 6]
"""

from __future__ import annotations

import argparse
from pathlib import Path

import duckdb
import numpy as np
import pandas as pd

from pipelines.locating.step import fit_tables, read_inputs
from shared.store import LAYERS, Workspace, read_model, write_tables
from tests.simulated.windows_study import ask_all, coverage_by, judge_windows, stand_on


def copy_records(workspace: Workspace) -> duckdb.DuckDBPyConnection:
    """A warehouse in memory with the records of a workspace."""
    con = duckdb.connect(":memory:")
    con.execute("set TimeZone = 'UTC'")
    con.execute(f"attach '{workspace.warehouse}' as workspace (read_only)")
    for layer in LAYERS:
        con.execute(f"create schema {layer}")
    names = con.execute(
        "select table_name from duckdb_tables() where database_name = 'workspace' and schema_name = 'raw'"
    ).fetchall()
    for (name,) in names:
        con.execute(f"create table raw.{name} as from workspace.raw.{name}")
    con.execute("detach workspace")
    return con


def find_digs(con: duckdb.DuckDBPyConnection) -> pd.DataFrame:
    """Usable digs as ask_all takes them: what would be typed, and what was dug.

    The way typed is that of the register on the day of the job: the sections passed whole with their route, then the
    section dug in.
    """
    readings = read_model(con, "core.locating_readings")
    digs = readings[readings["is_usable"].astype(bool) & (readings["reading_kind"] == "dug")]
    toward = read_model(con, "staging.jobs", columns=("job_id", "toward_terminal_id", "test_terminal_id"))
    digs = digs.merge(toward, on="job_id")
    runs = read_model(con, "core.locating_runs").merge(digs[["reading_id", "true_length_m"]], on="reading_id")
    passed = runs[runs["run_to_m"] < runs["true_length_m"]].sort_values(["reading_id", "cable_from_m"])
    ways: dict[str, list[tuple[str, float]]] = {}
    for reading, cable_class, low, high in zip(
        passed["reading_id"], passed["cable_class"], passed["run_from_m"], passed["run_to_m"], strict=True
    ):
        way = ways.setdefault(reading, [])
        before = way.pop()[1] if way and way[-1][0] == cable_class else 0.0
        way.append((cable_class, before + high - low))
    paths = []
    for reading, last in zip(digs["reading_id"], digs["cable_class"], strict=True):
        way = ways.get(reading, [])
        way = way[:-1] if way and way[-1][0] == last else way
        paths.append((*((name, float(round(route))) for name, route in way), (last, np.inf)))
    return digs.assign(
        class_path=paths, route_m=digs["true_length_m"], dug_distance_m=digs["true_length_m"], is_gross=False
    )


def try_years(con: duckdb.DuckDBPyConnection, years: int) -> pd.DataFrame:
    """Windows of the last years' digs, each year from a fit to the records before it."""
    last_day = con.execute("select max(cast(reported_at as date)) from raw.jobs").fetchall()[0][0]
    stand_on(con, pd.Timestamp(last_day))
    digs = find_digs(con)
    found = []
    for year in range(last_day.year - years + 1, last_day.year + 1):
        settings = stand_on(con, pd.Timestamp(year - 1, 12, 31))
        write_tables(con, fit_tables(read_inputs(con), settings))
        found.append(ask_all(con, settings, digs[digs["read_at"].dt.year == year]).assign(year=year))
    asked = pd.concat(found, ignore_index=True)
    is_single = digs.set_index("job_id")["class_path"].map(len).eq(1)
    return asked.assign(classes=asked["job_id"].map(is_single).map({True: "one class", False: "several"}))


if __name__ == "__main__":
    parser = argparse.ArgumentParser()
    parser.add_argument("workspace", type=Path)
    parser.add_argument("--years", type=int, default=6)
    given = parser.parse_args()
    asked = try_years(copy_records(Workspace(given.workspace)), given.years)
    refused = asked[asked["level"].isna()]
    print(
        f"no window: {len(refused)}\n{refused.groupby(['way', 'refused']).size().to_string() if len(refused) else ''}"
    )
    windows = judge_windows(asked)
    for groups in (
        ("way",),
        ("way", "classes"),
        ("way", "band"),
        ("way", "year"),
        ("way", "cable_class"),
        ("way", "instrument_id"),
    ):
        print(f"\n{coverage_by(windows, *groups).drop(columns=['true 50%', 'true 80%', 'true 95%']).to_string()}")
