"""The store: one DuckDB file a workspace, opened, read and written here alone."""

from __future__ import annotations

import re
import shutil
import sys
from collections.abc import Collection, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import duckdb

from shared import dictionary, migrations
from shared.errors import UserError
from shared.settings import Settings

if TYPE_CHECKING:
    import pandas as pd

UNPACKED = "unpacked-"
"""How the folders of a workspace's runs begin that a load unpacks archives into."""
_swept: set[Path] = set()
"""Workspaces that this process has swept: its own files of later on are no leftovers."""
LAYERS = ("raw", "settings", "staging", "core", "fitted", "marts")


@dataclass(frozen=True)
class Workspace:
    """One folder that holds everything the product writes."""

    folder: Path

    @property
    def warehouse(self) -> Path:
        return self.folder / "warehouse.duckdb"

    @property
    def exports(self) -> Path:
        return self.folder / "exports"

    @property
    def reports(self) -> Path:
        return self.folder / "reports"

    @property
    def results(self) -> Path:
        """The published results, read only; like exports and reports a link into the newest generation."""
        return self.folder / "results.duckdb"

    @property
    def generations(self) -> Path:
        return self.folder / "generations"

    @property
    def runs(self) -> Path:
        return self.folder / "runs"

    @property
    def spill(self) -> Path:
        return self.runs / "spill"

    def make(self) -> None:
        """Make the folders.

        Raises
        ------
        UserError
            The place cannot be written.
        """
        try:
            for folder in (self.folder, self.generations, self.runs):
                folder.mkdir(parents=True, exist_ok=True)
        except OSError as fault:
            raise UserError(
                f"the workspace cannot be written: {fault.strerror}",
                str(self.folder),
                "choose a folder you may write with --workspace",
            ) from None


def open_warehouse(
    workspace: Workspace, settings: Settings | None = None, *, read_only: bool = False
) -> duckdb.DuckDBPyConnection:
    """Open the workspace's warehouse, making it where it is not there yet.

    Raises
    ------
    UserError
        Another process holds it (its PID is named), the file is no warehouse, there is none to read, or it has
        another schema version: a newer one, or an older one where it is only to be read.

    Notes
    -----
    Extensions are never fetched, the session's zone is UTC, memory is limited by the settings. Temporary files that
    a killed process left are swept once the warehouse is held. One of an older version is brought forward when it is
    opened for writing; a copy of it as it was stays beside it.

    Checked by: tests/end_to_end/test_intake_faults.py, tests/end_to_end/test_warehouse_versions.py
    """
    limit = (settings or Settings()).general.memory_limit_gb
    path = workspace.warehouse
    if read_only and not path.exists():
        raise UserError("nothing is loaded here yet", str(path), "run: loopwear load PATH... (or: loopwear demo)")
    if not read_only:
        workspace.make()
    con = _connect(workspace, limit, read_only)
    try:
        version, newest = migrations.find_version(con), max(migrations.read_steps())
        _check_version(path, version, newest, read_only)
        if not read_only:
            _sweep(workspace)
            if 0 < version < newest:
                con.execute("checkpoint")
                con.close()  # copied only once it is closed: closing another handle of an open file gives up its lock
                kept = _copy_aside(path, newest)
                con = _connect(workspace, limit, read_only)
            for layer in LAYERS:
                con.execute(f"create schema if not exists {layer}")
            if version < newest:
                migrations.migrate(con)
            if 0 < version < newest:
                said = f"the warehouse was brought from schema version {version} to {newest}; as it was: {kept}"
                print(f"{said}\nfigures and reports follow with: loopwear refresh", file=sys.stderr)
    except BaseException:
        con.close()
        raise
    return con


def open_results(file: Path) -> duckdb.DuckDBPyConnection:
    """Open a run's results, read only, the session's zone UTC as in the warehouse."""
    con = duckdb.connect(str(file), read_only=True)
    con.execute("set TimeZone = 'UTC'")
    return con


