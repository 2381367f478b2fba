"""Loads and refreshes killed at random moments in turn: the warehouse and what is published are always of one run.

python -m tests.simulated.kills_study WORKSPACE [--kills 100] [--seed 1]

Half the kills fall in a load of a revised folder of jobs and register, the others in a refresh, half of them while it
publishes. After a load the warehouse holds what it held before or what a load that nobody killed leaves in a copy, and
the same load again leaves that. The workspace, of the demo with its export, is changed: give a copy.
"""

from __future__ import annotations

import argparse
import csv
import datetime as dt
import multiprocessing
import random
import shutil
import signal
import tempfile
import time
from collections import Counter
from collections.abc import Callable
from multiprocessing.process import BaseProcess
from pathlib import Path
from typing import Any

import duckdb

from pipelines.load import load
from pipelines.publish import read_last_attempt
from pipelines.refresh import refresh
from shared.settings import Settings
from shared.store import Workspace, open_warehouse
from tests.cases.small_utility import write_csv
from tests.simulated.readers_study import of_one_generation

PRELOADED = ("pipelines.intake.load", "great_expectations", "pipelines.refresh", "reports.standing",
             "pipelines.survival.step")  # fmt: skip
State = dict[str, tuple[Any, ...]]


def begin(target: Callable[..., Any], *given: Any) -> BaseProcess:
    """A load or a refresh in a process of its own, what it imports imported already."""
    forks = multiprocessing.get_context("forkserver")
    forks.set_forkserver_preload(list(PRELOADED))
    started = forks.Process(target=target, args=given)
    started.start()
    return started


def end(started: BaseProcess) -> bool:
    """Kill it now; whether it was still at work."""
    started.kill()
    started.join()
    assert started.exitcode in (0, -signal.SIGKILL), "it failed by itself after a kill"
    return started.exitcode != 0


def begin_refresh(space: Workspace, day: dt.date) -> BaseProcess:
    return begin(refresh, space, Settings().override("general", as_of=day))


def revise(export: Path, folder: Path, number: int, draws: random.Random) -> list[Path]:
    """A folder of jobs and register a third of which has changed; one new job stands on no loop."""
    for table, changed in (("jobs", {"revision": str(number + 2)}), ("sections", {})):
        with (export / f"{table}.csv").open(encoding="utf-8", newline="") as handle:
            rows = list(csv.DictReader(handle))
        for row in rows:
            if draws.random() < 1 / 3:
                row |= changed or {"length_m": f"{float(row['length_m']) + number / 100:.2f}"}
        if changed:
            rows.append(rows[0] | {"job_id": f"K{number}", "loop_id": "nowhere"})
        write_csv(folder / f"{table}.csv", rows)
    return [folder]


def state(space: Workspace) -> State:
    """Rows of every table that a load writes, and a fingerprint of them; the ledger sums."""
    with open_warehouse(space) as con:
        tables = con.execute(
            "select table_name from duckdb_tables() where schema_name = 'raw' and table_name not like 'run%'"
        )
        found = {
            name: con.execute(f"select count(*), sum(hash(r)) from (select columns(lambda c: c <> 'loaded_at') "
                              f"from raw.{name}) as r").fetchall()[0] for (name,) in tables.fetchall()
        }  # fmt: skip
        unsummed = """
            select load_id from raw.files where read <> new + revised + unchanged + superseded + quarantined
            union all
            select load_id from raw.loads as l where (files, rows_read, rows_loaded) <> (
                select (count(*), sum(read), sum(new + revised)) from raw.files as f where f.load_id = l.load_id
            )
            union all
            select load_id from raw.files as f where load_id > (select min(load_id) from raw.files)
                and "table" = 'jobs' and new + revised + superseded <> (
                    select count(*) from raw.jobs as j where j.load_id = f.load_id and j.source_file = f.file
                )
        """
        assert con.execute(unsummed).fetchall() == []
    return found


