"""Rows of a file into another shape, before columns are read from them: joined, turned, with derived headers.

Each step is SQL over the texts of the step before; the last is kept as the temporary table of the file.
"""

import re
from collections.abc import Sequence
from dataclasses import dataclass, replace

import duckdb

from pipelines.intake.expression_sql import Marks, derived_sql
from pipelines.intake.expressions import Expression
from pipelines.intake.mapping import ColumnsFromRows, ColumnSource, Join, RowsFromColumns, TableSource
from pipelines.intake.text import ROW_BITS, ReadFile, clean_header, source_row
from pipelines.intake.typed import filters_sql, text_sql
from pipelines.validation.file_results import JoinFacts
from pipelines.validation.quarantine import QUARANTINE_ID
from shared.errors import UserError, suggest_name
from shared.store import quoted

MOST_NAMES = 500
"""Columns that rows may be turned into: more are no kinds of events but ids or stamps."""


@dataclass(frozen=True)
class Joined:
    """What stands beside rows: the temporary table ``name`` holds row numbers, keys k1 ... and cells c1 ...

    ``unread`` tells of rows of its files that cannot be split into columns: how many, and the first with its fault.
    """

    name: str
    label: str
    headers: tuple[str, ...]
    has_zero: bool
    unread: tuple[int, str] = (0, "")


def shape_file(
    con: duckdb.DuckDBPyConnection,
    name: str,
    read: ReadFile,
    source: TableSource,
    joined: Sequence[Joined],
    marks: Marks,
    label: str,
) -> ReadFile:
    """The rows of a file as its mapping shapes them, under the view ``name``.

    Parameters
    ----------
    read
        The file as it was read, under another name; its view and table are dropped.
    joined
        What stands beside its rows, one for each join of the mapping.

    Returns
    -------
    ReadFile
        Its headers are those of the file, then those joined, turned and derived; or, of rows turned to columns, theirs.

    Raises
    ------
    UserError
        A header that a step needs is missing, or a key that may have one row beside it has several.

    Notes
    -----
    A derived header is made as soon as what it reads is there: before a join that needs it, after one that gives it.
    Rows out of quarantine are left as they are: they were set aside with all that was joined, turned or derived, so
    that any of it can be mended, and the other files are not needed again.

    Checked by: tests/unit/test_intake_shapes.py (through load_paths)
    """
    shape = _Shape(con, read, marks, label)
    if QUARANTINE_ID not in read.headers:
        shape.carry_out(source, joined)
    con.execute(f"create or replace temp table {name}_cells as from {shape.view}")
    con.execute(f"create or replace temp view {name} as from {name}_cells")
    shape.drop()
    counted = con.execute(f"select count(*) from {name}_cells").fetchone()
    return replace(
        read,
        name=name,
        headers=tuple(shape.headers),
        joins=tuple(shape.joins),
        rows=counted[0] if counted else 0,
        has_zero=read.has_zero or any(beside.has_zero for beside in joined),
    )


def gather_joined(
    con: duckdb.DuckDBPyConnection, name: str, reads: Sequence[tuple[ReadFile, str]], join: Join
) -> Joined:
    """Rows of the files of a join, one under another, under the table ``name``; the views of the files are dropped.

    Raises
    ------
    UserError
        A file lacks a header of the key.
    """
    headers = tuple(dict.fromkeys(h for read, _ in reads for h in read.headers if h))
    parts, unread, first = [], 0, ""
    for number, (read, label) in enumerate(reads):
        here = {h.casefold() for h in read.headers}
        for header in (*join.on.values(), *(f.column for f in join.source.filters)):
            if header.casefold() not in here:
                raise UserError(
                    f"the file has no column '{header}', on which its mapping joins it",
                    label,
                    f"correct the mapping or the file; {suggest_name(header, [h for h in read.headers if h])}",
                )
        keys = [f"{text_sql(ColumnSource((h,)), read)} as k{i}" for i, h in enumerate(join.on.values(), start=1)]
        cells = [f"{text_sql(ColumnSource((h,)), read)} as c{i}" for i, h in enumerate(headers, start=1)]
        parts.append(
            f"select {number << ROW_BITS} + {source_row('r.row_number')} as row_number, "
            f"{', '.join(keys + cells)} from {read.name} as r where r.fault is null{filters_sql(join.source, read)}"
        )
        found = con.execute(
            f"select count(*), min({source_row('row_number')}), arg_min(fault, row_number) from {read.name} "
            "where fault is not null"
        ).fetchone()
        if found and found[0]:
            first = first or f"row {found[1]} of {label}: {found[2]}"
            unread += found[0]
    con.execute(f"create or replace temp table {name} as {' union all '.join(parts)}")
    for read, _ in reads:
        drop_read(con, read.name)
    label = reads[0][1] if len(reads) == 1 else f"{reads[0][1]} and {len(reads) - 1} more"
    return Joined(name, label, headers, any(read.has_zero for read, _ in reads), (unread, first))


