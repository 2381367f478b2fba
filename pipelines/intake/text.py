"""Reads delimited text into a temporary table of texts, one row a row of the file, none lost.

Clean files go through DuckDB with the dialect given whole. A file is clean when DuckDB finds no fault in it and
as many rows as the file has line ends; any other file is read by Python's csv, record by record.
"""

import codecs
import csv
import itertools
import json
import re
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TextIO

import duckdb
import pandas as pd

from pipelines.intake.mapping import TableSource
from pipelines.intake.text_records import (
    UTF16_MARKS,
    Record,
    count_line_ends,
    describe_assumed,
    find_encoding,
    find_file_encoding,
    in_portions,
    read_records,
    wide_text,
)
from pipelines.validation.file_results import JoinFacts
from shared.errors import UserError

DELIMITERS = (",", ";", "\t", "|")
CHUNK_ROWS = 50_000
CHUNK_CHARACTERS = 8 * 1024 * 1024
HEAD_BYTES = 1 << 16
MOST_ZEROS = 0.005
"""Share of zero bytes, or one a line, up to which a file is a text all the same."""
MOST_COLUMNS = 2_000
"""Columns of a file at most: exports have a few hundred, a file on its side as many as it should have rows."""
MOST_LINE = 1 << 28
"""Characters of a line at most, four of the longest cells: a file without line ends would be held whole."""

BINARY_SIGNS = {
    b"%PDF": "a PDF",
    b"\x89PNG": "a picture",
    b"\xff\xd8\xff": "a picture",
    b"GIF8": "a picture",
    b"PK\x03\x04": "a zip or spreadsheet file",
    b"\xd0\xcf\x11\xe0": "an old Office file",
    b"\x1f\x8b": "a gzip file",
    b"PAR1": "a Parquet file",
    b"\x7fELF": "a program",
    b"SQLite format": "a database",
}


ROW_BITS = 40
"""A row number's lower bits are the file's row; above them rows made of one row are counted from nought."""


def source_row(row_number: str) -> str:
    """SQL of the row of the file that a row was made of."""
    return f"({row_number} & {(1 << ROW_BITS) - 1})"


class DoubtfulFileError(Exception):
    """DuckDB gave up on a file and broke off the transaction; the load must be begun again with it read carefully."""

    def __init__(self, path: Path) -> None:
        super().__init__(path)
        self.path = path


@dataclass(frozen=True)
class TextDialect:
    """How a text file is written; ``encoding_assumed`` says that no mark or valid UTF-8 told it.

    ``rival`` is told where the delimiter was not beyond doubt: it, the known headings under it, and the next best.
    """

    delimiter: str
    encoding: str
    encoding_assumed: bool = False
    rival: tuple[str, int, str] | None = None


@dataclass(frozen=True)
class ReadFile:
    """A file read: the temporary view ``name`` holds row_number, cells, fault and c1 ... cn as texts.

    ``fault`` is set where a row has the wrong number of cells; ``cells`` then holds them all, as JSON. Where the
    encoding was assumed, ``encoding_assumed`` holds its name, the characters beyond ASCII, a word with one, and how
    many Latin-1 would read otherwise; ``delimiter_assumed`` is the dialect's ``rival``. ``has_zero`` says that a zero
    byte stands in some cell, which then cannot be read. ``joins`` tells what came of each join.
    """

    name: str
    headers: tuple[str, ...]
    rows: int
    encoding_assumed: tuple[str, int, str, int] | None = None
    delimiter_assumed: tuple[str, int, str] | None = None
    careful: bool = False
    has_zero: bool = False
    joins: tuple[JoinFacts, ...] = ()


def refuse_binary(head: bytes, label: str) -> None:
    """Refuse a file whose first bytes say that it is no text.

    Raises
    ------
    UserError
        The bytes are no text; what they look like is named.
    """
    for sign, kind in BINARY_SIGNS.items():
        if head.startswith(sign):
            remedy = "export the table as CSV and load that"
            remedy += ', or write a mapping with database = "sqlite:FILE"' if kind == "a database" else ""
            raise UserError(f"this is not a text file but {kind}", label, remedy)
    # A few are a slip of the export, in a cell that then cannot be read; a binary file is full of them.
    few = head.count(0) <= max(MOST_ZEROS * len(head), head.count(b"\n"))
    if not few and not head.startswith(UTF16_MARKS) and not wide_text(head):
        raise UserError(
            "this is not a text file: it holds many zero bytes", label, "export the table as CSV and load that"
        )


def find_delimiter(header: str, expected: set[str]) -> str:
    """The delimiter under which most expected headers, then most cells, appear in the header line."""

    def score(delimiter: str) -> tuple[int, int]:
        cells = next(csv.reader([header], delimiter=delimiter), [])
        return sum(clean_header(c).casefold() in expected for c in cells), len(cells)

    return max(DELIMITERS, key=score)


