"""How long a load takes, as a multiple of DuckDB's bare read of the same files into tables.

    python -m tests.benchmarks.load_jobs [JOBS] [ROUNDS] [CHECKOUT ...]

JOBS jobs of 30 columns and as many sections (1,000,000 each by default) are written once, then in each round the bare
read and the whole load (typing, zones, every rule by Great Expectations on every row, findings, one transaction)
are run one after the other, each in a process of its own and into a new warehouse; the same files are then loaded
again, and once more with one job revised. Before any time is printed, the rows kept are compared with the rows read.
Processor seconds stand beside the seconds: on a machine with other work they are the better measure. Of the load's
first round, the seconds and the peak of memory of each phase are shown.

Two states of the code are compared by naming their checkouts, whose loads are then run by turns on the same files::

    git worktree add ../older COMMIT
    python -m tests.benchmarks.load_jobs 1000000 3 . ../older
"""

from __future__ import annotations

import itertools
import json
import os
import resource
import statistics
import subprocess
import sys
import tempfile
import threading
import time
from collections import defaultdict
from pathlib import Path
from typing import Any

import duckdb

MEMBERS = ("jobs", "sections")
PHASES = {
    "read_files": "read the files as texts",
    "type_rows": "texts to values",
    "set_known_apart": "find what is known",
    "join": "wait for the import of Great Expectations",
    "draw_register": "draw the register and the neighbours",
    "_draw_facts": "hand the facts to Python",
    "run_suite": "Great Expectations, every rule on every row",
    "judge_rows": "write the findings",
    "judge_files": "judge whole files",
    "sort_rows": "sort the rows",
    "keep_rows": "append to raw",
    "keep_quarantine": "set rows aside",
    "count_files": "count",
    "drop_temporary": "drop temporary tables",
    "checkpoint": "write the warehouse's file",
}
"""Functions of a load, the innermost first known: what each does."""
SAMPLE_S = 0.02


