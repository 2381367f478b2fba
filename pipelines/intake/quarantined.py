"""Rows in quarantine, given to a person as files or as a workbook, and known again once they come back corrected."""

import csv
import dataclasses
import json
import re
import zipfile
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path, PurePosixPath
from typing import Any

import duckdb

from pipelines.intake.archives import ZIP_FAULTS
from pipelines.intake.formats import SHEETS, read_file, sheet_names
from pipelines.intake.mapping import ColumnSource, Mapping, RowFilter, TableSource
from pipelines.validation.quarantine import OWN_COLUMNS, QUARANTINE_ID, QUARANTINE_REASONS, QUARANTINE_TABLE
from shared.errors import UserError
from shared.store import has_table

ROWS_AT_ONCE = 1_000
MOST_SHEET_ROWS = 1_048_575
MOST_CELL_TEXT = 32_767
"""What a sheet and a cell of a workbook hold at most."""
SIGN_BYTES = 1 << 20
"""How far into a file, or a part of a workbook, its headings are looked for."""

Row = tuple[list[str], str, list[tuple[str | None, str]]]
"""Cells as received, the id, and what is wrong: column and message."""


@dataclass(frozen=True)
class Form:
    """Rows in quarantine that share a table and headings, and the first file they came in."""

    table: str
    headings: str
    first_file: str
    rows: int
    read_as: str | None

    @property
    def headers(self) -> list[str]:
        return list(json.loads(self.headings))


# ------------------------------------------------------------------ out
def export_rows(con: duckdb.DuckDBPyConnection, path: Path, **only: str | None) -> int:
    """Write the rows in quarantine as received, each with the reasons, to be corrected and loaded again.

    Parameters
    ----------
    path
        A workbook (.xlsx), which holds a sheet a form and marks the cells; a CSV file; or a folder for a CSV a form.
    only
        rule, table, batch: only the rows with a finding of these.

    Returns
    -------
    int
        Rows written.

    Raises
    ------
    UserError
        Rows of several forms are in quarantine and ``path`` is one CSV; a workbook cannot hold them; it cannot be
        written.

    Notes
    -----
    The columns named quarantine_... tell which row, of which table, a corrected one replaces: leave them as they are;
    the file may have any name. Formulas come back as they came, since the file is meant to be loaded again.

    Checked by: tests/unit/test_intake_quarantined.py
    """
    forms = _list_forms(con, only)
    names = file_names([form.first_file for form in forms])
    is_book = path.suffix.casefold() == ".xlsx"
    if len(forms) > 1 and path.suffix and not is_book:
        tables = ", ".join(sorted({form.table for form in forms}))
        raise UserError(
            f"the rows in quarantine are of {len(forms)} forms ({tables})",
            str(path),
            "give a workbook (.xlsx) or a folder instead: each form gets a sheet, or a file, of its own",
        )
    try:
        if is_book and forms:
            _write_workbook(con, path, dict(zip(names, forms, strict=True)), only)
        for name, form in zip(names, forms, strict=True):
            if not is_book:
                _write_csv(con, path if path.suffix else path / name, form, only)
    except OSError as fault:
        raise UserError(f"the file cannot be written: {fault.strerror}", str(path), "choose another place") from None
    return sum(form.rows for form in forms)


def _chosen(only: dict[str, str | None]) -> tuple[str, list[str]]:
    """SQL that is true of the rows of raw.quarantined_rows (alias q) that are asked for, and its values."""
    names = {"table": 'q."table"', "batch": "q.load_id"}
    given = {names[name]: value for name, value in only.items() if name in names and value is not None}
    tests, values = [f"{name} = ?" for name in given], list(given.values())
    if rule := only.get("rule"):
        tests.append("exists (from raw.findings as f where (f.load_id, f.\"table\", f.file, f.row_number) = "
                     "(q.load_id, q.\"table\", q.file, q.row_number) and f.rule = ?)")  # fmt: skip
        values.append(rule)
    return " and ".join(["q.released_by is null", *tests]), values


