"""Mappings: how the columns of a file become the columns of the dictionary."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, field

from shared import dictionary

DECISIONS = ("decision", "cluster_decision")
"""Columns that a person fills in; a row without is undecided."""


@dataclass(frozen=True)
class ColumnSource:
    """Where one column of the dictionary comes from.

    ``columns`` are headers of the file, joined with ``joiner`` where there are several; ``value`` is a
    constant instead. ``unit`` is a key of shared.units (metres, or a velocity convention).
    """

    columns: tuple[str, ...] = ()
    joiner: str = " "
    value: str | None = None
    unit: str | None = None
    formats: tuple[str, ...] = ()
    codes: dict[str, str] = field(default_factory=dict)
    default: str | None = None


@dataclass(frozen=True)
class RowFilter:
    """Rows of a file that a mapping keeps: those whose cell is one of the values, or with keep = false none of them.

    Case and blanks around a cell do not matter; an empty text stands for an empty cell.
    """

    column: str
    values: tuple[str, ...]
    keep: bool = True


@dataclass(frozen=True)
class TableSource:
    """How one file, or one kind of file, becomes rows of one table.

    ``decimal`` is the mark before decimals where the mapping states it; a point stands for it where it does not.
    A ``snapshot`` is whole: what stands from such files and is missing is gone; ``gone`` says whether it is closed, on
    the day ``taken_on`` that the snapshot is of, or kept. ``changed_cable`` says what another cable under an id is.
    ``headers_beside`` are those that other blocks take from the same files: they too tell the delimiter.
    """

    table: str
    columns: dict[str, ColumnSource]
    pattern: str = "*"
    sheet: str | None = None
    delimiter: str | None = None
    encoding: str | None = None
    skip_rows: int = 0
    skip_after_header: int = 0
    decimal: str | None = None
    timezone: str | None = None
    formats: tuple[str, ...] = ()
    filters: tuple[RowFilter, ...] = ()
    is_mapped: bool = True
    headers_beside: tuple[str, ...] = ()
    snapshot: bool = False
    gone: str | None = None
    taken_on: dt.date | None = None
    changed_cable: str | None = None

    @property
    def headers(self) -> tuple[str, ...]:
        """Headers of the file that the mapping needs, each once, in order."""
        named = [c for source in self.columns.values() for c in source.columns]
        return tuple(dict.fromkeys(named + [f.column for f in self.filters]))


@dataclass(frozen=True)
class Mapping:
    """A mapping file: its table blocks, and insulation codes it registers (code to meaning)."""

    tables: tuple[TableSource, ...] = ()
    insulations: dict[str, str] = field(default_factory=dict)


def canonical_source(table: str) -> TableSource:
    """The mapping of a file in the canonical form: every column under its own name.

    Of a file of corrections or clusters the rows that nobody decided on are left out.
    """
    facts = dictionary.load_tables()[table]
    undecided = tuple(RowFilter(c, ("",), keep=False) for c in facts.columns if c in DECISIONS)
    columns = {c: ColumnSource((c,)) for c in facts.source_columns}
    return TableSource(table, columns, filters=undecided, is_mapped=False)
