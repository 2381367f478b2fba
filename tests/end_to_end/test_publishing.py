"""Results are published whole: killed at any moment, a refresh leaves the generation of before or its own."""

from __future__ import annotations

import json
import os
import random
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

import duckdb
import pandas as pd
import pytest

from pipelines import publish
from pipelines import refresh as road
from shared.errors import UserError
from shared.settings import Settings
from shared.store import Workspace, open_warehouse

PUBLISH = """
import sys
from pathlib import Path
from pipelines import publish
from shared.store import Workspace

space, text = Workspace(Path(sys.argv[1])), sys.argv[2]
space.make()
with publish.generation(space, 2) as folder:
    for n in range(40):
        (folder / "exports" / f"{n}.csv").write_text(text)
        (folder / "reports" / f"{n}.html").write_text(text)
    (folder / "results.duckdb").write_text(text)
    print("written", flush=True)
print("published", flush=True)
"""


def start(space: Workspace, text: str) -> subprocess.Popen[str]:
    return subprocess.Popen([sys.executable, "-c", PUBLISH, str(space.folder), text], stdout=subprocess.PIPE, text=True)


def texts_in(space: Workspace) -> set[str]:
    """What the published files hold: one text where they are of one generation."""
    files = [space.results, *space.exports.glob("*"), *space.reports.glob("*")]
    assert len(files) == 81
    return {file.read_text(encoding="utf-8") for file in files}


def test_a_kill_at_any_moment_leaves_the_old_or_the_new_generation(tmp_path: Path) -> None:
    space = Workspace(tmp_path)
    assert start(space, "0").wait() == 0 and texts_in(space) == {"0"}
    draws, standing = random.Random(13), "0"
    for n in range(1, 16):
        killed = start(space, str(n))
        if n % 3 == 0:  # as near to the renames as can be
            assert killed.stdout is not None and killed.stdout.readline()
            time.sleep(draws.uniform(0, 0.004))
        else:
            time.sleep(draws.uniform(0.1, 0.9))
        killed.send_signal(signal.SIGKILL)
        killed.wait()
        found = texts_in(space)
        assert found in ({standing}, {str(n)}), found
        standing = found.pop()
    assert start(space, "last").wait() == 0
    assert texts_in(space) == {"last"}
    assert not list(space.generations.glob("*.unfinished"))
    assert sum(place.name.isdecimal() for place in space.generations.iterdir()) == 3


KILL_AT_RENAME = f"""
import os, signal, sys
left, rename = int(sys.argv[3]), os.replace
def replace(*places):
    global left
    left -= 1
    if left == 0:
        os.kill(os.getpid(), signal.SIGKILL)
    rename(*places)
os.replace = replace
{PUBLISH}"""


def kill_at_rename(space: Workspace, text: str, number: int) -> bool:
    """Publish and kill just before that rename; whether there was one."""
    done = subprocess.run([sys.executable, "-c", KILL_AT_RENAME, str(space.folder), text, str(number)], check=False)
    assert done.returncode in (0, -signal.SIGKILL)
    return done.returncode != 0


def test_a_kill_before_each_rename_leaves_the_old_generation(tmp_path: Path) -> None:
    space = Workspace(tmp_path)
    assert start(space, "old").wait() == 0
    assert [kill_at_rename(space, "new", number) for number in (1, 2)] == [True, True]
    assert texts_in(space) == {"old"}
    assert not kill_at_rename(space, "new", 3)
    assert texts_in(space) == {"new"}


def test_a_kill_before_each_rename_of_taking_over_loses_no_file(tmp_path: Path) -> None:
    number, killed = 0, True
    while killed:
        number += 1
        space = Workspace(tmp_path / str(number))
        for folder in (space.exports, space.reports):
            folder.mkdir(parents=True)
            (folder / "own.txt").write_text(folder.name)
        killed = kill_at_rename(space, "first", number)
        hidden = [folder for folder in (space.exports, space.reports) if killed and not (folder / "own.txt").exists()]
        assert len(hidden) <= 1  # between its move and its link
        assert start(space, "second").wait() == 0
        assert texts_in(space) == {"second"}
        assert sorted(path.read_text() for path in space.generations.rglob("own.txt")) == ["exports", "reports"]
    assert number == 9  # after eight renames nothing is left to kill at


def test_a_link_of_the_users_own_is_replaced_and_what_it_leads_to_stays(tmp_path: Path) -> None:
    space = Workspace(tmp_path / "space")
    space.make()
    elsewhere = tmp_path / "elsewhere"
    elsewhere.mkdir()
    (elsewhere / "own.txt").write_text("own")
    space.exports.symlink_to(elsewhere)
    assert start(space, "0").wait() == 0
    assert texts_in(space) == {"0"}
    assert (elsewhere / "own.txt").read_text() == "own"


def test_a_reader_of_a_generation_that_is_replaced_finishes_on_it(tmp_path: Path) -> None:
    space = Workspace(tmp_path)
    space.make()
    for n in range(5):
        with publish.generation(space, 0) as folder, duckdb.connect(str(folder / "results.duckdb")) as con:
            con.execute(f"create table numbers as select {n} as n from range(100000)")
        if n == 0:
            reader = duckdb.connect(str(space.results.resolve()), read_only=True)
    assert reader.execute("select min(n), max(n), count(*) from numbers").fetchall() == [(0, 0, 100_000)]
    with duckdb.connect(str(space.results), read_only=True) as con:
        assert con.execute("select max(n) from numbers").fetchall() == [(4,)]