def _list_forms(con: duckdb.DuckDBPyConnection, only: dict[str, str | None]) -> list[Form]:
    if not has_table(con, "raw.quarantined_rows"):
        return []
    wanted, values = _chosen(only)
    found = con.execute(
        f"""
        select "table", headers, arg_min(file, (load_id, file)), count(*), arg_max(read_as, load_id)
        from raw.quarantined_rows as q where {wanted} group by all order by "table", headers
        """,
        values,
    ).fetchall()
    return [Form(*row) for row in found]


def _rows_of(con: duckdb.DuckDBPyConnection, form: Form, only: dict[str, str | None]) -> Iterator[Row]:
    """The rows of a form with what is wrong with each, a thousand at a time."""
    wanted, values = _chosen(only)
    found = con.execute(
        f"""
        with reasons as (
            select load_id, "table", file, row_number,
                list([coalesce("column", ''), message] order by severity <> 'reject', rule, "column") as said
            from raw.findings where "table" = ? group by all
        )
        select q.cells, q.row_hash, reasons.said
        from raw.quarantined_rows as q left join reasons using (load_id, "table", file, row_number)
        where q."table" = ? and q.headers = ? and {wanted} order by q.load_id, q.file, q.row_number
        """,
        [form.table, form.table, form.headings, *values],
    )
    while some := found.fetchmany(ROWS_AT_ONCE):
        for cells, row_id, said in some:
            yield json.loads(cells), row_id, [(column or None, message) for column, message in said or []]


def _write_csv(con: duckdb.DuckDBPyConnection, target: Path, form: Form, only: dict[str, str | None]) -> None:
    headers = form.headers
    target.parent.mkdir(parents=True, exist_ok=True)
    with target.open("w", encoding="utf-8", newline="") as handle:
        writer = csv.writer(handle, lineterminator="\n")
        writer.writerow([*headers, *OWN_COLUMNS])
        for cells, row_id, said in _rows_of(con, form, only):
            told = " | ".join(dict.fromkeys(message for _, message in said))
            writer.writerow([*_in_width(cells, headers), told, form.table, row_id, *cells[len(headers) :]])


def _in_width(cells: list[str], headers: list[str]) -> list[str]:
    """Cells of a row to the width of its headings; what is beyond them is written after the id."""
    return cells[: len(headers)] + [""] * (len(headers) - len(cells))


def _write_workbook(
    con: duckdb.DuckDBPyConnection, path: Path, forms: dict[str, Form], only: dict[str, str | None]
) -> None:
    """Write a sheet a form: reasons first, cells as received, those at fault marked, with the reason as a comment."""
    import xlsxwriter
    from xlsxwriter.exceptions import FileCreateError

    path.parent.mkdir(parents=True, exist_ok=True)
    book = xlsxwriter.Workbook(
        str(path), {"strings_to_formulas": False, "strings_to_urls": False, "strings_to_numbers": False}
    )
    # Cells are texts, so that a program for sheets leaves what is typed as it is.
    text, why = book.add_format({"num_format": "@"}), book.add_format({"text_wrap": True, "valign": "top"})
    marked, head = book.add_format({"num_format": "@", "bg_color": "#FFE699"}), book.add_format({"bold": True})
    for name, form in forms.items():
        if form.rows > MOST_SHEET_ROWS:
            what = f"{form.rows:,} rows of table {form.table} are too many for a sheet"
            raise UserError(what, str(path), "give a folder: each form is written to a CSV file of its own")
        sheet = book.add_worksheet(_sheet_name(name, book))
        headers, places = form.headers, _places_of(form)
        for place, header in enumerate((QUARANTINE_REASONS, *headers, QUARANTINE_TABLE, QUARANTINE_ID)):
            sheet.write_string(0, place, header, head)
        sheet.freeze_panes(1, 1)
        sheet.set_column(0, 0, 60, why)
        sheet.set_column(1, len(headers), 18, text)
        sheet.set_column(len(headers) + 1, len(headers) + 2, None, None, {"hidden": True})
        for number, (cells, row_id, said) in enumerate(_rows_of(con, form, only), start=1):
            reasons = {place: m for column, m in said for place in places.get(column or "", ())}
            told = "\n".join(dict.fromkeys(message for _, message in said))
            sheet.write_string(number, 0, told[:MOST_CELL_TEXT], why)
            row = [*_in_width(cells, headers), form.table, row_id, *cells[len(headers) :]]
            for place, cell in enumerate(row):
                if len(cell) > MOST_CELL_TEXT:
                    what = f"a cell of {len(cell):,} characters does not fit into a workbook"
                    raise UserError(what, str(path), "give a folder: each form is written to a CSV file of its own")
                if cell or place in reasons:
                    sheet.write_string(number, place + 1, cell, marked if place in reasons else text)
                if place in reasons:
                    sheet.write_comment(number, place + 1, reasons[place], {"x_scale": 3})
    try:
        book.close()
    except FileCreateError as fault:
        raise fault.args[0] from None


