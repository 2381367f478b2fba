"""Reads spreadsheets, JSON and Parquet into the same temporary tables of texts as delimited files."""

import datetime as dt
import itertools
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import duckdb

from pipelines.intake.archives import check_workbook
from pipelines.intake.html_tables import html_tables, is_html, row_cells
from pipelines.intake.json_records import JSON_LINES, read_json
from pipelines.intake.mapping import TableSource
from pipelines.intake.text import ReadFile, check_width, clean_header, read_text, write_cells
from shared.errors import UserError, suggest_name

SHEETS = (".xlsx", ".xlsm", ".xls", ".ods")
JSON = (*JSON_LINES, ".json")
PARQUET = (".parquet",)
TEXTS = (".csv", ".tsv", ".txt")
READABLE = (*TEXTS, *SHEETS, *JSON, *PARQUET)

Records = Iterator[tuple[int, list[str], str | None]]


def read_file(
    con: duckdb.DuckDBPyConnection, name: str, path: Path, label: str, source: TableSource, *, careful: bool = False
) -> ReadFile:
    """Read a file of any form into the temporary view ``name``.

    Raises
    ------
    UserError
        The file is empty or not what its ending says.

    Notes
    -----
    Checked by: tests/unit/test_intake_formats.py (through load_paths)
    """
    if path.stat().st_size == 0:
        raise UserError("the file is empty", label, "export the table again; the first row must hold the column names")
    suffix = path.suffix.casefold()
    if suffix in (".gz", ".zip"):
        raise UserError("an archive within an archive is not opened", label, "unpack it, and load what it holds")
    if suffix in SHEETS:
        return _read_records(con, name, label, source, sheet_records(path, label, source.sheet))
    if suffix in JSON:
        return read_json(con, name, path, label, source.records)
    if suffix in PARQUET:
        return _read_parquet(con, name, path, label)
    return read_text(con, name, path, label, source, careful=careful)


def sheet_names(path: Path, label: str) -> list[str]:
    """Names of a workbook's sheets."""
    if is_html(path, label):
        return list(html_tables(path, label))
    return list(_open_workbook(path, label).sheet_names)


def _open_workbook(path: Path, label: str) -> Any:
    from python_calamine import CalamineWorkbook

    check_workbook(path, label)
    with _explained(label):
        return CalamineWorkbook.from_path(str(path))


@contextmanager
def _explained(label: str) -> Iterator[None]:
    """A fault of the reader of workbooks, a panic of it too, in the user's words."""
    from python_calamine import CalamineError

    try:
        yield
    except BaseException as fault:
        # A panic is no Exception, lest it be caught by chance; it ends the reading and nothing else.
        if not isinstance(fault, (CalamineError, OSError, ValueError)) and type(fault).__name__ != "PanicException":
            raise
        raise UserError(f"the workbook cannot be opened: {fault}", label, "save it again as .xlsx, or as CSV") from None


def sheet_records(path: Path, label: str, sheet: str | None) -> Records:
    """Rows of a sheet (none named: the first) as texts, with their numbers; blank ones are left out."""
    if is_html(path, label):
        tables = html_tables(path, label)
        rows: list[list[Any]] = [list(row_cells(row)) for row in tables[_choose_sheet(sheet, list(tables), label)]]
    else:
        book = _open_workbook(path, label)
        wanted = _choose_sheet(sheet, list(book.sheet_names), label)
        with _explained(label):
            rows = book.get_sheet_by_name(wanted).to_python(skip_empty_area=False)
    width = max((max((i + 1 for i, cell in enumerate(row) if cell != ""), default=0) for row in rows), default=0)
    for number, row in enumerate(rows, start=1):
        cells = [_cell_text(cell) for cell in row[:width]]
        if any(cells):
            yield number, cells, None


def _choose_sheet(sheet: str | None, names: list[str], label: str) -> str:
    wanted = sheet or names[0]
    if wanted not in names:
        raise UserError(f"the workbook has no sheet '{wanted}'", label, suggest_name(wanted, names))
    return wanted


def _cell_text(cell: Any) -> str:
    """A cell of a spreadsheet as the text that a CSV of it would hold."""
    if isinstance(cell, bool):
        return str(cell).lower()
    if isinstance(cell, float):
        return str(int(cell)) if cell.is_integer() and abs(cell) < 1e15 else repr(cell)
    if isinstance(cell, dt.datetime):
        return f"{cell:%Y-%m-%d %H:%M:%S}" if cell.time() != dt.time() else f"{cell:%Y-%m-%d}"
    if isinstance(cell, dt.timedelta):
        seconds = int(cell.total_seconds())
        return f"{seconds // 3600:02d}:{seconds // 60 % 60:02d}:{seconds % 60:02d}"
    return str(cell).strip()


def _read_records(
    con: duckdb.DuckDBPyConnection, name: str, label: str, source: TableSource, records: Records
) -> ReadFile:
    # Title rows are counted as the sheet shows them, blank ones included.
    header = next((cells for number, cells, _ in records if number > source.skip_rows), None)
    if header is None:
        raise UserError(
            "the sheet has no header row", label, "the first row must hold the column names, or state skip_rows"
        )
    check_width(len(header), label)
    rows, zero = write_cells(con, name, len(header), itertools.islice(records, source.skip_after_header, None))
    return ReadFile(name, tuple(clean_header(c) for c in header), rows, careful=True, has_zero=zero)


def _read_parquet(con: duckdb.DuckDBPyConnection, name: str, path: Path, label: str) -> ReadFile:
    try:
        described = con.execute("describe select * from read_parquet(?)", [str(path)]).fetchall()
        check_width(len(described), label)
        quoted = [(row[0], '"' + row[0].replace('"', '""') + '"') for row in described]
        listed = ", ".join(f"{q}::varchar as c{i}" for i, (_, q) in enumerate(quoted, start=1))
        con.execute(
            f"create or replace temp table {name}_cells as select file_row_number + 2 as row_number, "
            f"null::varchar as cells, null::varchar as fault, {listed} "
            "from read_parquet(?, file_row_number=true)",
            [str(path)],
        )
    except duckdb.Error as fault:
        reason = str(fault).splitlines()[0]
        raise UserError(f"the Parquet file cannot be read: {reason}", label, "write the file again") from None
    con.execute(f"create or replace temp view {name} as select * from {name}_cells")
    zeros = " or ".join(["false", *(f"contains(c{i}, chr(0))" for i in range(1, len(quoted) + 1))])
    counted = con.execute(f"select count(*), coalesce(bool_or({zeros}), false) from {name}_cells").fetchone()
    rows, zero = counted or (0, False)
    return ReadFile(name, tuple(clean_header(h) for h, _ in quoted), rows, has_zero=zero)