def find_rival(header: str, expected: set[str], chosen: str) -> tuple[str, int, str] | None:
    """The delimiter chosen, the expected headers under it, and the next best, where the choice is not beyond doubt.

    It is beyond doubt where two expected headers or more appear under it, and under no other as many.
    """
    found = {
        d: sum(clean_header(c).casefold() in expected for c in next(csv.reader([header], delimiter=d), []))
        for d in DELIMITERS
    }
    second = max((d for d in DELIMITERS if d != chosen), key=lambda d: found[d])
    if found.get(chosen, 0) >= 2 and found[second] < found[chosen]:
        return None
    return _named(chosen), found.get(chosen, 0), f"{_named(second)} gives {found[second]}"


def _named(delimiter: str) -> str:
    return {",": "the comma", ";": "the semicolon", "\t": "the tab", "|": "the bar"}.get(delimiter, repr(delimiter))


def clean_header(cell: str) -> str:
    """A header without the blanks and line ends around and within it."""
    return " ".join(cell.replace("\ufeff", "").split())


def check_width(columns: int, label: str) -> None:
    """Refuse a file with more columns than a table can have."""
    if columns > MOST_COLUMNS:
        what = f"the file has {columns:,} columns, more than {MOST_COLUMNS:,}"
        raise UserError(what, label, "export one row a thing, and only the columns that are needed")


def read_lines(lines: TextIO, most: int, label: str) -> Iterator[str]:
    """Lines of a text with their ends, none longer than so many characters."""
    for number in itertools.count(1):
        line = lines.readline(most + 1)
        if len(line) > most:
            what = f"line {number:,} is longer than {most:,} characters"
            raise UserError(what, label, "export the table again, one row a line")
        if not line:
            return
        yield line


def read_text(
    con: duckdb.DuckDBPyConnection, name: str, path: Path, label: str, source: TableSource, *, careful: bool = False
) -> ReadFile:
    """Read a delimited text file into the temporary view ``name``.

    Parameters
    ----------
    name
        Name of the view to make.
    path, label
        The file, and what messages call it.
    source
        Mapping, for the dialect and the headers to expect.
    careful
        Read it record by record without trying DuckDB first.

    Raises
    ------
    UserError
        The file is empty or no text.
    DoubtfulFileError
        DuckDB could not read it at all, and the connection's transaction is broken off.

    Notes
    -----
    Checked by: tests/properties/test_intake_readers.py (through read_file)
    """
    if path.stat().st_size == 0:
        raise UserError("the file is empty", label, "export the table again; the first row must hold the column names")
    with path.open("rb") as handle:
        head = handle.read(HEAD_BYTES)
    line_ends, lone_returns, zeros = count_line_ends(path)
    refuse_binary(head, label)
    narrow = not zeros and not lone_returns and (source.encoding or "utf-8") in ("utf-8", "utf-8-sig")
    guess = "utf-8-sig" if narrow else source.encoding or find_encoding(head)[0]
    lines = re.split("\r\n|\n|\r", codecs.decode(head, guess, "replace"))
    if len(lines) <= source.skip_rows or not any(line.strip() for line in lines):
        raise UserError(
            "the file has no header row", label, "export the table again; the first row must hold the column names"
        )
    header = lines[source.skip_rows]
    expected = {h.casefold() for h in (*source.headers, *source.headers_beside)}
    delimiter = source.delimiter or find_delimiter(header, expected)
    check_width(len(next(csv.reader([header], delimiter=delimiter), [])), label)
    rival = None if source.delimiter else find_rival(header, expected, delimiter)
    if narrow and not careful:
        read = _read_clean(con, name, path, header, delimiter, source, line_ends)
        if read is not None:
            return replace(read, delimiter_assumed=rival)
    encoding, assumed = (source.encoding, False) if source.encoding else find_file_encoding(path)
    return _read_careful(con, name, path, label, TextDialect(delimiter, encoding, assumed, rival), source)