def test_folders_of_an_earlier_version_are_moved_aside_and_kept(tmp_path: Path) -> None:
    space = Workspace(tmp_path)
    for folder in (space.exports, space.reports):
        folder.mkdir()
        (folder / "own.txt").write_text(folder.name)
    with publish.generation(space, 0) as unfinished:
        assert (space.exports / "own.txt").read_text() == "exports"  # what was there is still to be read
        (unfinished / "exports" / "new.csv").write_text("new")
    assert (space.generations / "before" / "reports" / "own.txt").read_text() == "reports"
    assert [path.name for path in space.exports.iterdir()] == ["new.csv"]


READ = """
import sys, duckdb
con = duckdb.connect(sys.argv[1], read_only=True)
print("open", flush=True)
sys.stdin.readline()
print(con.execute("select count(*) from staging.jobs").fetchall()[0][0])
"""


def test_a_failure_while_publishing_keeps_what_is_published(
    demo_space: Workspace, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    space = Workspace(Path(shutil.copytree(demo_space.folder, tmp_path / "space")))
    # what is published changes with the warehouse's settings; models and pages are other tests' concern
    monkeypatch.setattr(road, "STEPS", {"core": road.STEPS["core"]})
    monkeypatch.setitem(road.PUBLISHING, "reports", lambda _: {})
    reader = subprocess.Popen([sys.executable, "-c", READ, str(space.results)], stdin=-1, stdout=-1, text=True)
    assert reader.stdout is not None and reader.stdout.readline() == "open\n"
    run = road.refresh(space, Settings().override("general", as_of=None))  # another process reads meanwhile
    told = reader.communicate("go on\n")[0]
    with duckdb.connect(str(demo_space.results), read_only=True) as con:
        assert told == f"{con.execute('select count(*) from staging.jobs').fetchall()[0][0]}\n"
    before = {path.name: path.read_bytes() for path in space.exports.iterdir()}

    def fail(_: object) -> dict[str, int]:
        raise UserError("the paper is wet", "reports", "dry it")

    monkeypatch.setitem(road.PUBLISHING, "reports", fail)
    later = Settings().override("general", as_of=pd.Timestamp("2020-06-30").date())
    with pytest.raises(UserError, match="the paper is wet"):
        road.refresh(space, later)
    assert {path.name: path.read_bytes() for path in space.exports.iterdir()} == before
    with open_warehouse(space, read_only=True) as con:  # its tables are those of the later run
        assert con.execute("select general_as_of from settings.current").fetchall() == [(later.general.as_of,)]
        assert run.settings.general.as_of != later.general.as_of
        last = con.execute("select outcome, failed_step, fault from raw.runs order by run_number desc").fetchall()[0]
    assert last == ("failed", "reports", "the paper is wet\n  where: reports\n  to do: dry it")
    attempt = publish.read_last_attempt(space)
    assert attempt is not None and (attempt["outcome"], attempt["failed_step"]) == ("failed", "reports")
    assert publish.describe_attempt(space)[0].startswith("last refresh: failed at reports, begun 20")
    assert "the paper is wet" in publish.describe_attempt(space)[0]
    assert publish.describe_attempt(space)[1].startswith(
        f"published: generation 2, as of {run.settings.general.as_of}, run "
    )


def test_an_attempt_whose_process_is_gone_was_stopped(tmp_path: Path) -> None:
    space = Workspace(tmp_path)
    space.make()
    assert publish.read_last_attempt(space) is None and publish.describe_attempt(space) == []
    publish.note_attempt(space, started=publish.moment(), outcome="running", failed_step="core")
    kept = json.loads((space.runs / "last_attempt.json").read_text(encoding="utf-8"))
    assert (kept["outcome"], kept["process"], kept["ended"]) == ("running", os.getpid(), None)
    gone = subprocess.Popen([sys.executable, "-c", ""])
    gone.wait()
    (space.runs / "last_attempt.json").write_text(json.dumps(kept | {"process": gone.pid}), encoding="utf-8")
    attempt = publish.read_last_attempt(space)
    assert attempt is not None and (attempt["outcome"], attempt["message"]) == ("stopped", "it was killed")


def test_results_hold_no_crew_and_no_notes_unless_asked_for(demo_space: Workspace, tmp_path: Path) -> None:
    with duckdb.connect(str(demo_space.results), read_only=True) as con:
        told = "select count(crew_id), count(notes), count(*) from staging.jobs"
        crews, notes, jobs = con.execute(told).fetchall()[0]
        assert (crews, notes) == (0, 0) and jobs > 0
        assert con.execute("select distinct crew from core.job_groups").fetchall() == [("unknown",)]
    shown = Settings().override("restoration", show_crews=True, show_notes=True)
    shutil.copy(demo_space.warehouse, tmp_path / "warehouse.duckdb")
    with duckdb.connect(str(tmp_path / "warehouse.duckdb")) as con:
        publish.write_results(con, tmp_path / "results.duckdb", shown)
    with duckdb.connect(str(tmp_path / "results.duckdb"), read_only=True) as con:
        assert con.execute(told).fetchall()[0][0] > 0


def test_parquet_says_of_which_run_it_is(demo_space: Workspace) -> None:
    with duckdb.connect() as con:
        file = str(demo_space.exports / "loop_ranking.parquet")
        found = con.execute("select key, value from parquet_kv_metadata(?)", [file]).fetchall()
    with duckdb.connect(str(demo_space.results), read_only=True) as con:
        run, as_of, schema = con.execute("select run, as_of, schema_version from about").fetchall()[0]
    said = {key.decode(): value.decode() for key, value in found}
    assert {key: said[key] for key in ("run", "as_of", "schema_version")} == {
        "run": run, "as_of": as_of, "schema_version": schema,
    }  # fmt: skip
