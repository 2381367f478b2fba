"""Results are published whole: exports, results.duckdb and pages of a run are one generation, put in place at once.

    generations/12/{exports, reports, results.duckdb}
    generations/current -> 12        the one link that is replaced
    exports, reports, results.duckdb -> generations/current/...

A run that fails or is killed leaves the generation of before in its place; the next sweeps what it left unfinished.
"""

import datetime as dt
import hashlib
import json
import os
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from importlib.metadata import version
from pathlib import Path
from typing import Any

import duckdb

from shared import dictionary, migrations
from shared.settings import Settings
from shared.store import Workspace, comment_on, has_table, quoted

PUBLISHED = ("exports", "reports", "results.duckdb")
"""What a generation holds; each has a link of its name in the workspace."""

UNFINISHED = ".unfinished"

LAYERS = ("staging", "core", "fitted", "marts")
"""Layers that the pages, the sheets and the dig windows read."""

BOOKS = ("raw.loads", "raw.files", "settings.current", "settings.classes")
"""What they read of intake's books and the settings."""

HIDDEN = {
    "staging.jobs": {"crew_id": "show_crews", "notes": "show_notes"},
    "core.job_stages": {"crew_id": "show_crews"},
    "core.job_groups": {"crew": "show_crews"},
}
"""Columns that say who worked and what they wrote, and the setting of restoration that publishes them."""


@contextmanager
def generation(workspace: Workspace, kept: int) -> Iterator[Path]:
    """A folder for the next generation, put in place where the block ends well and removed where it does not.

    Parameters
    ----------
    kept
        Older generations that are kept.

    Notes
    -----
    Checked by: tests/end_to_end/test_publishing.py
    """
    home = workspace.generations
    home.mkdir(parents=True, exist_ok=True)
    for left in home.glob(f"*{UNFINISHED}"):
        shutil.rmtree(left, ignore_errors=True)
    _adopt(workspace)
    numbers = sorted(int(place.name) for place in home.iterdir() if place.name.isdecimal())
    number = (numbers[-1] if numbers else 0) + 1
    # a name of its own: the workbooks' process of a killed run may still be writing to that run's folder
    unfinished = home / f"{number}.{os.getpid()}{UNFINISHED}"
    for folder in ("exports", "reports"):
        (unfinished / folder).mkdir(parents=True)
    try:
        yield unfinished
        unfinished.replace(home / str(number))
        _point(home / "current", str(number))
    except BaseException:
        shutil.rmtree(unfinished, ignore_errors=True)
        raise
    for old in numbers[: max(0, len(numbers) - kept)]:
        shutil.rmtree(home / str(old), ignore_errors=True)


def _point(link: Path, target: str) -> None:
    """Make a link point to a target by one rename, whether it was there or not."""
    beside = link.with_name(f".{link.name}{UNFINISHED}")
    beside.unlink(missing_ok=True)
    beside.symlink_to(target)
    beside.replace(link)


def _adopt(workspace: Workspace) -> None:
    """Make the links of the workspace; what lies in their places is moved aside, whole, and kept.

    An earlier version wrote folders there, and a copy of a workspace may hold folders for links. Each is read at its
    old address again as soon as its link is made, so that a kill hides one of them at most, until the next run.
    """
    home, current = workspace.generations, workspace.generations / "current"
    links = [workspace.folder / name for name in PUBLISHED]
    real = [place for place in (current, *links) if place.exists() and not place.is_symlink()]

    def aside() -> Path:
        taken = len(list(home.glob("before*")))
        return home / (f"before-{taken}" if taken else "before")

    if real and not current.is_symlink():
        first = aside()
        if current in real:
            current.replace(first)
        else:
            first.mkdir()
        _point(current, first.name)
    spare = aside()
    for link in links:
        if link in real:
            place = spare if (current / link.name).exists() else current.resolve()
            place.mkdir(exist_ok=True)
            link.replace(place / link.name)
        target = f"generations/current/{link.name}"
        if not link.is_symlink() or link.readlink() != Path(target):  # one of the user's own leads elsewhere
            _point(link, target)


