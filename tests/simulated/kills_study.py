"""A refresh killed at random moments, half of them while it publishes: what is published is always of one run.

python -m tests.simulated.kills_study WORKSPACE [--kills 60] [--seed 1]

The workspace is changed: give a copy.
"""

from __future__ import annotations

import argparse
import datetime as dt
import multiprocessing
import random
import signal
import time
from collections import Counter
from multiprocessing.process import BaseProcess
from pathlib import Path

import duckdb

from pipelines.publish import read_last_attempt
from pipelines.refresh import refresh
from shared.settings import Settings
from shared.store import Workspace
from tests.simulated.readers_study import of_one_generation


def begin(space: Workspace, as_of: dt.date) -> BaseProcess:
    """A refresh in a process of its own."""
    forks = multiprocessing.get_context("forkserver")
    forks.set_forkserver_preload(["pipelines.refresh", "reports.standing", "pipelines.survival.step"])
    started = forks.Process(target=refresh, args=(space, Settings().override("general", as_of=as_of)))
    started.start()
    return started


def wait_for_publishing(space: Workspace, started: BaseProcess) -> None:
    """Wait until the folder of its generation is there."""
    while started.is_alive() and not list(space.generations.glob(f"*.{started.pid}.unfinished")):
        time.sleep(0.005)


def published_day(space: Workspace) -> str:
    """As-of day of what is published, every file of which is of one run."""
    of_one_generation(space)
    with duckdb.connect(str(space.results.resolve()), read_only=True) as con:
        return str(con.execute("select as_of from about").fetchall()[0][0])


def run(workspace: Path, kills: int, seed: int) -> Counter[str]:
    """Kill and look; returns how many kills left which run, by the moment of the kill."""
    space, draws, met = Workspace(workspace), random.Random(seed), Counter[str]()
    days = [dt.date(2025, 1, 1) + dt.timedelta(days=n) for n in range(kills + 2)]
    begun = time.perf_counter()
    whole = begin(space, days[0])
    wait_for_publishing(space, whole)
    building = time.perf_counter() - begun
    whole.join()
    publishing = time.perf_counter() - begun - building
    assert whole.exitcode == 0 and published_day(space) == str(days[0])
    standing = str(days[0])
    for n, day in enumerate(days[1:-1]):
        started = begin(space, day)
        if n % 2:
            wait_for_publishing(space, started)
            time.sleep(draws.uniform(0, 1.1 * publishing))
        else:
            time.sleep(draws.uniform(0, building))
        attempt = read_last_attempt(space)
        step = attempt["failed_step"] if started.is_alive() and attempt else None
        started.kill()
        started.join()
        assert started.exitcode in (0, -signal.SIGKILL), "a refresh after a kill failed by itself"
        found = published_day(space)
        assert found in (standing, str(day)), (found, standing, day)
        met[
            f"{'ended' if step is None else 'killed at ' + step}, {'old' if found == standing else 'new'} run published"
        ] += 1
        standing = found
    last = begin(space, days[-1])
    last.join()
    assert last.exitcode == 0 and published_day(space) == str(days[-1])
    assert not list(space.generations.glob("*.unfinished"))
    return met


def main() -> None:
    """Print how many kills left which run."""
    asked = argparse.ArgumentParser(description=__doc__)
    asked.add_argument("workspace", type=Path)
    asked.add_argument("--kills", type=int, default=60)
    asked.add_argument("--seed", type=int, default=1)
    given = asked.parse_args()
    met = run(given.workspace, given.kills, given.seed)
    print(f"{sum(met.values())} kills, every time one run published whole")
    for what, times in sorted(met.items()):
        print(f"{what}: {times}")


if __name__ == "__main__":
    main()
