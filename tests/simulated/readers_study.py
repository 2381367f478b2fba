"""Twenty readers of browse through refreshes and kills: no failed page, no mixed generation, no refresh held up.

python -m tests.simulated.readers_study WORKSPACE [--readers 20] [--refreshes 10] [--kills 3] [--seed 1]

The workspace is changed: give a copy.
"""

from __future__ import annotations

import argparse
import os
import random
import re
import signal
import socket
import subprocess
import sys
import threading
import time
from collections import Counter
from pathlib import Path

import duckdb
import httpx

from shared.store import Workspace

PAGES = ("/", "/restoration", "/replacement?district=OB", "/locating", "/data_quality", "/instrument/R-01",
         "/restoration?district=OB&from=2015", "/rows/jobs?by=-customer_minutes", "/find?q=L00")  # fmt: skip


def start(workspace: Path, *arguments: str) -> subprocess.Popen[str]:
    command = [sys.executable, "-m", "pipelines.cli", *arguments, "--workspace", str(workspace)]
    return subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True)


class Readers:
    """Threads that ask for pages until they are stopped, each page held to be whole and of one run."""

    def __init__(self, port: int, count: int) -> None:
        self.base, self.found, self.faults, self.runs = f"http://127.0.0.1:{port}", Counter[int](), [], {}
        self.stop = threading.Event()
        self.threads = [threading.Thread(target=self.read, args=(n,), daemon=True) for n in range(count)]
        for thread in self.threads:
            thread.start()

    def read(self, seed: int) -> None:
        draws = random.Random(seed)
        with httpx.Client(base_url=self.base, timeout=120) as client:
            while not self.stop.is_set():
                address = draws.choice(PAGES)
                try:
                    answer = client.get(address)
                except httpx.HTTPError as fault:
                    self.faults.append(f"{address}: {fault!r}")
                    continue
                self.found[answer.status_code] += 1
                run = re.search(r'<meta name="run" content="(\w+)">', answer.text)
                told = re.search(r"As of <strong>(.+?)</strong>", answer.text)
                if answer.status_code != 200 or run is None or told is None or "</html>" not in answer.text:
                    self.faults.append(f"{address}: {answer.status_code}")
                elif self.runs.setdefault(run[1], told[1]) != told[1]:
                    self.faults.append(f"{address}: run {run[1]} is as of {self.runs[run[1]]} and of {told[1]}")
                time.sleep(draws.uniform(0, 0.05))

    def finish(self) -> None:
        self.stop.set()
        for thread in self.threads:
            thread.join(timeout=150)


def of_one_generation(space: Workspace) -> str:
    """The run that everything published is of; fails where there are two."""
    with duckdb.connect(str(space.results.resolve()), read_only=True) as con:
        run = str(con.execute("select run from about").fetchall()[0][0])
    for page in space.reports.glob("*.html"):
        found = re.search(r'<meta name="run" content="(\w+)">', page.read_text(encoding="utf-8"))
        assert found and found[1] == run, page.name
    with duckdb.connect() as con:
        for file in space.exports.glob("*.parquet"):
            told = dict(con.execute("select key, value from parquet_kv_metadata(?)", [str(file)]).fetchall())
            assert told[b"run"].decode() == run, file.name
    return run


def run(workspace: Path, readers: int, refreshes: int, kills: int, seed: int) -> dict[str, object]:
    """Refresh and kill while readers read; returns what they met."""
    space, draws = Workspace(workspace), random.Random(seed)
    with socket.create_server(("127.0.0.1", 0)) as free:
        port = free.getsockname()[1]
    served = start(workspace, "browse", "--port", str(port))
    assert served.stdout is not None and "http://" in served.stdout.readline()
    reading, seconds, runs = Readers(port, readers), [], set()
    try:
        kinds = ["refresh"] * refreshes + ["kill"] * kills
        draws.shuffle(kinds)
        for n, kind in enumerate(kinds):
            begun = time.perf_counter()
            refreshed = start(workspace, "refresh", "--no-history", "--as-of", f"2025-{n % 12 + 1:02d}-15")
            if kind == "kill":
                time.sleep(draws.uniform(0.5, 25.0))
                refreshed.send_signal(signal.SIGKILL)
                refreshed.wait()
            else:
                said, _ = refreshed.communicate()
                assert refreshed.returncode == 0, said
                seconds.append(time.perf_counter() - begun)
            runs.add(of_one_generation(space))
    finally:
        reading.finish()
        served.send_signal(signal.SIGINT)
        served.wait(timeout=30)
    return {
        "pages": sum(reading.found.values()), "by status": dict(reading.found), "faults": reading.faults[:5],
        "number of faults": len(reading.faults), "generations": len(runs), "runs read": len(reading.runs),
        "seconds of a refresh": [round(s, 1) for s in seconds],
    }  # fmt: skip


def main() -> None:
    """Print what the readers met."""
    asked = argparse.ArgumentParser(description=__doc__)
    asked.add_argument("workspace", type=Path)
    for name, number in (("readers", 20), ("refreshes", 10), ("kills", 3), ("seed", 1)):
        asked.add_argument(f"--{name}", type=int, default=number)
    given = asked.parse_args()
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    for what, found in run(given.workspace, given.readers, given.refreshes, given.kills, given.seed).items():
        print(f"{what}: {found}")


if __name__ == "__main__":
    main()