def _sheet_name(file: str, book: Any) -> str:
    """A name for a sheet, as workbooks allow it, that no other sheet bears."""
    stem = re.sub(r"[\[\]:*?/\\']", "_", PurePosixPath(file).stem)[:27] or "rows"
    taken = {sheet.get_name().casefold() for sheet in book.worksheets()}
    return next(n for n in (stem, *(f"{stem} {i}" for i in range(2, 1000))) if n.casefold() not in taken)


def _places_of(form: Form) -> dict[str, list[int]]:
    """Where the cells of each column of the table stand, 0 the first."""
    source = unpack_source(form.read_as)[0] if form.read_as else None
    by_name = {header.casefold(): place for place, header in reversed(list(enumerate(form.headers)))}
    if source is None:
        return {name: [place] for name, place in by_name.items()}
    return {
        column: [by_name[h.casefold()] for h in given.columns if h.casefold() in by_name]
        for column, given in source.columns.items()
    }


def file_names(files: list[str]) -> list[str]:
    """A name for each form: that of the file it came in, numbered where it is taken."""
    names: list[str] = []
    for file in files:
        stem, number = PurePosixPath(file.replace("\\", "/")).stem, 1
        name = f"{stem}.csv"
        while name in names:
            number += 1
            name = f"{stem}_{number}.csv"
        names.append(name)
    return names


# ------------------------------------------------------------------ and back
MEANING = ("table", "decimal", "timezone", "formats", "changed_cable", "is_mapped")
"""What of a mapping says how cells are meant; the rest says how a file is written, and an export is written by us."""


def pack_source(source: TableSource, insulations: dict[str, str]) -> str:
    """How the rows of a file are meant, as a text kept with each that waits in quarantine."""
    kept = {name: getattr(source, name) for name in MEANING}
    kept["columns"] = {name: dataclasses.asdict(column) for name, column in source.columns.items()}
    kept["filters"] = [dataclasses.asdict(one) for one in source.filters]
    return json.dumps({"source": kept, "insulations": insulations}, ensure_ascii=False)


def unpack_source(text: str) -> tuple[TableSource, dict[str, str]]:
    """What :func:`pack_source` kept."""
    kept = json.loads(text)

    def tuples(given: dict[str, Any]) -> dict[str, Any]:
        return {name: tuple(value) if isinstance(value, list) else value for name, value in given.items()}

    columns = {name: ColumnSource(**tuples(column)) for name, column in kept["source"].pop("columns").items()}
    filters = tuple(RowFilter(**tuples(one)) for one in kept["source"].pop("filters"))
    return TableSource(columns=columns, filters=filters, **tuples(kept["source"])), kept["insulations"]


