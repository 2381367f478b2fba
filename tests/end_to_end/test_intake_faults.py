"""Loads that meet a fault of the machine: cut off, disk full, two at once, no right to write, little memory.

Each load is the real command. One server process imports what a load needs and forks a child for each, so that a
kill falls within the load's own work and not within the imports.
"""

from __future__ import annotations

import datetime as dt
import json
import os
import random
import re
import shutil
import signal
import subprocess
import sys
import time
import zipfile
from collections.abc import Callable, Iterator
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

import pytest

from shared import dictionary
from shared.errors import UserError
from shared.store import Workspace, has_table, open_warehouse
from tests.cases.small_utility import TABLES, with_changes, write_csv, write_utility

FULL = os.environ.get("LOOPWEAR_FULL") == "1"
KILLS = 50 if FULL else 3
SERVER = """
import json, os, resource, signal, sys, tempfile
import great_expectations, pandas, typer
import pipelines.intake.load
from pipelines import cli, load
WATCHED = ("socket.connect", "socket.getaddrinfo", "socket.bind", "subprocess.Popen", "os.system")
print(0, flush=True)
for line in sys.stdin:
    call = json.loads(line)
    child = os.fork()
    if child:
        print(child, flush=True)
        _, status, used = os.wait4(child, 0)
        print(os.waitstatus_to_exitcode(status), flush=True)
        print(used.ru_maxrss // 1024, flush=True)
        continue
    for name, number in (("out", 1), ("err", 2)):
        os.dup2(os.open(call["log"] + "." + name, os.O_CREAT | os.O_TRUNC | os.O_WRONLY), number)
    if call["file_bytes"]:
        signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
        resource.setrlimit(resource.RLIMIT_FSIZE, (call["file_bytes"], call["file_bytes"]))
    if call["watched"]:
        seen = open(call["log"] + ".seen", "w")
        tempfile.tempdir = call["watched"]
        def watch(event, arguments):
            if event in WATCHED:
                seen.write(f"{event} {arguments}\\n")
            writes = event == "open" and (arguments[1] or "r")[0] in "wax+"
            if writes or event in ("os.mkdir", "os.rename"):
                seen.write(f"write {arguments[0]}\\n")
            seen.flush()
        sys.addaudithook(watch)
    sys.argv = ["loopwear", *call["arguments"]]
    cli.main()
    sys.exit()
"""


@dataclass
class Commands:
    """The server, and where its children write what they say."""

    server: subprocess.Popen[str]
    log: Path
    peak_mb: int = 0

    def start(self, *arguments: str | Path, file_bytes: int = 0, watched: str = "") -> int:
        """Start a command; returns its process id."""
        call = {
            "arguments": [str(a) for a in arguments],
            "log": str(self.log),
            "file_bytes": file_bytes,
            "watched": watched,
        }
        assert self.server.stdin is not None
        self.server.stdin.write(json.dumps(call) + "\n")
        self.server.stdin.flush()
        return self._answer()

    def wait(self) -> int:
        """Exit code of the command that was started last; minus the signal where it was killed. Sets its peak_mb."""
        code = self._answer()
        self.peak_mb = self._answer()
        return code

    def run(self, *arguments: str | Path, file_bytes: int = 0, watched: str = "") -> int:
        self.start(*arguments, file_bytes=file_bytes, watched=watched)
        return self.wait()

    def said(self, stream: str = "err") -> str:
        return Path(f"{self.log}.{stream}").read_text(encoding="utf-8")

    def _answer(self) -> int:
        assert self.server.stdout is not None
        return int(self.server.stdout.readline())


@pytest.fixture(scope="module")
def commands(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Commands]:
    server = subprocess.Popen(
        [sys.executable, "-c", SERVER],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
        cwd=tmp_path_factory.mktemp("cwd"),
        env={**os.environ, "PYTHONPATH": str(Path(__file__).parents[2])},
    )
    made = Commands(server, tmp_path_factory.mktemp("said") / "child")
    assert made._answer() == 0  # it has imported what a load needs
    yield made
    server.communicate()


