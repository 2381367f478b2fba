"""One table's share of a load: what its steps hand from one to the next.

The rows themselves stay in temporary tables of the connection: ``read_0``, ``read_1`` ... (texts of each file),
``typed`` (values), ``judged`` (those that need judging), ``new_findings``, ``rejected`` and ``sorted``.
"""

import datetime as dt
from dataclasses import dataclass, field
from pathlib import Path

import duckdb

from pipelines.intake.shapes import Joined, drop_read
from pipelines.intake.sources import SourceFile
from pipelines.intake.text import ReadFile
from pipelines.intake.typed import TypedSelect
from shared import dictionary
from shared.settings import Settings

TEMPORARY_TABLES = (
    "typed",
    "exempt",
    "cable_changes",
    "gone",
    "repeats",
    "new_findings",
    "rejected",
    "sorted",
    "failed_rules",
    "failing",
    "failing_texts",
    "column_forms",
    "pool",
    "open_again",
    "near_in_time",
    "near_in_place",
    "chain_breaks",
    "step_totals",
    "correction_faults",
    "cluster_faults",
    "zone_of",
    "known_zones",
    "known_districts",
    "known_loops",
    "known_terminals",
    "known_sections",
    "known_instruments",
    "known_jobs",
)


@dataclass(frozen=True)
class TableShare:
    """The files of one table in a load, and what is known of them so far."""

    con: duckdb.DuckDBPyConnection
    load_id: str
    table: str
    files: tuple[SourceFile, ...]
    settings: Settings
    now: dt.datetime
    careful: frozenset[Path] = frozenset()
    as_newest: bool = False
    reads: list[ReadFile] = field(default_factory=list)
    selects: list[TypedSelect] = field(default_factory=list)
    joined: dict[tuple[int, tuple[Path, ...]], Joined] = field(default_factory=dict)

    @property
    def facts(self) -> dictionary.Table:
        return dictionary.load_tables()[self.table]

    @property
    def key(self) -> tuple[str, ...]:
        """Key columns, quoted."""
        return tuple(f'"{c}"' for c in self.facts.key)

    @property
    def identity(self) -> tuple[str, ...]:
        """Key columns without the revision: what makes two rows speak of one thing."""
        return tuple(c for c in self.key if c != '"revision"')

    @property
    def rank(self) -> str:
        """SQL of a row's revision as a number; a row without one ranks below every row that has one."""
        return "coalesce(revision, -1)" if '"revision"' in self.key else "0"

    def same(self, one: str, two: str, columns: tuple[str, ...]) -> str:
        """SQL that says whether two rows agree in some key columns; optional ones agree when both are empty."""
        return " and ".join(
            f"{one}.{c} = {two}.{c}"
            if c.strip('"') in self.facts.required
            else f"{one}.{c} is not distinct from {two}.{c}"
            for c in columns
        )

    def has_rows(self) -> bool:
        """Whether anything of this table was kept by an earlier load."""
        return self.con.execute(f"select 1 from raw.{self.table} limit 1").fetchone() is not None

    def drop_temporary(self) -> None:
        """Free the memory of this share."""
        for number in range(len(self.files)):
            drop_read(self.con, f"read_{number}")
        for joined in self.joined.values():
            self.con.execute(f"drop table if exists temp.{joined.name}")
        self.con.execute("drop view if exists judged")
        for name in TEMPORARY_TABLES:
            self.con.execute(f"drop table if exists temp.{name}")
