"""How long a load takes, as a multiple of DuckDB's bare read of the same files into tables.

    python -m tests.benchmarks.load_jobs [JOBS] [ROUNDS]

JOBS jobs of 30 columns and as many sections (1,000,000 each by default) are written once, then in each round the bare
read and the whole load (typing, zones, every rule by Great Expectations on every row, findings, one transaction)
are run one after the other, each in a process of its own and into a new warehouse. Before any time is printed, the
rows kept are compared with the rows read.
"""

from __future__ import annotations

import json
import os
import resource
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import duckdb

MEMBERS = ("jobs", "sections")


def write_files(folder: Path, jobs: int) -> Path:
    """A register and its jobs in the canonical form, made by DuckDB; about one job in fifty breaks a rule."""
    loops = max(jobs // 10, 1)
    with duckdb.connect() as con:
        con.execute("select setseed(0.5)")
        copies = {
            "districts": """
                select 'D1' as district_id, 'America/Chicago' as timezone, date '2000-01-01' as recorded_from
            """,
            "loops": f"select 'L' || i as loop_id, 'D1' as district_id from range({loops}) as r(i)",
            "sections": f"""
                select 'S' || i as section_id, 'L' || (i // 10) as loop_id, i % 10 + 1 as position,
                    'T' || (i // 10 * 11 + i % 10) as from_terminal_id,
                    'T' || (i // 10 * 11 + i % 10 + 1) as to_terminal_id,
                    round(60 + random() * 80, 1) as length_m,
                    ['XLPE', 'TRXLPE', 'EPR', 'HMWPE'][i % 4 + 1] as insulation,
                    'bare' as neutral, 'buried' as installation, '1/0 AL' as conductor,
                    date '1984-01-01' + (random() * 9000)::int as installed_on, 30 as customers
                from range({loops * 10}) as r(i)
            """,
            "jobs": f"""
                with base as (
                    select i, timestamp '2006-01-01' + interval 1 minute * (random() * 1e7)::bigint as t,
                        round(20 + random() * 60, 1) as dug from range({jobs}) as r(i)
                )
                select 'J' || i as job_id, 1 as revision, 'closed' as status, 'L' || (i % {loops}) as loop_id,
                    'S' || (i % {loops} * 10 + i % 10) as section_id, strftime(t, '%Y-%m-%d %H:%M') as reported_at,
                    strftime(t + interval 9 minute, '%Y-%m-%d %H:%M') as dispatched_at,
                    strftime(t + interval 40 minute, '%Y-%m-%d %H:%M') as arrived_at,
                    strftime(t + interval 90 minute, '%Y-%m-%d %H:%M') as located_at,
                    strftime(t + interval 130 minute, '%Y-%m-%d %H:%M') as restored_at,
                    strftime(t + interval 200 minute, '%Y-%m-%d %H:%M') as pinpointed_at,
                    strftime(t + interval 500 minute, '%Y-%m-%d %H:%M') as repaired_at,
                    strftime(t + interval 2000 minute, '%Y-%m-%d %H:%M') as normal_at,
                    strftime(t + interval 6000 minute, '%Y-%m-%d %H:%M') as closed_at,
                    case when i % 500 = 0 then -1 else 90 end as customers_interrupted, 'C' || (i % 20) as crew_id,
                    'arc_reflection' as method, 'R1' as instrument_id,
                    case when i % 200 = 7 then 66 else 53 end as velocity_setting_pct,
                    'T' || (i % {loops} * 11 + i % 10) as test_terminal_id,
                    'T' || (i % {loops} * 11 + i % 10 + 1) as toward_terminal_id,
                    case when i % 100 = 3 then dug else dug + 1.5 end as estimated_distance_m, dug as dug_distance_m,
                    'taped' as dug_method, case when i % 300 = 5 then 'squirrel' else 'water_treeing' end as cause,
                    'cable' as failed_component, 3 as test_shots, false as major_event, 6100 as repair_cost,
                    'found at the second pad' as notes
                from base order by i
            """,
        }
        for table, query in copies.items():
            con.execute(f"copy ({query}) to '{folder / f'{table}.csv'}' (header)")
    return folder


def bare_read(folder: Path, place: Path) -> dict[str, float]:
    """DuckDB's own reading of the two large files, all columns texts, into tables of a new file."""
    with duckdb.connect(str(place / "bare.duckdb"), config={"memory_limit": "3GB"}) as con:
        start = time.perf_counter()
        for table in MEMBERS:
            source = folder / f"{table}.csv"
            con.execute(f"create table {table} as from read_csv('{source}', all_varchar=true, header=true)")
        con.execute("checkpoint")
        seconds = time.perf_counter() - start
        rows = sum(con.execute(f"select count(*) from {t}").fetchone()[0] for t in MEMBERS)
    return {"seconds": seconds, "rows": rows}


def whole_load(folder: Path, place: Path) -> dict[str, float]:
    """The load of all four files; the register of loops and districts is a small part of it."""
    from pipelines.intake.load import load_paths
    from shared.settings import Settings
    from shared.store import Workspace, open_warehouse

    con = open_warehouse(Workspace(place / "workspace"))
    start = time.perf_counter()
    report = load_paths(con, [folder], Settings())
    con.execute("checkpoint")
    seconds = time.perf_counter() - start
    counts = [f for f in report.files if f.table in MEMBERS]
    assert all(f.read == f.accounted_for for f in counts)
    kept = sum(con.execute(f"select count(*) from raw.{t}").fetchone()[0] for t in MEMBERS)
    found = con.execute("select count(*) from raw.findings").fetchone()[0]
    return {"seconds": seconds, "rows": kept + sum(f.quarantined for f in counts), "findings": found}


WAYS = {"bare": bare_read, "load": whole_load}


def run_apart(way: str, folder: Path) -> dict[str, float]:
    """One way in a process of its own, with its peak of memory."""
    with tempfile.TemporaryDirectory() as place:
        command = [sys.executable, "-m", "tests.benchmarks.load_jobs", "--way", way, str(folder), place]
        done = subprocess.run(command, check=True, capture_output=True, text=True, env={**os.environ})
    return json.loads(done.stdout.splitlines()[-1])


def main(arguments: list[str]) -> None:
    if arguments[:1] == ["--way"]:
        result = WAYS[arguments[1]](Path(arguments[2]), Path(arguments[3]))
        result["peak_mb"] = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
        print(json.dumps(result))
        return
    jobs, rounds = (int(a) for a in (arguments + ["1000000", "3"][len(arguments):])[:2])
    with tempfile.TemporaryDirectory() as place:
        folder = write_files(Path(place), jobs)
        size = sum(p.stat().st_size for p in folder.iterdir()) / 1e6
        print(f"{jobs} jobs and as many sections, {size:.0f} MB of CSV, {rounds} rounds")
        ratios = []
        for _ in range(rounds):
            bare, load = run_apart("bare", folder), run_apart("load", folder)
            if bare["rows"] != load["rows"]:
                raise SystemExit(f"not compared: {bare['rows']} rows read, {load['rows']} accounted for")
            ratios.append(load["seconds"] / bare["seconds"])
            print(f"bare read {bare['seconds']:.2f} s, {bare['peak_mb']:.0f} MB; load {load['seconds']:.2f} s, "
                  f"{load['peak_mb']:.0f} MB, {load['findings']:.0f} findings; ratio {ratios[-1]:.1f}", flush=True)
        print(f"load / bare read: median {statistics.median(ratios):.1f}, {min(ratios):.1f} to {max(ratios):.1f}")


if __name__ == "__main__":
    main(sys.argv[1:])
