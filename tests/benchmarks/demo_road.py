"""How long is the demo's road from files to reports, where does the time go, and what does the workflow engine cost?

python -m tests.benchmarks.demo_road           900 loops, three rounds, with and without the engine in turn
python -m tests.benchmarks.demo_road 150 1     loops, rounds

The road begins when the last of the demo's files is written and ends with the command. What the engine shows of
itself is the whole command with it less the whole command without it: it starts while the files are made.
"""

from __future__ import annotations

import statistics
import subprocess
import sys
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path

import duckdb
import pandas as pd

WAYS = {"recorded": "--history", "plain": "--no-history"}


@dataclass(frozen=True)
class Demo:
    """One run of the command: seconds of all of it, of the road, and of each step; and its export tables."""

    command_s: float
    road_s: float
    steps: pd.DataFrame
    exports: dict[str, bytes]


def run_demo(space: Path, loops: int, way: str) -> Demo:
    began = time.time()
    command = [sys.executable, "-m", "pipelines.cli", "demo", "--loops", str(loops), WAYS[way]]
    subprocess.run([*command, "--workspace", str(space)], check=True, stdout=subprocess.DEVNULL)
    ended = time.time()
    made = max(file.stat().st_mtime for file in (space / "demo").rglob("*") if file.is_file())
    with duckdb.connect(str(space / "warehouse.duckdb"), read_only=True) as con:
        steps = con.execute("""
            select run_number, command, step, run_steps.seconds
            from raw.runs join raw.run_steps using (run_number) order by run_number, step_number
        """).df()
    exports = {file.name: file.read_bytes() for file in sorted((space / "exports").glob("*.csv"))}
    return Demo(ended - began, ended - made, steps, exports)


def compare(loops: int, rounds: int) -> dict[str, list[Demo]]:
    """Run both ways in turn; their tables must be the same before any time counts."""
    runs: dict[str, list[Demo]] = {way: [] for way in WAYS}
    for _ in range(rounds):
        for way, done in runs.items():
            with tempfile.TemporaryDirectory() as folder:
                done.append(run_demo(Path(folder) / "space", loops, way))
        recorded, plain = runs["recorded"][-1].exports, runs["plain"][-1].exports
        unlike = sorted(name for name in recorded.keys() | plain.keys() if recorded.get(name) != plain.get(name))
        assert not unlike, f"the two ways wrote different tables: {unlike}"
    return runs


def main(loops: int = 900, rounds: int = 3) -> None:
    runs = compare(loops, rounds)
    print(f"demo of {loops} loops, {rounds} rounds in turn, seconds: median (least to most)")
    middle = {}
    for way, done in runs.items():
        for what in ("command_s", "road_s"):
            seconds = [getattr(demo, what) for demo in done]
            middle[way, what] = statistics.median(seconds)
            print(f"  {way:9s} {what:10s} {middle[way, what]:6.1f} ({min(seconds):.1f} to {max(seconds):.1f})")
    print(f"  the engine shows {middle['recorded', 'command_s'] - middle['plain', 'command_s']:.1f} s of itself")
    steps = pd.concat([demo.steps for demo in runs["recorded"]]).groupby(["run_number", "command", "step"], sort=False)
    print("where the recorded road goes, median seconds by step:")
    print(steps["seconds"].median().round(2).to_string())


if __name__ == "__main__":
    main(*(int(text) for text in sys.argv[1:3]))
