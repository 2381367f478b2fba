"""Mappings: how the columns of a file become the columns of the dictionary."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, field
from pathlib import Path

from pipelines.intake.expressions import Expression
from shared import dictionary

DECISIONS = ("decision", "cluster_decision")
"""Columns that a person fills in; a row without is undecided."""
NAMED_FORMATS = ("iso", "excel_serial", "epoch_s", "epoch_ms")
"""Forms of stamps with a name: 2019-04-30 14:05 with an offset or none, as is read where no format is said; days since
1899-12-30; seconds or milliseconds since 1970-01-01 UTC."""


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
class Database:
    """Where a table block reads from instead of files: an address without a password, and one query.

    ``file`` is set where it is a file of SQLite. Without ``query`` the whole of ``relation`` is read.
    """

    address: str
    query: str | None = None
    relation: str | None = None
    file: Path | None = None

    @property
    def label(self) -> str:
        """What messages call it."""
        return f"{self.address}, {self.relation or 'its query'}"


@dataclass(frozen=True)
class Join:
    """Columns of other files beside each row, where the texts under this table's headers are those under theirs.

    ``source`` says how the others are read; where its pattern is empty they are the row's own file.
    """

    source: TableSource
    on: dict[str, str]
    prefix: str = ""
    is_many: bool = False


@dataclass(frozen=True)
class RowsFromColumns:
    """Repeated columns to rows: the pattern's first group is the number, its second the header of the rows."""

    pattern: str
    number: str


@dataclass(frozen=True)
class ColumnsFromRows:
    """Rows to columns: one row a key, a column for each text under ``name``, in it the text under ``value``.

    ``names`` are those that a file may lack.
    """

    key: tuple[str, ...]
    name: str
    value: str
    names: tuple[str, ...] = ()


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
    database: Database | None = None
    records: str | None = None
    joins: tuple[Join, ...] = ()
    rows_from_columns: RowsFromColumns | None = None
    columns_from_rows: ColumnsFromRows | None = None
    derived: dict[str, Expression] = field(default_factory=dict)
    snapshot: bool = False
    gone: str | None = None
    taken_on: dt.date | None = None
    changed_cable: str | None = None

    @property
    def headers(self) -> tuple[str, ...]:
        """Headers of the file that the mapping needs, each once, in order."""
        named = [c for source in self.columns.values() for c in source.columns] + [f.column for f in self.filters]
        named += [h for expression in self.derived.values() for h in expression.headers]
        named += [h for join in self.joins for h in join.on]
        if self.columns_from_rows:
            named += [*self.columns_from_rows.key, self.columns_from_rows.name, self.columns_from_rows.value]
        return tuple(dict.fromkeys(named))

    @property
    def is_shaped(self) -> bool:
        """Whether rows are joined, turned or given derived headers before columns are read from them."""
        return bool(self.joins or self.rows_from_columns or self.columns_from_rows or self.derived)


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