@pytest.fixture(scope="module")
def export(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_utility(tmp_path_factory.mktemp("export"), jobs=many_jobs(5_000))


@pytest.fixture
def mount(tmp_path: Path) -> Iterator[Callable[[str], Path]]:
    """A function that mounts a small disk in memory, or remounts it read-only; skips where that is not allowed."""
    place = tmp_path / "disk"
    place.mkdir()

    def mount_as(options: str) -> Path:
        command = ["mount", "-t", "tmpfs", "-o", options, "tmpfs", str(place)]
        if not shutil.which("mount") or subprocess.run(command, capture_output=True, check=False).returncode:
            pytest.skip("mounting a disk in memory is not allowed here")
        return place

    yield mount_as
    while os.path.ismount(place):
        subprocess.run(["umount", str(place)], check=True)


def many_jobs(rows: int) -> list[dict[str, str]]:
    return [
        {
            **TABLES["jobs"][0],
            "job_id": f"J{n}",
            "reported_at": f"2018-01-{n % 10 + 1:02d} 0{n % 8}:00",
            "section_id": "",
            "dug_distance_m": f"{20 + n % 90}",
        }
        for n in range(rows)
    ]


def counts(workspace: Path) -> dict[str, int]:
    """Rows of every raw table; the warehouse is opened for writing, so a journal left behind is replayed."""
    stems = [*dictionary.load_tables(), "loads", "files", "findings", "quarantined_rows"]
    with open_warehouse(Workspace(workspace)) as con:
        return {
            s: con.execute(f"select count(*) from raw.{s}").fetchone()[0] if has_table(con, f"raw.{s}") else 0
            for s in stems
        }


@pytest.fixture(scope="module")
def whole(commands: Commands, export: Path, tmp_path_factory: pytest.TempPathFactory) -> tuple[dict[str, int], float]:
    """Rows of a load that nothing befell, and how long it took."""
    place = tmp_path_factory.mktemp("whole")
    start = time.monotonic()
    assert commands.run("load", export, "--workspace", place) == 0, commands.said()
    return counts(place), time.monotonic() - start


def test_a_load_killed_at_any_moment_is_kept_whole_or_not_at_all(
    commands: Commands, export: Path, whole: tuple[dict[str, int], float], tmp_path: Path
) -> None:
    expected, took = whole
    nothing = dict.fromkeys(expected, 0)
    chance = random.Random(20260101)
    fates = {"nothing": 0, "whole": 0}
    for number in range(KILLS):
        place = tmp_path / f"cut{number}"
        child = commands.start("load", export, "--workspace", place)
        time.sleep(chance.uniform(0.0, took))
        with suppress(ProcessLookupError):  # the load may just have ended
            os.kill(child, signal.SIGKILL)
        commands.wait()
        found = counts(place)
        assert found in (expected, nothing), f"kill {number}"
        fates["nothing" if found == nothing else "whole"] += 1
        if not FULL and number:
            continue
        assert commands.run("load", export, "--workspace", place) == 0, commands.said()
        again = counts(place)
        assert {t: again[t] for t in dictionary.load_tables()} == {t: expected[t] for t in dictionary.load_tables()}
        shutil.rmtree(place)
    print(f"{KILLS} kills within {took:.2f} s: {fates}")


def test_what_a_killed_load_left_unpacked_or_spilled_is_swept_by_the_next(commands: Commands, tmp_path: Path) -> None:
    """An archive of 400 MB, and so little memory that the warehouse spills too; by default 40 MB, unpacked alone."""
    rows = 40_000 if FULL else 4_000
    jobs = [row | {"notes": f"{row['job_id']} " + "found at the second pad, " * 400} for row in many_jobs(rows)]
    export = write_utility(tmp_path / "export", jobs=jobs)
    with zipfile.ZipFile(tmp_path / "export.zip", "w") as archive:
        for table in ("districts", "loops", "jobs"):
            archive.write(export / f"{table}.csv", f"{table}.csv")
    settings = tmp_path / "settings.toml"
    settings.write_text("[general]\nmemory_limit_gb = 0.25\n")
    place = tmp_path / "workspace"
    child = commands.start("load", tmp_path / "export.zip", "--workspace", place, "--settings", settings)
    left = {"unpacked-*/*/jobs.csv": 0} | ({"spill/*": 0} if FULL else {})
    deadline = time.monotonic() + 60
    while not all(left.values()) and time.monotonic() < deadline:
        left = {pattern: len(list((place / "runs").glob(pattern))) for pattern in left}
        time.sleep(0.005)
    os.kill(child, signal.SIGKILL)
    assert commands.wait() == -signal.SIGKILL
    assert all(left.values()), left
    assert all(list((place / "runs").glob(pattern)) for pattern in left)
    assert commands.run("load", export / "districts.csv", "--workspace", place) == 0, commands.said()
    assert not [path for pattern in left for path in (place / "runs").glob(pattern)]
    assert commands.run("load", tmp_path / "export.zip", "--workspace", place, "--settings", settings) == 0
    assert counts(place)["jobs"] == rows
    assert not [path for pattern in left for path in (place / "runs").glob(pattern)]


def test_of_two_loads_at_once_one_is_told_who_holds_the_workspace(
    commands: Commands, export: Path, whole: tuple[dict[str, int], float], tmp_path: Path
) -> None:
    holder = commands.start("load", export, "--workspace", tmp_path)
    log = tmp_path / "runs" / "loopwear.log"
    while not (log.exists() and "step load" in log.read_text()):
        time.sleep(0.005)
    os.kill(holder, signal.SIGSTOP)
    try:
        with pytest.raises(UserError, match=f"the workspace is in use by process {holder} "):
            open_warehouse(Workspace(tmp_path))
    finally:
        os.kill(holder, signal.SIGCONT)
    assert commands.wait() == 0
    assert counts(tmp_path) == whole[0]


def check_disk_full(commands: Commands, place: Path, export: Path, file_bytes: int) -> None:
    before = counts(place)
    assert commands.run("load", export, "--workspace", place, file_bytes=file_bytes) == 1
    assert commands.said() == (
        f"loopwear: the disk is full\n  where: {place}\n"
        "  to do: free some space and try again; nothing half-done was kept\n"
    )
    assert counts(place) == before


def test_a_full_disk_leaves_the_warehouse_as_it_was(
    commands: Commands, mount: Callable[[str], Path], export: Path, whole: tuple[dict[str, int], float], tmp_path: Path
) -> None:
    place = mount("size=3m")
    loops = [write_csv(tmp_path / f"{t}.csv", TABLES[t]) for t in ("districts", "loops")]
    assert commands.run("load", *loops, "--workspace", place) == 0, commands.said()
    check_disk_full(commands, place, export, 0)
    mount("remount,size=50m")
    assert commands.run("load", export, "--workspace", place) == 0, commands.said()
    assert counts(place)["jobs"] == whole[0]["jobs"]


def test_a_quota_on_the_size_of_files_is_a_full_disk(commands: Commands, export: Path, tmp_path: Path) -> None:
    check_disk_full(commands, tmp_path, export, 2_000_000)


def test_a_workspace_that_may_not_be_written_is_named(
    commands: Commands, mount: Callable[[str], Path], tmp_path: Path
) -> None:
    districts = write_csv(tmp_path / "districts.csv", TABLES["districts"])
    disk = mount("size=20m")
    assert commands.run("load", districts, "--workspace", disk / "old") == 0, commands.said()
    before = counts(disk / "old")
    mount("remount,ro,size=20m")
    for place in (disk / "old", disk / "new"):
        assert commands.run("load", districts, "--workspace", place) == 1
        said = rf"loopwear: the [^\n]+ be written[^\n]*\n  where: {place}[^\n]*\n  to do: [^\n]*--workspace\n"
        assert re.fullmatch(said, commands.said()), commands.said()
    assert commands.run("status", "--workspace", disk / "old") == 0, commands.said()
    mount("remount,rw,size=20m")
    assert counts(disk / "old") == before


@pytest.mark.parametrize("ending", ["", "\u00e9".encode("cp1252").decode("latin-1")], ids=["clean", "record by record"])
def test_a_file_larger_than_the_memory_allowed_is_loaded_whole(commands: Commands, ending: str, tmp_path: Path) -> None:
    """Long notes make the size; a letter that is not UTF-8 makes Python read the whole file, record by record.

    The full size is 2 GB with 1 GB of memory; by default it is 10 MB and a smaller limit, for the road alone.
    """
    size, limit_mb = (2_000_000_000, 1000) if FULL else (10_000_000, 600)
    for table in ("districts", "loops"):
        write_csv(tmp_path / f"{table}.csv", TABLES[table])
    note = "found at the second pad, " * 200
    jobs = many_jobs(1)[0]
    rows = size // len(note)
    with (tmp_path / "jobs.csv").open("w", encoding="latin-1", newline="") as handle:
        handle.write(",".join(jobs) + "\n")
        for number in range(rows):
            reported = dt.datetime(2004, 1, 1) + number * dt.timedelta(minutes=17)
            jobs |= {"job_id": f"J{number}", "notes": f'"{note}{number}"', "reported_at": f"{reported:%Y-%m-%d %H:%M}Z"}
            handle.write(",".join(jobs.values()) + "\n")
        if ending:
            handle.write(",".join((jobs | {"job_id": "J-last", "notes": ending}).values()) + "\n")
    settings = tmp_path / "settings.toml"
    settings.write_text(f"[general]\nmemory_limit_gb = {0.5 if FULL else 0.25}\n")
    files = [tmp_path / f"{t}.csv" for t in ("districts", "loops", "jobs")]
    place = tmp_path / "workspace"
    assert commands.run("load", *files, "--workspace", place, "--settings", settings) == 0, commands.said()
    print(f"{size / 1e6:.0f} MB, {rows} rows: peak {commands.peak_mb} MB")
    assert counts(place)["jobs"] == rows + bool(ending)
    assert commands.peak_mb < limit_mb
    (tmp_path / "jobs.csv").unlink()
    shutil.rmtree(place)


def test_a_load_calls_nobody_and_leaves_nothing_outside_the_workspace(commands: Commands, tmp_path: Path) -> None:
    """Every rule is run by Great Expectations and one fails; what Python opens for writing is watched meanwhile."""
    jobs = with_changes("jobs", {"loop_id": "L9"})
    export = write_utility(tmp_path / "export", jobs=jobs)
    place, temporary = tmp_path / "workspace", tmp_path / "temporary"
    temporary.mkdir()
    before = sorted(tmp_path.rglob("*"))
    assert commands.run("load", export, "--workspace", place, watched=str(temporary)) == 0
    assert commands.said() == ""
    assert counts(place)["quarantined_rows"] == 1
    seen = commands.said("seen").splitlines()
    assert seen, "nothing was watched"
    strays = [line for line in seen if not line.startswith((f"write {place}", f"write {temporary}"))]
    assert strays == []
    assert [p for p in sorted(tmp_path.rglob("*")) if p not in before and not p.is_relative_to(place)] == []