def wait_for_publishing(space: Workspace, started: BaseProcess) -> None:
    """Wait until the folder of its generation is there."""
    while started.is_alive() and not list(space.generations.glob(f"*.{started.pid}.unfinished")):
        time.sleep(0.005)


def published_day(space: Workspace) -> str:
    """As-of day of what is published, every file of which is of one run."""
    of_one_generation(space)
    with duckdb.connect(str(space.results.resolve()), read_only=True) as con:
        return str(con.execute("select as_of from about").fetchall()[0][0])


def kill_load(space: Workspace, number: int, draws: random.Random) -> str:
    """Kill one load of a revised folder, look, and load it again; what the kill left."""
    with tempfile.TemporaryDirectory() as aside:
        folder = revise(space.folder / "demo" / "export", Path(aside) / "revised", number, draws)
        before = state(space)
        twin = Workspace(Path(aside) / "twin")
        twin.make()
        shutil.copy(space.warehouse, twin.warehouse)
        begun = time.perf_counter()
        unkilled = begin(load, twin, folder, Settings())
        unkilled.join()
        took = time.perf_counter() - begun
        assert unkilled.exitcode == 0
        expected = state(twin)
        started = begin(load, space, folder, Settings())
        time.sleep(draws.uniform(0, 1.1 * took))
        was_killed = end(started)
        left = state(space)
        assert left in (before, expected) and before["jobs"] != expected["jobs"], (number, before, left, expected)
        again = begin(load, space, folder, Settings())
        again.join()
        found = state(space)
        # what was kept already is unchanged now, and only the books tell of the second load
        books = {} if left == before else {t: found[t] for t in ("loads", "files", "findings", "file_results")}
        assert again.exitcode == 0, number
        assert found == expected | books, (number, {t: (found[t], n) for t, n in expected.items() if found[t] != n})
    return f"load {'killed' if was_killed else 'ended'}, warehouse {'as before' if left == before else 'as after it'}"


def run(workspace: Path, kills: int, seed: int) -> Counter[str]:
    """Kill and look; returns how many kills left which run, by the moment of the kill."""
    space, draws, met = Workspace(workspace), random.Random(seed), Counter[str]()
    days = [dt.date(2025, 1, 1) + dt.timedelta(days=n) for n in range(kills + 2)]
    begun = time.perf_counter()
    whole = begin_refresh(space, days[0])
    wait_for_publishing(space, whole)
    building = time.perf_counter() - begun
    whole.join()
    publishing = time.perf_counter() - begun - building
    assert whole.exitcode == 0 and published_day(space) == str(days[0])
    standing = str(days[0])
    for n, day in enumerate(days[1:-1]):
        if n % 2:
            met[kill_load(space, n, draws)] += 1
            continue
        started = begin_refresh(space, day)
        if n % 4:
            wait_for_publishing(space, started)
            time.sleep(draws.uniform(0, 1.1 * publishing))
        else:
            time.sleep(draws.uniform(0, building))
        attempt = read_last_attempt(space)
        step = attempt["failed_step"] if started.is_alive() and attempt else None
        end(started)
        found = published_day(space)
        assert found in (standing, str(day)), (found, standing, day)
        left = "old" if found == standing else "new"
        met[f"refresh {'ended' if step is None else 'killed at ' + step}, {left} run published"] += 1
        standing = found
    last = begin_refresh(space, days[-1])
    last.join()
    assert last.exitcode == 0 and published_day(space) == str(days[-1])
    assert not list(space.generations.glob("*.unfinished"))
    return met


def main() -> None:
    """Print how many kills left what."""
    asked = argparse.ArgumentParser(description=__doc__)
    asked.add_argument("workspace", type=Path)
    asked.add_argument("--kills", type=int, default=100)
    asked.add_argument("--seed", type=int, default=1)
    given = asked.parse_args()
    met = run(given.workspace, given.kills, given.seed)
    print(f"{sum(met.values())} kills, every time the warehouse whole and one run published whole")
    for what, times in sorted(met.items()):
        print(f"{what}: {times}")


if __name__ == "__main__":
    main()