def write_files(folder: Path, jobs: int) -> Path:
    """A register and its jobs in the canonical form, made by DuckDB; about one job in fifty breaks a rule.

    The sections of a loop were laid together, except that one loop in forty lacks the predecessor of its fifth: dates
    drawn section by section would make every loop a chain with gaps, and a finding of most of its sections.
    """
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
                    date '1984-01-01' + (i // 10 * 7919 % 5000 + case when i % 400 = 4 then 6000 else 0 end)::int
                        as installed_on, 30 as customers
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


class PhaseWatch:
    """Samples, from a thread beside the load, which phase is under way and how much memory the process holds.

    The load itself knows nothing of it. Memory is what is resident, a file mapped into memory included.
    """

    def __init__(self) -> None:
        self.seconds: dict[str, float] = defaultdict(float)
        self.peak_mb: dict[str, float] = defaultdict(float)
        self._watched = threading.get_ident()
        self._over = threading.Event()
        self._thread = threading.Thread(target=self._sample, daemon=True)

    def __enter__(self) -> PhaseWatch:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._over.set()
        self._thread.join()

    def _sample(self) -> None:
        before = time.perf_counter()
        while not self._over.wait(SAMPLE_S):
            frame = sys._current_frames().get(self._watched)
            while frame is not None and frame.f_code.co_name not in PHASES:
                frame = frame.f_back
            phase = PHASES[frame.f_code.co_name] if frame else "the rest"
            now = time.perf_counter()
            self.seconds[phase] += now - before
            self.peak_mb[phase] = max(self.peak_mb[phase], resident_mb())
            before = now


def resident_mb() -> float:
    """Memory this process holds, in MB; 0 where the system does not say."""
    try:
        pages = int(Path("/proc/self/statm").read_text().split()[1])
    except OSError:
        return 0.0
    return pages * resource.getpagesize() / 2**20


def peak_mb() -> float:
    """Most memory this process ever held, in MB; rusage would count what its parent held before it began."""
    for line in Path("/proc/self/status").read_text().splitlines():
        if line.startswith("VmHWM:"):
            return int(line.split()[1]) / 1024
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def checkpoint(con: duckdb.DuckDBPyConnection) -> None:
    con.execute("checkpoint")


def bare_read(folder: Path, place: Path) -> dict[str, Any]:
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


def whole_load(folder: Path, place: Path) -> dict[str, Any]:
    """The load of all four files; the register of loops and districts is a small part of it."""
    from pipelines.intake.load import load_paths
    from shared.settings import Settings
    from shared.store import Workspace, open_warehouse

    con = open_warehouse(Workspace(place / "workspace"))
    start = time.perf_counter()
    with PhaseWatch() as watch:
        report = load_paths(con, [folder], Settings())
        checkpoint(con)
    used = {"seconds": time.perf_counter() - start, "cpu_s": time.process_time(), "peak_mb": peak_mb()}
    counts = [f for f in report.files if f.table in MEMBERS]
    assert all(f.read == f.accounted_for for f in counts)
    kept = sum(con.execute(f"select count(*) from raw.{t}").fetchone()[0] for t in MEMBERS)
    found = dict(con.execute("select rule, count(*) from raw.findings group by rule order by 2 desc").fetchall())
    used |= load_again(con, folder, "again") | load_again(con, revise_one(folder, place), "revised")
    return {
        **used,
        "rows": kept + sum(f.quarantined for f in counts),
        "findings": found,
        "phases": {p: (s, watch.peak_mb[p]) for p, s in watch.seconds.items()},
    }


def load_again(con: duckdb.DuckDBPyConnection, folder: Path, what: str) -> dict[str, float]:
    """Processor seconds of a load of files of which all or all but one job stand already."""
    from pipelines.intake.load import load_paths
    from shared.settings import Settings

    start = time.process_time()
    files = load_paths(con, [folder], Settings()).files
    checkpoint(con)
    assert [sum(f.new for f in files), sum(f.revised for f in files)] == [0, int(what == "revised")]
    return {f"{what}_cpu_s": time.process_time() - start}


def revise_one(folder: Path, place: Path) -> Path:
    """The files with another repair cost of the last job."""
    (place / "revised").mkdir()
    for file in folder.iterdir():
        before, told, after = file.read_text().rpartition(",6100,")
        (place / "revised" / file.name).write_text(f"{before},6200,{after}" if told else after)
    return place / "revised"


WAYS = {"bare": bare_read, "load": whole_load}


def run_apart(way: str, folder: Path, checkout: Path) -> dict[str, Any]:
    """One way in a process of its own, with its peak of memory; the product is that of the checkout."""
    with tempfile.TemporaryDirectory() as place:
        command = [sys.executable, __file__, "--way", way, str(folder), place]
        env = {**os.environ, "PYTHONPATH": str(checkout)}
        done = subprocess.run(command, check=True, capture_output=True, text=True, env=env, cwd=checkout)
    return json.loads(done.stdout.splitlines()[-1])


def main(arguments: list[str]) -> None:
    if arguments[:1] == ["--way"]:
        result = WAYS[arguments[1]](Path(arguments[2]), Path(arguments[3]))
        print(json.dumps({"peak_mb": peak_mb(), "cpu_s": time.process_time(), **result}))
        return
    jobs, rounds = (int(a) for a in (arguments + ["1000000", "3"][len(arguments) :])[:2])
    checkouts = [Path(a).resolve() for a in arguments[2:]] or [Path(__file__).parents[2]]
    with tempfile.TemporaryDirectory() as place:
        folder = write_files(Path(place), jobs)
        size = sum(p.stat().st_size for p in folder.iterdir()) / 1e6
        print(f"{jobs} jobs and as many sections, {size:.0f} MB of CSV, {rounds} rounds")
        ratios: dict[tuple[str, str], list[float]] = defaultdict(list)
        for number, checkout in itertools.product(range(rounds), checkouts):
            name = checkout.name
            bare, load = run_apart("bare", folder, checkout), run_apart("load", folder, checkout)
            if bare["rows"] != load["rows"]:
                raise SystemExit(f"not compared: {bare['rows']} rows read, {load['rows']} accounted for")
            if number == 0:
                print_phases(load)
                print("  findings: " + ", ".join(f"{rule} {n}" for rule, n in load["findings"].items()))
            for what, way in (("bare read", bare), ("load", load)):
                used = f"{way['seconds']:.2f} s, {way['cpu_s']:.2f} s of processor, {way['peak_mb']:.0f} MB"
                print(f"{name}, {what}: {used}")
            print(
                f"{name}, loaded again: {load['again_cpu_s']:.2f} s of processor, with one job revised "
                f"{load['revised_cpu_s']:.2f}; {sum(load['findings'].values())} findings",
                flush=True,
            )
            ratios[name, "load / bare read, seconds"].append(load["seconds"] / bare["seconds"])
            for key, what in (("cpu_s", "load"), ("again_cpu_s", "load again"), ("revised_cpu_s", "one job revised")):
                ratios[name, f"{what} / bare read, processor seconds"].append(load[key] / bare["cpu_s"])
        for (name, what), found in ratios.items():
            print(f"{name}, {what}: median {statistics.median(found):.2f}, {min(found):.2f} to {max(found):.2f}")


def print_phases(load: dict[str, Any]) -> None:
    """Where the time of a load goes, and the peak of memory in each phase."""
    phases = sorted(load["phases"].items(), key=lambda item: -item[1][0])
    for phase, (seconds, peak_mb) in phases:
        print(f"  {seconds:7.2f} s {seconds / load['seconds']:5.0%}  {peak_mb:6.0f} MB  {phase}")


if __name__ == "__main__":
    main(sys.argv[1:])
