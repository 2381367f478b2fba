"""How much memory the load of a large file takes, by phase, with little memory allowed.

    python -m tests.benchmarks.load_large [MEGABYTES] [GB ALLOWED] [FORM ...]

A file of jobs of so many megabytes (2,000 by default) is loaded, in a process of its own and into a new warehouse,
with so much memory allowed in all (1 GB by default): the warehouse is given half a gigabyte less, as the setting
general.memory_limit_gb says of itself. Forms of the file: ``long`` (notes of 5,000 letters), ``doubtful`` (the same
with a letter that is no UTF-8, so that Python reads it record by record), ``plain`` (30 columns of the usual length, so
many more rows). Before anything is printed the rows kept are compared with the rows written, and the load's own count.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

from tests.benchmarks.load_jobs import PhaseWatch, checkpoint, peak_mb, print_phases, write_files

FORMS = ("long", "doubtful", "plain")
NOTE = "found at the second pad, " * 200
PLAIN_BYTES = 305
"""Bytes of a job of write_files, about."""


def warehouse_gb(allowed_gb: float) -> float:
    """The setting general.memory_limit_gb for a process that may use so much in all."""
    return allowed_gb - 0.5


def write_export(folder: Path, form: str, megabytes: int) -> int:
    """A register and a file of jobs of the size; returns the rows of the latter."""
    size = megabytes * 1_000_000
    if form == "plain":
        rows = size // PLAIN_BYTES
        write_files(folder, rows)
        return rows
    write_files(folder, 1)
    header, job = (folder / "jobs.csv").read_text().splitlines()
    cells = job.split(",")
    rows = size // (len(NOTE) + len(job))
    with (folder / "jobs.csv").open("w", encoding="latin-1", newline="") as handle:
        handle.write(header + "\n")
        for number in range(rows):
            cells[0] = f"J{number}"
            cells[5:15] = [
                f"{2004 + number % 20}-{1 + number // 20 % 12:02d}-{1 + number // 240 % 28:02d} 12:{m}"
                for m in range(10, 20)
            ]
            mark = "\u00e9" if form == "doubtful" and number + 1 == rows else ""
            cells[-1] = f'"{NOTE}{number}{mark}"'
            handle.write(",".join(cells) + "\n")
    return rows


def load_large(folder: Path, place: Path, memory_gb: float) -> dict[str, Any]:
    """The load, and what the process held at most."""
    from pipelines.intake.load import load_paths
    from shared.settings import Settings
    from shared.store import Workspace, open_warehouse

    settings = Settings().override("general", memory_limit_gb=memory_gb)
    con = open_warehouse(Workspace(place / "workspace"), settings)
    start = time.perf_counter()
    with PhaseWatch() as watch:
        report = load_paths(con, [folder], settings)
        checkpoint(con)
    seconds = time.perf_counter() - start
    jobs = next(f for f in report.files if f.table == "jobs")
    kept = con.execute("select count(*) from raw.jobs").fetchone() or (0,)
    con.close()
    return {
        "seconds": seconds,
        "read": jobs.read,
        "accounted": jobs.accounted_for,
        "kept": kept[0],
        "quarantined": jobs.quarantined,
        "peak_mb": peak_mb(),
        "phases": {p: (s, watch.peak_mb[p]) for p, s in watch.seconds.items()},
    }


def run_apart(folder: Path, memory_gb: float) -> dict[str, Any]:
    """The load in a process of its own."""
    with tempfile.TemporaryDirectory() as place:
        command = [sys.executable, "-m", "tests.benchmarks.load_large", "--load", str(folder), place, str(memory_gb)]
        done = subprocess.run(command, check=True, stdout=subprocess.PIPE, text=True, env={**os.environ})
    return dict(json.loads(done.stdout.splitlines()[-1]))


def measure(form: str, megabytes: int, allowed_gb: float) -> dict[str, Any]:
    """Write, load and check one file.

    Raises
    ------
    SystemExit
        Rows are not accounted for.
    """
    with tempfile.TemporaryDirectory() as place:
        rows = write_export(Path(place), form, megabytes)
        size = (Path(place) / "jobs.csv").stat().st_size / 1e6
        found = run_apart(Path(place), warehouse_gb(allowed_gb))
    if not rows == found["read"] == found["accounted"] == found["kept"] + found["quarantined"]:
        raise SystemExit(f"{form}: {rows} rows written, {found}")
    return {**found, "rows": rows, "megabytes": size}


def main(arguments: list[str]) -> None:
    if arguments[:1] == ["--load"]:
        print(json.dumps(load_large(Path(arguments[1]), Path(arguments[2]), float(arguments[3]))))
        return
    megabytes = int(arguments[0]) if arguments else 2000
    allowed_gb = float(arguments[1]) if len(arguments) > 1 else 1.0
    for form in arguments[2:] or FORMS:
        found = measure(form, megabytes, allowed_gb)
        print(
            f"{form}: {found['megabytes']:.0f} MB, {found['rows']} rows, {found['quarantined']} of them rejected: "
            f"peak {found['peak_mb']:.0f} MB of {allowed_gb * 1000:.0f} allowed, {found['seconds']:.1f} s"
        )
        print_phases(found)
        sys.stdout.flush()


if __name__ == "__main__":
    main(sys.argv[1:])