@dataclass
class CorrectedFiles:
    """Knows files of rows that came from quarantine by the ids within them, whatever they are called.

    ``insulations`` are those registered by the mappings in play: the one given, and those the rows came through.
    """

    con: duckdb.DuckDBPyConnection
    given: Mapping
    insulations: dict[str, str] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self.insulations |= self.given.insulations

    def find(self, path: Path, label: str) -> list[tuple[str, TableSource]]:
        """What messages call each part of such a file, and how it is read; nothing for any other file.

        Raises
        ------
        UserError
            A part holds rows of several forms.

        Notes
        -----
        A block of the mapping given with the load is taken where it fits, since it may be what was corrected.

        Checked by: tests/unit/test_intake_quarantined.py (through load_paths)
        """
        if not has_table(self.con, "raw.quarantined_rows") or not _names_ids(path):
            return []
        found = []
        sheets = sheet_names(path, label) if path.suffix.casefold() in SHEETS else [None]
        for sheet in sheets:
            shown = f"{label}, sheet {sheet}" if sheet and len(sheets) > 1 else label
            plain = TableSource("", {name: ColumnSource((name,)) for name in OWN_COLUMNS}, sheet=sheet)
            found += [(shown, self._source_of(form, sheet)) for form in self._forms_in(path, shown, plain)]
        return found

    def _forms_in(self, path: Path, label: str, plain: TableSource) -> list[Form]:
        try:
            read = read_file(self.con, "returned", path, label, plain, careful=True)
        except UserError:  # an empty sheet beside the others
            return []
        if QUARANTINE_ID not in read.headers:
            return []
        of_table = ""
        if QUARANTINE_TABLE in read.headers:
            of_table = f' and q."table" in (select trim(c{read.headers.index(QUARANTINE_TABLE) + 1}) from returned)'
        known = self.con.execute(f"""
            select q."table", q.headers, min(q.file), count(*), arg_max(q.read_as, q.load_id)
            from raw.quarantined_rows as q
            where q.row_hash in (select trim(c{read.headers.index(QUARANTINE_ID) + 1}) from returned){of_table}
                and q.read_as is not null
            group by all order by 1, 2
        """).fetchall()
        self.con.execute("drop view returned")
        self.con.execute("drop table returned_cells")
        if len(known) > 1:
            tables = ", ".join(sorted({row[0] for row in known}))
            raise UserError(
                f"rows of {len(known)} forms from quarantine ({tables}) are in one table",
                label,
                "keep each form in the file or sheet it was exported to",
            )
        return [Form(*row) for row in known]

    def _source_of(self, form: Form, sheet: str | None) -> TableSource:
        headers = {h.casefold() for h in form.headers}
        fitting = [
            m for m in self.given.tables if m.table == form.table and {h.casefold() for h in m.headers} <= headers
        ]
        kept, insulations = unpack_source(str(form.read_as))
        self.insulations |= insulations
        if fitting:
            kept = unpack_source(pack_source(fitting[0], {}))[0]
        return dataclasses.replace(kept, sheet=sheet)


def _names_ids(path: Path) -> bool:
    """Whether a file can be one of rows from quarantine: its beginning, or its end, names the column of ids."""
    if zipfile.is_zipfile(path):
        with suppress(*ZIP_FAULTS), zipfile.ZipFile(path) as parts:
            named = [n for n in parts.namelist() if re.search(r"(sharedStrings|content|sheet\d+)\.xml$", n)]
            return any(QUARANTINE_ID.encode() in parts.open(name).read(SIGN_BYTES) for name in named)
        return False
    with path.open("rb") as handle:
        ends = handle.read(SIGN_BYTES)
        handle.seek(max(path.stat().st_size - SIGN_BYTES, 0))
        ends += handle.read()
    return any(QUARANTINE_ID.encode(encoding) in ends for encoding in ("utf-8", "utf-16-le", "utf-16-be"))
