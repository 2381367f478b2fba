"""Loads that are cut off: the warehouse opens, holds all of a load or nothing of it, and the load then completes."""

from __future__ import annotations

import os
import random
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from pipelines.intake.load import load_paths
from shared import dictionary
from shared.errors import UserError
from shared.settings import Settings
from shared.store import Workspace, has_table, open_warehouse
from tests.cases.small_utility import TABLES, write_csv, write_utility

KILLS = 50 if os.environ.get("LOOPWEAR_FULL") == "1" else 2
LIMIT = """
import resource, signal
signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
resource.setrlimit(resource.RLIMIT_FSIZE, (3_000_000, 3_000_000))
"""
CHILD = """
import sys
from pathlib import Path
from pipelines.intake.load import load_paths
from shared.settings import Settings
from shared.store import Workspace, open_warehouse
con = open_warehouse(Workspace(Path(sys.argv[1])))
print("open", flush=True)
load_paths(con, [Path(sys.argv[2])], Settings())
print("done", flush=True)
"""


def many_jobs(rows: int) -> list[dict[str, str]]:
    return [{**TABLES["jobs"][0], "job_id": f"J{n}", "reported_at": f"2018-01-{n % 10 + 1:02d} 0{n % 8}:00",
             "section_id": "", "dug_distance_m": f"{20 + n % 90}"} for n in range(rows)]


def counts(workspace: Path) -> dict[str, int]:
    con = open_warehouse(Workspace(workspace))
    stems = [*dictionary.load_tables(), "batches", "files", "findings", "quarantined_rows"]
    found = {
        s: con.execute(f"select count(*) from raw.{s}").fetchone()[0] if has_table(con, f"raw.{s}") else 0
        for s in stems
    }
    con.close()
    return found


@pytest.mark.slow
def test_a_load_killed_at_any_moment_is_kept_whole_or_not_at_all(tmp_path: Path) -> None:
    export = write_utility(tmp_path / "export", jobs=many_jobs(5_000), test_shots=TABLES["test_shots"])
    start = time.monotonic()
    subprocess.run([sys.executable, "-c", CHILD, str(tmp_path / "whole"), str(export)], check=True, capture_output=True)
    took = time.monotonic() - start
    whole = counts(tmp_path / "whole")
    chance = random.Random(20260101)
    for number in range(KILLS):
        place = tmp_path / f"cut{number}"
        child = subprocess.Popen([sys.executable, "-c", CHILD, str(place), str(export)], stdout=subprocess.PIPE)
        assert child.stdout is not None
        child.stdout.readline()
        time.sleep(chance.uniform(0.0, took))
        child.send_signal(signal.SIGKILL)
        child.wait()
        found = counts(place)
        assert found in (whole, dict.fromkeys(whole, 0)), f"kill {number}"
        con = open_warehouse(Workspace(place))
        load_paths(con, [export], Settings())
        con.close()
        again = counts(place)
        assert {k: v for k, v in again.items() if k in dictionary.load_tables()} == {
            k: v for k, v in whole.items() if k in dictionary.load_tables()
        }


def test_a_second_load_at_once_is_told_who_holds_the_workspace(tmp_path: Path) -> None:
    waiting = CHILD.partition("load_paths(con")[0] + "import time\ntime.sleep(60)"
    command = [sys.executable, "-c", waiting, str(tmp_path / "workspace")]
    holder = subprocess.Popen(command, stdout=subprocess.PIPE)
    try:
        assert holder.stdout is not None
        holder.stdout.readline()
        with pytest.raises(UserError, match=f"the workspace is in use by process {holder.pid}"):
            open_warehouse(Workspace(tmp_path / "workspace"))
    finally:
        holder.kill()
        holder.wait()


def test_a_full_disk_leaves_the_warehouse_as_it_was(tmp_path: Path) -> None:
    """A limit on the size of files stands in for a full disk: writing fails in the same way."""
    export = write_utility(tmp_path / "export", jobs=many_jobs(20_000))
    place = tmp_path / "workspace"
    con = open_warehouse(Workspace(place))
    load_paths(con, [write_csv(tmp_path / "districts.csv", TABLES["districts"])], Settings())
    con.close()
    before = counts(place)
    limited = LIMIT + CHILD
    done = subprocess.run(
        [sys.executable, "-c", limited, str(place), str(export)], capture_output=True, text=True, check=False,
    )
    assert done.returncode != 0
    assert counts(place) == before
    con = open_warehouse(Workspace(place))
    load_paths(con, [export], Settings())
    assert con.execute("select count(*) from raw.jobs").fetchone() == (20_000,)