def drop_read(con: duckdb.DuckDBPyConnection, name: str) -> None:
    """Free what a file was read into."""
    con.execute(f"drop view if exists {name}")
    con.execute(f"drop table if exists {name}_cells")


class _Shape:
    """The rows of one file on their way: the view of the last step, and the headers of its columns."""

    def __init__(self, con: duckdb.DuckDBPyConnection, read: ReadFile, marks: Marks, label: str) -> None:
        self.con, self.read, self.marks, self.label = con, read, marks, label
        self.headers = list(read.headers)
        self.derived: set[str] = set()
        self.joins: list[JoinFacts] = []
        self.views = [read.name]

    @property
    def view(self) -> str:
        return self.views[-1]

    @property
    def columns(self) -> str:
        """SQL of the cells (alias r), each under its name."""
        return "".join(f", r.c{i}" for i in range(1, len(self.headers) + 1))

    def has(self, header: str) -> bool:
        return header.casefold() in {h.casefold() for h in self.headers}

    def cell(self, header: str) -> str:
        """SQL of the text under a header (alias r), trimmed, null where blank."""
        return text_sql(ColumnSource((header,)), replace(self.read, headers=tuple(self.headers)))

    def require(self, header: str, needed_for: str) -> None:
        if not self.has(header):
            raise UserError(
                f"the file has no column '{header}', which its mapping reads for {needed_for}",
                self.label,
                f"correct the mapping or the file; {suggest_name(header, [h for h in self.headers if h])}",
            )

    def step(self, select: str, headers: Sequence[str]) -> None:
        """Put a select over the view of the step before in its place."""
        view = f"{self.read.name}_step_{len(self.views)}"
        self.con.execute(f"create or replace temp view {view} as {select}")
        self.views.append(view)
        self.headers = list(headers)

    def beside(self, added: Sequence[str]) -> list[str]:
        """The headers with others after them; one that comes again hides the earlier one."""
        again = {h.casefold() for h in added}
        return ["" if h.casefold() in again else h for h in self.headers] + list(added)

    def drop(self) -> None:
        for view in reversed(self.views):
            drop_read(self.con, view)

    def carry_out(self, source: TableSource, joined: Sequence[Joined]) -> None:
        """Every step of a mapping, in order."""
        waiting = self.derive(dict(source.derived))
        for join, beside in zip(source.joins, joined, strict=True):
            self.join(join, beside, {h.casefold() for h in source.headers})
            waiting = self.derive(waiting)
        if source.rows_from_columns:
            self.turn_columns(source.rows_from_columns)
            waiting = self.derive(waiting)
        if source.columns_from_rows:
            self.turn_rows(source.columns_from_rows)
            waiting = self.derive(waiting)
        for header, expression in waiting.items():
            for needed in expression.headers:
                self.require(needed, f"the derived '{header}'")

    def derive(self, waiting: dict[str, Expression]) -> dict[str, Expression]:
        """Make the derived headers that can be made; returns the others."""
        left = {}
        for header, expression in waiting.items():
            if not all(self.has(h) for h in expression.headers):
                left[header] = expression
                continue
            self.derived.add(header.casefold())
            cells = {f"h{i}": self.cell(h) for i, h in enumerate(expression.headers)}
            made = f"case when r.fault is null then {derived_sql(expression, cells, self.marks)} end"
            self.step(
                f"select r.row_number, r.cells, r.fault{self.columns}, {made} as c{len(self.headers) + 1} "
                f"from {self.view} as r",
                self.beside([header]),
            )
        return left

    def join(self, join: Join, beside: Joined, needed: set[str]) -> None:
        """Columns of other files beside each row; ``needed`` are the headers that the mapping reads, folded."""
        for header in join.on:
            self.require(header, "a join")
        on = {h.casefold() for h in join.on.values()}
        clash = [h for h in beside.headers if self.has(h) and h.casefold() in needed - on - self.derived]
        if clash and not join.prefix:
            raise UserError(
                f"the column '{clash[0]}' is in both files that the mapping joins",
                f"{self.label}, {beside.label}",
                f'add prefix = "their." to the join, and write "their.{clash[0]}" where the other file\'s is meant',
            )
        taken = [
            (i, join.prefix + h if self.has(h) else h)
            for i, h in enumerate(beside.headers, start=1)
            if join.prefix or not self.has(h)
        ]
        keys = [(f"k{i}", self.cell(h)) for i, h in enumerate(join.on, start=1)]
        match = " and ".join(f"o.{k} = {cell}" for k, cell in keys)
        self.joins.append(self._count_unmatched(join, beside, match))
        other, number = beside.name, "r.row_number"
        if join.is_many:
            part = f"row_number() over (partition by {source_row('r.row_number')} order by r.row_number, o.row_number)"
            number = f"{source_row('r.row_number')} + (({part} - 1) << {ROW_BITS})"
        else:
            other = self._single(beside, keys)
        given = "".join(f", o.c{i} as c{place}" for place, (i, _) in enumerate(taken, start=len(self.headers) + 1))
        self.step(
            f"select {number} as row_number, r.cells, r.fault{self.columns}{given} "
            f"from {self.view} as r left join {other} as o on r.fault is null and {match}",
            self.beside([h for _, h in taken]),
        )

    def _count_unmatched(self, join: Join, beside: Joined, match: str) -> JoinFacts:
        header = next(iter(join.on))
        found = self.con.execute(
            f"select count(*), arg_min({self.cell(header)}, r.row_number) from {self.view} as r "
            f"where r.fault is null and not exists (from {beside.name} as o where {match})"
        ).fetchone()
        rows, sample = found or (0, None)
        return JoinFacts(beside.label, header, rows, sample or "", *beside.unread)

    def _single(self, beside: Joined, keys: list[tuple[str, str]]) -> str:
        """SQL of the rows beside, one a key; refuses a key of ours that has several which differ."""
        listed = ", ".join(k for k, _ in keys)
        cells = "".join(f", c{i}" for i in range(1, len(beside.headers) + 1))
        other = f"(select distinct {listed}{cells} from {beside.name})"
        match = " and ".join(f"o.{k} = {cell}" for k, cell in keys)
        several = self.con.execute(
            f"select o.* from (select {listed}, count(*) from {other} group by {listed} having count(*) > 1) as o "
            f"where exists (from {self.view} as r where {match}) order by all limit 1"
        ).fetchone()
        if several:
            *key, rows = several
            raise UserError(
                f"{' / '.join(map(str, key))} has {rows} rows in {beside.label}, where the mapping joins one",
                self.label,
                'say rows = "many" in the join to have a row for each, or add a header to its on',
            )
        return other

    def turn_columns(self, turn: RowsFromColumns) -> None:
        """Repeated columns to rows: a row for each number under which anything is given."""
        groups: dict[str, dict[str, str]] = {}
        for place, header in enumerate(self.headers, start=1):
            found = re.fullmatch(turn.pattern, header)
            if found and found[1] is not None and found[2] is not None:
                groups.setdefault(found[1], {}).setdefault(clean_header(found[2]), f"r.c{place}")
        if not groups:
            raise UserError(
                f"no column of the file fits the pattern '{turn.pattern}' of rows_from_columns",
                self.label,
                "correct the pattern; the columns are " + ", ".join(h for h in self.headers if h),
            )
        added = list(dict.fromkeys(h for group in groups.values() for h in group))
        first = len(self.headers) + 1
        parts = []
        for order, (number, group) in enumerate(groups.items()):
            cells = "".join(f", {group.get(h, 'null')} as c{i}" for i, h in enumerate(added, start=first + 1))
            given = " or ".join(f"nullif(trim({cell}), '') is not null" for cell in group.values())
            parts.append(
                f"select r.row_number, {order} as turned, r.cells, r.fault{self.columns}, {quoted(number)} as c{first}"
                f"{cells} from {self.view} as r where r.fault is null and ({given})"
            )
        blank = "".join(f", null as c{i}" for i in range(first, first + len(added) + 1))
        parts.append(
            f"select r.row_number, 0 as turned, r.cells, r.fault{self.columns}{blank} "
            f"from {self.view} as r where r.fault is not null"
        )
        source = source_row("r.row_number")
        part = f"row_number() over (partition by {source} order by r.row_number, r.turned)"
        self.step(
            f"select r.* exclude (turned) replace ({source} + (({part} - 1) << {ROW_BITS}) as row_number) "
            f"from ({' union all by name '.join(parts)}) as r",
            self.beside([turn.number, *added]),
        )

    def turn_rows(self, turn: ColumnsFromRows) -> None:
        """Rows to columns: one row a key; where its rows give one column several texts, they stand side by side."""
        for header in (*turn.key, turn.name, turn.value):
            self.require(header, "columns_from_rows")
        named = self.con.execute(
            f"select arg_min(name, row_number) from (select r.row_number, {self.cell(turn.name)} as name "
            f"from {self.view} as r where r.fault is null) where name is not null group by lower(name) "
            "order by min(row_number)"
        ).fetchall()
        if len(named) > MOST_NAMES:
            raise UserError(
                f"the column '{turn.name}' holds {len(named)} different texts, too many to make columns of",
                self.label,
                "name the column that tells the kinds of events, in columns_from_rows",
            )
        names = {clean_header(name).casefold(): clean_header(name) for (name,) in named}
        names |= {clean_header(name).casefold(): clean_header(name) for name in turn.names}
        spent = {turn.name.casefold(), turn.value.casefold(), *(k.casefold() for k in turn.key)}
        kept = [(i, h) for i, h in enumerate(self.headers, start=1) if h and h.casefold() not in spent | set(names)]
        keys = [self.cell(h) for h in turn.key]
        cells = [
            *(f"any_value({key})" for key in keys),
            *(_side_by_side(f"nullif(trim(r.c{i}), '')") for i, _ in kept),
            *(
                f"{_side_by_side(self.cell(turn.value))} filter (where lower({self.cell(turn.name)}) = {quoted(name)})"
                for name in names
            ),
        ]
        listed = ", ".join(f"{cell} as c{i}" for i, cell in enumerate(cells, start=1))
        blank = ", ".join(f"null as c{i}" for i in range(1, len(cells) + 1))
        whole = " or ".join(f"{key} is null" for key in keys)
        self.step(
            f"select min(r.row_number) as row_number, null::varchar as cells, null::varchar as fault, {listed} "
            f"from {self.view} as r where r.fault is null "
            f"group by {', '.join(keys)}, case when {whole} then r.row_number end union all by name "
            f"select r.row_number, r.cells, r.fault, {blank} from {self.view} as r where r.fault is not null",
            [*turn.key, *(h for _, h in kept), *names.values()],
        )


def _side_by_side(cell: str) -> str:
    return f"string_agg(distinct {cell}, ' / ' order by {cell})"