def _read_clean(
    con: duckdb.DuckDBPyConnection,
    name: str,
    path: Path,
    header_line: str,
    delimiter: str,
    source: TableSource,
    line_ends: int,
) -> ReadFile | None:
    """DuckDB's reading of a file, or None where it is not beyond doubt that every line is a row of it."""
    headers = tuple(clean_header(c) for c in next(csv.reader([header_line], delimiter=delimiter), []))
    columns = {f"c{i}": "VARCHAR" for i in range(1, len(headers) + 1)}
    if header_line.count('"') % 2 or len(headers) < 2:
        return None
    # Faulty lines are left out here without an error, which would break off the transaction; the count tells.
    try:
        con.execute(
            f"create or replace temp table {name}_cells as select * from read_csv(?, auto_detect=false, header=true, "
            "delim=?, quote='\"', escape='\"', columns=?, encoding='utf-8', null_padding=false, strict_mode=true, "
            "nullstr='', skip=?, max_line_size=8000000, ignore_errors=true)",
            [str(path), delimiter, columns, source.skip_rows],
        )
    except duckdb.Error as fault:
        raise DoubtfulFileError(path) from fault
    counted = con.execute(f"select count(*), min(rowid), max(rowid) from {name}_cells").fetchone()
    rows, base, last = counted or (0, 0, 0)
    # Inside a transaction rowids begin at a large number; what matters is that none is left out.
    if rows != line_ends - 1 - source.skip_rows or (rows and last - base + 1 != rows):
        con.execute(f"drop table {name}_cells")
        return None
    first = 2 + source.skip_rows - (base or 0)
    listed = ", ".join(columns)
    con.execute(
        f"create or replace temp view {name} as select rowid + ({first}) as row_number, null::varchar as cells, "
        f"null::varchar as fault, {listed} from {name}_cells where rowid >= {(base or 0) + source.skip_after_header}"
    )
    return ReadFile(name, headers, rows - min(rows, source.skip_after_header))


def _read_careful(
    con: duckdb.DuckDBPyConnection, name: str, path: Path, label: str, dialect: TextDialect, source: TableSource
) -> ReadFile:
    """Python's reading of a file: short, long and unclosed rows are kept apart with their fault."""
    try:
        with path.open(encoding=dialect.encoding, newline="") as handle:
            lines = read_lines(handle, MOST_LINE, label)
            first = next(lines, "").removeprefix("\ufeff")
            records = read_records(itertools.chain([first], lines), dialect.delimiter)
            headers, rows, zero = _write_records(con, name, label, records, source)
        if not dialect.encoding_assumed:
            return ReadFile(name, headers, rows, None, dialect.rival, True, zero)
        with path.open(encoding=dialect.encoding, newline="") as handle:
            described = describe_assumed(handle, dialect.encoding)
        return ReadFile(name, headers, rows, described, dialect.rival, True, zero)
    except (UnicodeError, LookupError) as fault:
        raise UserError(
            f"the file cannot be read as {dialect.encoding}: {fault}",
            label,
            "state the right encoding in the mapping, or leave it out to have it found",
        ) from None


def _write_records(
    con: duckdb.DuckDBPyConnection, name: str, label: str, records: Iterator[Record], source: TableSource
) -> tuple[tuple[str, ...], int, bool]:
    # Blank rows above the header count, as they do where DuckDB skips them.
    header_cells = next((cells for number, cells, _ in records if number > source.skip_rows), [])
    headers = tuple(clean_header(c) for c in header_cells)
    check_width(len(headers), label)
    if not any(headers):
        raise UserError(
            "the file has no header row", label, "export the table again; the first row must hold the column names"
        )
    return headers, *write_cells(con, name, len(headers), itertools.islice(records, source.skip_after_header, None))


def write_cells(con: duckdb.DuckDBPyConnection, name: str, width: int, records: Iterator[Record]) -> tuple[int, bool]:
    """Write rows of texts into the temporary table ``name``; returns how many, and whether any holds a zero byte."""
    columns = [f"c{i}" for i in range(1, width + 1)]
    typed = ", ".join(f"{c} VARCHAR" for c in columns)
    con.execute(f"create or replace temp table {name}_cells (row_number BIGINT, cells VARCHAR, fault VARCHAR, {typed})")
    rows, zero = 0, False
    for chunk in in_portions(records, CHUNK_ROWS, CHUNK_CHARACTERS):
        zero = zero or any("\x00" in cell for _, cells, _ in chunk for cell in cells)
        fitted = [_fit(number, cells, fault, width) for number, cells, fault in chunk]
        frame = pd.DataFrame(fitted, columns=["row_number", "cells", "fault", *columns], dtype="object")
        # A registered frame would stay in memory until the transaction ends.
        con.from_df(frame).insert_into(f"{name}_cells")
        rows += len(chunk)
        del chunk, fitted, frame
    con.execute(f"create or replace temp view {name} as select * from {name}_cells")
    return rows, zero


def _fit(number: int, cells: list[str], fault: str | None, width: int) -> list[object]:
    """One row to the header's width; a row of another width keeps all its cells as JSON beside its fault."""
    if fault is None and len(cells) > width and not any(c.strip() for c in cells[width:]):
        cells = cells[:width]
    if fault is None and len(cells) != width:
        fault = f"the row has {len(cells)} cells, the header {width}"
    whole = json.dumps(cells, ensure_ascii=False) if fault else None
    padded: list[object] = [c or None for c in cells[:width]]
    return [number, whole, fault, *padded, *([None] * (width - len(padded)))]