def write_results(con: duckdb.DuckDBPyConnection, file: Path, settings: Settings) -> dict[str, int]:
    """Copy what is exported, and what pages read besides, into a database of its own, with the dictionary's comments.

    Parameters
    ----------
    con
        The warehouse, its transaction committed: a transaction writes to one database only.
    file
        Where the database goes.

    Returns
    -------
    dict
        Rows by table.
    """
    listed = [table.name for table in dictionary.tables().values() if table.layer in LAYERS]
    rows: dict[str, int] = {}
    home = con.execute("select current_database()").fetchall()[0][0]
    con.execute(f"attach {quoted(file)} as results")
    try:
        for layer in (*LAYERS, "raw", "settings"):
            con.execute(f"create schema results.{layer}")
        for name in (*listed, *BOOKS):
            if not has_table(con, name):
                continue
            table = dictionary.tables().get(name)
            hidden = [c for c, key in HIDDEN.get(name, {}).items() if not getattr(settings.restoration, key)]
            # a group needs a name; what is not published is as good as unknown
            blanks = ", ".join(f"'unknown' as \"{c}\"" if c == "crew" else f'null::varchar as "{c}"' for c in hidden)
            shown = f" replace ({blanks})" if blanks else ""
            order = "order by " + ", ".join(f'"{c}"' for c in table.key) if table else ""
            copied = con.execute(f'create table results.{name} as select *{shown} from "{home}".{name} {order}')
            rows[name] = copied.fetchall()[0][0]
        about = about_run(con, settings)
        fields = ", ".join(f"?::varchar as {key}" for key in about)
        con.execute(f"create table results.about as select {fields}", list(about.values()))
        con.execute("use results")
        con.begin()
        for name in listed:
            if name in rows:
                comment_on(con, name)
        con.commit()
    finally:
        con.execute(f'use "{home}"')
        con.execute("detach results")
    return rows


def about_run(con: duckdb.DuckDBPyConnection, settings: Settings) -> dict[str, str]:
    """What the results of a run rest on: a hash of inputs, settings, as-of day and versions, and the latter three."""
    digests = "select string_agg(digest, ' ' order by load_id, file_no) from raw.files"
    inputs = con.execute(digests).fetchall() if has_table(con, "raw.files") else []
    about = {
        "as_of": str(settings.general.as_of),
        "version": version("loopwear"),
        "schema_version": migrations.name_schema(),
    }
    told = json.dumps([inputs, {k: str(v) for k, v in settings.flat().items()}, about], sort_keys=True)
    return {"run": hashlib.sha256(told.encode()).hexdigest()[:16], **about}


# ------------------------------------------------------------------ the last attempt


def _attempt_file(workspace: Workspace) -> Path:
    return workspace.runs / "last_attempt.json"


def note_attempt(workspace: Workspace, **facts: Any) -> None:
    """Keep how the last refresh stands: started, ended, outcome, failed_step, message; whole or not at all."""
    file = _attempt_file(workspace)
    fields = dict.fromkeys(("started", "ended", "outcome", "failed_step", "message")) | facts | {"process": os.getpid()}
    beside = file.with_name(f"{file.name}{UNFINISHED}")
    beside.write_text(json.dumps(fields, indent=1) + "\n", encoding="utf-8")
    beside.replace(file)


def read_last_attempt(workspace: Workspace) -> dict[str, Any] | None:
    """The last refresh, done or not; one that says it is running and whose process is gone was killed.

    Checked by: tests/end_to_end/test_publishing.py
    """
    try:
        found: dict[str, Any] = json.loads(_attempt_file(workspace).read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return None
    if found["outcome"] == "running" and os.name == "posix" and not _is_there(found["process"]):
        found |= {"outcome": "stopped", "message": "it was killed"}
    return found


def _is_there(process: int) -> bool:
    try:
        os.kill(process, 0)
    except OSError as fault:
        return isinstance(fault, PermissionError)  # another user's
    return True


def describe_attempt(workspace: Workspace) -> list[str]:
    """The last refresh in words, and which run is published."""
    said, attempt = [], read_last_attempt(workspace)
    if attempt:
        at = f" at {attempt['failed_step']}" if attempt["failed_step"] else ""
        why = f": {attempt['message']}" if attempt["message"] else ""
        said.append(f"last refresh: {attempt['outcome']}{at}, begun {attempt['started']}{why}")
    if workspace.results.exists():
        import duckdb

        file = workspace.results.resolve()
        with duckdb.connect(str(file), read_only=True) as con:
            run, as_of, made_with = con.execute("select run, as_of, version from about").fetchall()[0]
        said.append(f"published: generation {file.parent.name}, as of {as_of}, run {run}, made with {made_with}")
    return said


def moment() -> str:
    """Now, in UTC, as attempts are dated."""
    return f"{dt.datetime.now(dt.UTC):%Y-%m-%d %H:%M:%S} UTC"
