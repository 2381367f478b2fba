"""The published results of a run, read only: its settings, what a choice may name, and the tables of a choice."""

from __future__ import annotations

from dataclasses import replace
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING

import duckdb

from reports.choice import Known
from reports.marts import Marts
from reports.narrow import Narrowed
from shared.errors import UserError
from shared.store import has_table, read_settings

if TYPE_CHECKING:
    from types import TracebackType

    from reports.choice import Choice
    from shared.settings import Settings


class Results:
    """One published generation's results.duckdb.

    Raises
    ------
    UserError
        There are no results yet.

    Notes
    -----
    The file is opened by its real place: whoever has it open finishes on it when a newer generation takes its place.

    Checked by: tests/unit/test_reports_narrow.py
    """

    def __init__(self, file: Path) -> None:
        if not file.exists():
            raise UserError("there are no results yet", str(file), "run: loopwear refresh")
        self.file = file.resolve()
        self.con = duckdb.connect(str(self.file), read_only=True)
        self.con.execute("set TimeZone = 'UTC'")
        self._narrowed: dict[Choice, Narrowed] = {}

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
    def whole(self) -> Marts:
        """The tables of everything."""
        return Marts(self.con)

    @cached_property
    def known(self) -> Known:
        """What a choice may name."""

        def named(table: str, column: str) -> tuple[str, ...]:
            if not has_table(self.con, table):
                return ()
            rows = self.con.execute(f'select distinct "{column}" from {table} where "{column}" is not null order by 1')
            return tuple(str(row[0]) for row in rows.fetchall())

        as_of = self.settings.general.as_of
        span = self.con.execute("select min(reported_on), max(reported_on) from core.job_stages").fetchone()
        first, last = span if span and span[0] else (as_of, as_of)
        crews = named("core.job_groups", "crew") if self.settings.restoration.show_crews else ()
        return Known(
            named("staging.districts", "district_id"),
            named("core.section_exposure", "cable_class"),
            named("core.locating_readings", "instrument_id"),
            crews,
            first,
            max(last, as_of) if as_of else last,
        )

    @cached_property
    def ids(self) -> dict[str, str]:
        """Ids that sentences may name, loops and instruments, and the kind of each."""
        loops = self.con.execute("select loop_id from staging.loops").fetchall()
        return {str(loop): "loop" for (loop,) in loops} | dict.fromkeys(self.known.instruments, "instrument")

    def marts(self, choice: Choice) -> Marts:
        """The tables of a choice: those with an id narrowed to it, aggregates worked out again for it."""
        narrowing = replace(choice, against="", units="metric")
        if not narrowing.parts:
            return self.whole
        if narrowing not in self._narrowed:
            self._narrowed[narrowing] = Narrowed(self.file, narrowing, self.settings)
        return self._narrowed[narrowing]
