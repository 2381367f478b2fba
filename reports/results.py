"""The published results of a run, read only: its settings, what a choice may name, and the tables of a choice."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace
from functools import cached_property
from pathlib import Path
from types import TracebackType

from reports.choice import Choice, Known
from reports.marts import Marts
from reports.narrow import Narrowed
from shared.errors import UserError
from shared.migrations import name_schema
from shared.settings import Settings
from shared.store import has_table, open_results, read_settings

NARROWED_KEPT = 4
"""Choices whose tables are kept, each a database in memory: a page reads its choice, the period compared with, and the
districts of its card."""


class Results:
    """One published generation's results.duckdb.

    Raises
    ------
    UserError
        There are no results yet, or another version of loopwear published them.

    Notes
    -----
    The file is opened by its real place: whoever has it open finishes on it when a newer generation takes its place.

    Checked by: tests/unit/test_reports_narrow.py
    """

    def __init__(self, file: Path) -> None:
        if not file.exists():
            raise UserError("there are no results yet", str(file), "run: loopwear refresh")
        self.file = file.resolve()
        self.con = open_results(self.file)
        self._narrowed: dict[Choice, Narrowed] = {}
        if self.con.execute("select schema_version from about").fetchall() != [(name_schema(),)]:
            self.close()
            raise UserError("another version of loopwear published these results", str(file), "run: loopwear refresh")

    def __enter__(self) -> Results:
        return self

    def __exit__(self, kind: type[BaseException] | None, fault: BaseException | None, at: TracebackType | None) -> None:
        self.close()

    def close(self) -> None:
        """Close every connection."""
        for narrowed in self._narrowed.values():
            narrowed.close()
        self.con.close()

    @cached_property
    def settings(self) -> Settings:
        """Settings of the run, its as-of date resolved."""
        return read_settings(self.con)

    @cached_property
    def run(self) -> str:
        """The hash of the run: of its inputs, settings, as-of day and version."""
        return str(self.con.execute("select run from about").fetchall()[0][0])

    @cached_property
    def whole(self) -> Marts:
        """The tables of everything."""
        return Marts(self.con)

    @cached_property
    def known(self) -> Known:
        """What a choice may name."""
        as_of = self.settings.general.as_of or dt.date(1970, 1, 1)
        days = "select min(reported_on), max(reported_on) from core.job_stages"
        found = self.con.execute(days).fetchall()[0] if has_table(self.con, "core.job_stages") else (None, None)
        crews = self._named("core.job_groups", "crew") if self.settings.restoration.show_crews else ()
        return Known(
            self._named("staging.districts", "district_id"),
            self._named("core.section_exposure", "cable_class"),
            self._named("core.locating_readings", "instrument_id"),
            crews,
            found[0] or as_of,
            max(found[1] or as_of, as_of),
        )

    def _named(self, table: str, column: str) -> tuple[str, ...]:
        """The different values of a column, in order; none where the table is not there."""
        if not has_table(self.con, table):
            return ()
        rows = self.con.execute(f'select distinct "{column}" from {table} where "{column}" is not null order by 1')
        return tuple(str(value) for (value,) in rows.fetchall())

    @cached_property
    def ids(self) -> dict[str, str]:
        """Ids that sentences may name, loops and instruments, and the kind of each."""
        loops = dict.fromkeys(self._named("staging.loops", "loop_id"), "loop")
        return loops | dict.fromkeys(self._named("marts.instrument_bias", "instrument_id"), "instrument")

    def marts(self, choice: Choice) -> Marts:
        """The tables of a choice: those with an id narrowed to it, aggregates worked out again for it."""
        narrowing = replace(choice, against="", units="metric")
        if not narrowing.parts:
            return self.whole
        # the last one asked for comes last
        found = self._narrowed.pop(narrowing, None) or Narrowed(self.file, narrowing, self.settings)
        self._narrowed[narrowing] = found
        if len(self._narrowed) > NARROWED_KEPT:
            self._narrowed.pop(next(iter(self._narrowed))).close()
        return found
