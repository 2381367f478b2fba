"""The workflow engine's history: recorded when all goes well, closed when a run was killed, and never an orphan."""

from __future__ import annotations

import os
import signal
import sqlite3
import subprocess
import sys
import time
from pathlib import Path

import pytest

RUN = """
import sys, time
from pathlib import Path
from pipelines.run_history import recording
from shared.store import Workspace
space = Workspace(Path(sys.argv[1]))
space.make()
with recording(space):
    from prefect import flow
    from pipelines.flows import call_as_task
    @flow(name="small")
    def small(wait: float):
        def step():
            print("under way", flush=True)
            time.sleep(wait)
            return {"raw.nothing": 7}
        return call_as_task("wait", step)
    print(small(float(sys.argv[2])))
"""


def states(space: Path) -> list[tuple[str, str]]:
    with sqlite3.connect(space / "runs" / "history" / "prefect.db") as con:
        runs = con.execute("select name, state_type from flow_run order by created").fetchall()
        tasks = con.execute("select name, state_type from task_run order by created").fetchall()
    return [("flow", state) for _, state in runs] + [(name, state) for name, state in tasks]


def children_of(space: Path) -> list[int]:
    """Processes that serve this workspace's history."""
    found = []
    for entry in Path("/proc").iterdir():
        if entry.name.isdigit():
            try:
                environment = (entry / "environ").read_bytes()
                command = (entry / "cmdline").read_bytes()
            except OSError:
                continue
            if str(space).encode() in environment and b"pipelines.run_history" in command:
                found.append(int(entry.name))
    return found


@pytest.mark.slow
@pytest.mark.skipif(not Path("/proc").exists(), reason="looks for orphans in /proc")
def test_a_killed_run_leaves_no_orphan_and_is_closed_by_the_next(tmp_path: Path) -> None:
    command = [sys.executable, "-c", RUN, str(tmp_path)]
    killed = subprocess.Popen([*command, "60"], stdout=subprocess.PIPE, text=True)
    assert killed.stdout is not None and killed.stdout.readline() == "under way\n"
    assert len(children_of(tmp_path)) == 1
    os.kill(killed.pid, signal.SIGKILL)
    killed.communicate()
    deadline = time.monotonic() + 20
    while children_of(tmp_path) and time.monotonic() < deadline:
        time.sleep(0.2)
    assert children_of(tmp_path) == []

    done = subprocess.run([*command, "0"], capture_output=True, text=True, check=True)
    assert done.stdout == "under way\n{'raw.nothing': 7}\n"
    assert done.stderr == ""
    assert [state for name, state in states(tmp_path) if name == "flow"] == ["CRASHED", "COMPLETED"]
    assert ("wait", "COMPLETED") in states(tmp_path)
    assert children_of(tmp_path) == []