def _connect(workspace: Workspace, limit: float, read_only: bool) -> duckdb.DuckDBPyConnection:
    path = workspace.warehouse
    try:
        con = duckdb.connect(
            str(path),
            read_only=read_only,
            config={
                "memory_limit": f"{limit}GB",
                "temp_directory": str(workspace.spill),
                "autoinstall_known_extensions": False,
                "autoload_known_extensions": False,
            },
        )
    except duckdb.IOException as fault:
        holder = re.search(r"held in (.*?) \(PID (\d+)\)", str(fault))
        if holder:
            raise UserError(
                f"the workspace is in use by process {holder.group(2)} ({holder.group(1)})",
                str(path),
                "wait until it has finished, or stop that process, then try again",
            ) from None
        if "Read-only file system" in str(fault) or "Permission denied" in str(fault):
            raise UserError(
                "the warehouse may not be written",
                str(path),
                "ask for the right to write there, or choose another --workspace",
            ) from None
        raise UserError(
            f"the warehouse cannot be opened: {str(fault).splitlines()[0]}",
            str(path),
            "check that the file is a loopwear warehouse and may be written, or choose another --workspace",
        ) from None
    con.execute("set TimeZone = 'UTC'")
    return con


def _check_version(path: Path, version: int, newest: int, read_only: bool) -> None:
    """Refuse a warehouse of a newer version, and one of an older version that is only to be read."""
    if version > newest:
        raise UserError(
            f"a newer loopwear wrote the warehouse: its schema version is {version}, this one knows {newest}",
            str(path),
            f"use the newer loopwear; or put the copy that it made first, {_aside(path, version).name}, in the place "
            "of the warehouse, and load again what was loaded since",
        )
    if read_only and 0 < version < newest:
        raise UserError(
            f"an older loopwear wrote the warehouse: its schema version is {version}, this one reads {newest}",
            str(path),
            f"run: loopwear refresh (it brings the warehouse forward and keeps a copy, {_aside(path, newest).name})",
        )


def _aside(path: Path, version: int) -> Path:
    return path.with_name(f"{path.name}.before-{version}")


def _copy_aside(path: Path, version: int) -> Path:
    """Copy the closed warehouse as it is before it becomes one of a version: whole, or not at all."""
    kept = _aside(path, version)
    part = kept.with_name(f"{kept.name}.part")
    try:
        shutil.copyfile(path, part)
        part.replace(kept)
    finally:
        part.unlink(missing_ok=True)
    return kept


def _sweep(workspace: Workspace) -> None:
    """Take away what a process that was killed left unpacked or spilled; the warehouse is ours alone by now."""
    if workspace.folder.resolve() in _swept:
        return
    _swept.add(workspace.folder.resolve())
    for folder in (workspace.spill, *workspace.runs.glob(f"{UNPACKED}*")):
        shutil.rmtree(folder, ignore_errors=True)


def roll_back(con: duckdb.DuckDBPyConnection) -> None:
    """Take back what a transaction did, and let the fault that ended it speak for itself.

    Notes
    -----
    Where the disk fills up during a commit, DuckDB has taken it back already and would complain of this call instead.
    """
    with suppress(duckdb.Error):
        con.rollback()


def has_table(con: duckdb.DuckDBPyConnection, name: str) -> bool:
    """Whether a table, named with its layer, is in the warehouse."""
    try:
        con.table(name)  # a tenth of the time that a look at the catalogue's own tables takes
    except duckdb.CatalogException:
        return False
    return True


def read_model(
    con: duckdb.DuckDBPyConnection,
    name: str,
    *,
    first_by: str | None = None,
    rows: int | None = None,
    only: tuple[str, list[str]] | None = None,
    columns: Sequence[str] = (),
    categories: Collection[str] = (),
) -> pd.DataFrame:
    """A table of the warehouse as a frame, in the order of its key, so that the same input gives the same bytes.

    Parameters
    ----------
    first_by
        A column to order by before the key.
    rows
        Rows read at most.
    only
        A column and the values that it must hold.
    columns
        Columns read; all where none is named.
    categories
        Columns of few different texts, read as categories: a number a row where a text would take 60 bytes.
    """
    table = dictionary.tables()[name]
    kinds = {c: _type_of_levels(con, name, c) for c in columns or table.columns if c in categories}
    listed = ", ".join(f'"{c}"{kinds.get(c, "")}' for c in columns or table.columns)
    order = ", ".join(f'"{c}"' for c in ([first_by] if first_by else []) + list(table.key))
    limit = "" if rows is None else f" limit {rows}"
    kept, values = (f' where list_contains(?, "{only[0]}")', [only[1]]) if only else ("", [])
    return con.execute(f"select {listed} from {name}{kept} order by {order}{limit}", values).df()


