"""What the page of restoration and choices of it weigh and cost where a utility has a million jobs.

python -m tests.benchmarks.restoration_page WORKSPACE [JOBS]

Every job of a workspace's results is entered again under other ids until there are so many; days, loops and stages stay
those of the workspace, so a day holds more jobs than it would. A choice of all districts works every figure out from
all jobs, as the refresh does. Processor seconds are set beside one DuckDB read of the same jobs, in the same run.
"""

from __future__ import annotations

import shutil
import sys
import tempfile
import time
from pathlib import Path

import duckdb

from reports.choice import Choice
from reports.render import render
from reports.results import Results


def multiply(file: Path, jobs: int) -> int:
    """Enter every job of a results file again under other ids until there are so many; returns how many there are."""
    with duckdb.connect(str(file)) as con:
        con.execute("set TimeZone = 'UTC'")
        rows = con.execute("select count(*) from core.job_stages").fetchall()[0][0]
        times = max(1, round(jobs / rows))
        tables = con.execute("select schema_name, table_name from duckdb_tables() where not internal").fetchall()
        for schema, name in tables:
            table = f"{schema}.{name}"
            columns = {row[0] for row in con.execute(f"describe {table}").fetchall()}
            if "job_id" not in columns:
                continue
            ids = [column for column in ("job_id", "joined_with") if column in columns]
            replaced = ", ".join(f"{column} || '-' || copy as {column}" for column in ids)
            con.execute(
                f"create table copied as select * exclude (copy) replace ({replaced}) "
                f"from {table} cross join range({times}) as copies(copy)"
            )
            con.execute(f"drop table {table}")
            con.execute(f"create table {table} as from copied")
            con.execute("drop table copied")
        con.execute("checkpoint")
        return int(con.execute("select count(*) from core.job_stages").fetchall()[0][0])


def read_once(file: Path) -> float:
    """Processor seconds of reading every column of the jobs once."""
    with duckdb.connect(str(file), read_only=True) as con:
        begun = time.process_time()
        con.execute("select count(*), count(columns(*)) from core.job_stages").fetchall()
        return time.process_time() - begun


def main(workspace: str, jobs: int = 1_000_000) -> dict[str, tuple[float, float]]:
    """Print kilobytes and processor seconds of the page and of choices; returns both, the seconds first."""
    found = {}
    with tempfile.TemporaryDirectory() as place:
        file = Path(place) / "results.duckdb"
        shutil.copy(Path(workspace, "results.duckdb").resolve(), file)
        there = multiply(file, jobs)
        bare = read_once(file)
        with Results(file) as results:
            known = results.known
            year = known.last.replace(year=known.last.year - 1, month=1, day=1)
            choices = {
                "as published": Choice(),
                "all districts": Choice(districts=known.districts),
                "one district": Choice(districts=known.districts[:1]),
                "a year of one district": Choice(districts=known.districts[:1], first=year),
            }
            for name, choice in choices.items():
                begun = time.process_time()
                size = len(render(results, "restoration", choice).encode()) / 1e3
                seconds = time.process_time() - begun
                found[name] = seconds, size
                print(
                    f"{there:,} jobs, {name}: {size:,.0f} kB, {seconds:.1f} s of processor, "
                    f"{seconds / bare:,.0f} times one read of all columns of the jobs"
                )
    return found


if __name__ == "__main__":
    main(sys.argv[1], *(int(word) for word in sys.argv[2:]))
