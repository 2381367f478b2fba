"""Reads spreadsheets, JSON lines and Parquet into the same temporary tables of texts as delimited files."""

from __future__ import annotations

import datetime as dt
import itertools
import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import duckdb

from pipelines.intake.archives import check_workbook
from pipelines.intake.mapping import TableSource
from pipelines.intake.text import ReadFile, clean_header, read_text, write_cells
from shared.errors import UserError, suggest_name

SHEETS = (".xlsx", ".xlsm", ".xls", ".ods")
JSON_LINES = (".jsonl", ".ndjson")
PARQUET = (".parquet",)
TEXTS = (".csv", ".tsv", ".txt")
READABLE = (*TEXTS, *SHEETS, *JSON_LINES, *PARQUET)

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
    if suffix in SHEETS:
        return _read_records(con, name, label, source, sheet_records(path, label, source.sheet))
    if suffix in JSON_LINES:
        return _read_json_lines(con, name, path, label)
    if suffix in PARQUET:
        return _read_parquet(con, name, path, label)
    return read_text(con, name, path, label, source, careful=careful)


def sheet_names(path: Path, label: str) -> list[str]:
    """Names of a workbook's sheets."""
    return list(_open_workbook(path, label).sheet_names)


def _open_workbook(path: Path, label: str) -> Any:
    from python_calamine import CalamineError, CalamineWorkbook

    check_workbook(path, label)
    try:
        return CalamineWorkbook.from_path(str(path))
    except (CalamineError, OSError, ValueError) as fault:
        raise UserError(f"the workbook cannot be opened: {fault}", label, "save it again as .xlsx, or as CSV") from None


def sheet_records(path: Path, label: str, sheet: str | None) -> Records:
    """Rows of a sheet (none named: the first) as texts, with their numbers; blank ones are left out."""
    book = _open_workbook(path, label)
    names = list(book.sheet_names)
    wanted = sheet or names[0]
    if wanted not in names:
        raise UserError(f"the workbook has no sheet '{wanted}'", label, suggest_name(wanted, names))
    rows = book.get_sheet_by_name(wanted).to_python(skip_empty_area=False)
    width = max((max((i + 1 for i, cell in enumerate(row) if cell != ""), default=0) for row in rows), default=0)
    for number, row in enumerate(rows, start=1):
        cells = [_cell_text(cell) for cell in row[:width]]
        if any(cells):
            yield number, cells, None


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
    rows, zero = write_cells(con, name, len(header), itertools.islice(records, source.skip_after_header, None))
    return ReadFile(name, tuple(clean_header(c) for c in header), rows, careful=True, has_zero=zero)


def _read_json_lines(con: duckdb.DuckDBPyConnection, name: str, path: Path, label: str) -> ReadFile:
    """The file is gone through twice, first for the names, so that it need not be held in memory."""
    headers: dict[str, None] = {}
    try:
        for _, row, _ in _json_lines(path):
            headers.update(dict.fromkeys(row or {}))
        if not headers:
            raise UserError(
                "no line of the file is a JSON object", label, 'write one object per line: {"job_id": "J1", ...}'
            )
        records: Records = (
            (number, [line.strip()], "the line is no JSON object")
            if row is None
            else (number, [_json_text(row.get(h)) for h in headers], None)
            for number, row, line in _json_lines(path)
        )
        rows, zero = write_cells(con, name, len(headers), records)
    except UnicodeDecodeError as fault:
        raise UserError(f"the file is not UTF-8: {fault}", label, "write JSON lines in UTF-8") from None
    return ReadFile(name, tuple(clean_header(h) for h in headers), rows, careful=True, has_zero=zero)


def _json_lines(path: Path) -> Iterator[tuple[int, dict[str, Any] | None, str]]:
    """Lines that are not blank: number, object (None where it is none), text."""
    with path.open(encoding="utf-8-sig", newline="\n") as lines:
        for number, line in enumerate(lines, start=1):
            if line.strip():
                yield number, _parse_line(line), line


def _parse_line(line: str) -> dict[str, Any] | None:
    """An object, its numbers as the texts they are; None where the line is none."""
    try:
        row = json.loads(line, parse_float=str, parse_int=str, parse_constant=str)
    except (ValueError, RecursionError):
        return None
    return row if isinstance(row, dict) else None


def _json_text(value: Any) -> str:
    if value is None:
        return ""
    if isinstance(value, bool):
        return str(value).lower()
    return value if isinstance(value, str) else json.dumps(value, ensure_ascii=False)


def _read_parquet(con: duckdb.DuckDBPyConnection, name: str, path: Path, label: str) -> ReadFile:
    # Tried on a connection of its own first: an error would break off the load's transaction.
    try:
        with duckdb.connect() as trial:
            described = trial.execute("describe select * from read_parquet(?)", [str(path)]).fetchall()
            trial.execute("select count(*) from read_parquet(?)", [str(path)])
    except duckdb.Error as fault:
        reason = str(fault).splitlines()[0]
        raise UserError(f"the Parquet file cannot be read: {reason}", label, "write the file again") from None
    quoted = [(row[0], '"' + row[0].replace('"', '""') + '"') for row in described]
    listed = ", ".join(f"{q}::varchar as c{i}" for i, (_, q) in enumerate(quoted, start=1))
    con.execute(
        f"create or replace temp table {name}_cells as select file_row_number + 2 as row_number, "
        f"null::varchar as cells, null::varchar as fault, {listed} "
        "from read_parquet(?, file_row_number=true)",
        [str(path)],
    )
    con.execute(f"create or replace temp view {name} as select * from {name}_cells")
    zeros = " or ".join(["false", *(f"contains(c{i}, chr(0))" for i in range(1, len(quoted) + 1))])
    counted = con.execute(f"select count(*), coalesce(bool_or({zeros}), false) from {name}_cells").fetchone()
    rows, zero = counted or (0, False)
    return ReadFile(name, tuple(clean_header(h) for h, _ in quoted), rows, has_zero=zero)