def _type_of_levels(con: duckdb.DuckDBPyConnection, name: str, column: str) -> str:
    """The cast that makes a column one of its own levels; none where it has no value."""
    levels = con.execute(f'select distinct "{column}" from {name} where "{column}" is not null order by 1').fetchall()
    listed = ", ".join(quoted(level) for (level,) in levels)
    return f'::enum({listed}) as "{column}"' if listed else ""


def write_table(con: duckdb.DuckDBPyConnection, name: str, frame: pd.DataFrame) -> int:
    """Replace a table by a frame that holds just the dictionary's columns; types and comments from there too.

    A frame without any column stands for no rows.

    Returns
    -------
    int
        Rows written.

    Raises
    ------
    ValueError
        The frame lacks a column of the dictionary, or has one more: a fault of ours, never of the data.
    """
    table = dictionary.tables()[name]
    if not len(frame.columns):
        create_table(con, name)
        return 0
    missing, extra = set(table.columns) - set(frame.columns), set(frame.columns) - set(table.columns)
    if missing or extra:
        raise ValueError(f"{name}: frame lacks {sorted(missing)}, has unlisted {sorted(extra)} (tables.toml)")
    create_table(con, name)
    # a relation, for a frame that is registered is kept until the transaction ends
    con.from_df(frame[list(table.columns)]).insert_into(name)
    return len(frame)


def write_tables(con: duckdb.DuckDBPyConnection, frames: Mapping[str, pd.DataFrame]) -> dict[str, int]:
    """Write the tables of a step: of each frame the dictionary's columns are kept; returns rows by table."""
    tables = dictionary.tables()
    return {
        name: write_table(con, name, frame[list(tables[name].columns)] if len(frame.columns) else frame)
        for name, frame in frames.items()
    }


def create_table(con: duckdb.DuckDBPyConnection, name: str) -> None:
    """Make an empty table from the dictionary, replacing any, with its comments."""
    table = dictionary.tables()[name]
    listed = ", ".join(f'"{c}" {dictionary.columns()[c].duckdb_type}' for c in table.columns)
    con.execute(f"create or replace table {name} ({listed})")
    comment_on(con, name)


def comment_on(con: duckdb.DuckDBPyConnection, name: str) -> None:
    """Write the dictionary's meanings into the warehouse's own comments."""
    table = dictionary.tables()[name]
    said = [f"table {name} is {quoted(f'one row is {table.grain}')}"]
    said += [f'column {name}."{column}" is {quoted(table.meaning_of(column))}' for column in table.columns]
    con.execute(";".join(f"comment on {each}" for each in said))  # one by one each would be committed by itself


def quoted(text: object) -> str:
    """A text, or a path, as an SQL literal."""
    return "'" + str(text).replace("'", "''") + "'"


def write_settings(con: duckdb.DuckDBPyConnection, settings: Settings) -> None:
    """Replace settings.current, the one row SQL models read their settings from, and settings.classes."""
    flat = settings.flat()
    types = {bool: "BOOLEAN", int: "BIGINT", float: "DOUBLE", str: "VARCHAR"}
    listed = ", ".join(f"?::{types.get(type(value), 'DATE')} as {key}" for key, value in flat.items())
    con.execute(f"create or replace table settings.current as select {listed}", list(flat.values()))
    con.execute("create or replace table settings.classes (parts VARCHAR, cable_class VARCHAR)")
    for parts, cable_class in settings.intake.classes.items():
        con.execute("insert into settings.classes values (?, ?)", [parts, cable_class])


def read_settings(con: duckdb.DuckDBPyConnection) -> Settings:
    """The settings that settings.current and settings.classes hold: those of the run that wrote them."""
    names = [column[0] for column in con.execute("select * from settings.current").description or ()]
    flat = dict(zip(names, con.execute("select * from settings.current").fetchall()[0], strict=True))
    settings = Settings.from_flat(flat)
    classes = dict(con.execute("select parts, cable_class from settings.classes").fetchall())
    return settings.override("intake", classes=classes) if classes else settings
