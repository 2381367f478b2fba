"""What some files hold, part by part (a file, a sheet, files of one form), for drafting: headers, values, how read."""

import datetime as dt
import io
import itertools
import json
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from pathlib import Path

import duckdb

from pipelines.intake import guesses
from pipelines.intake.archives import unpack
from pipelines.intake.databases import export_query, is_sqlite, table_names
from pipelines.intake.draft_headers import SAMPLE_ROWS, Header, find_header
from pipelines.intake.formats import JSON, SHEETS, TEXTS, sheet_names, sheet_records
from pipelines.intake.json_records import JSON_LINES, find_records, parse_document
from pipelines.intake.mapping import Database, TableSource
from pipelines.intake.mapping_file import parse_mapping_text
from pipelines.intake.mapping_place import PASSWORD_REMEDY
from pipelines.intake.mapping_shapes import holds_password
from pipelines.intake.reading import read_one
from pipelines.intake.share import TableShare
from pipelines.intake.sources import JoinedFile, SourceFile, find_joined, fits, is_readable, list_files
from pipelines.intake.text import DELIMITERS, DoubtfulFileError, ReadFile, refuse_binary
from pipelines.intake.text_records import find_file_encoding, read_records
from pipelines.intake.typed import Zones
from shared.errors import UserError
from shared.settings import Settings

SEARCHED_ROWS = 10_000
"""Rows among which the header is looked for."""
FIRST_ROWS = 100_000
"""Rows of each table on a server that a draft reads: it may hold more than anybody waits for."""
TOTALS = ("total", "totals", "sum", "grand total")


@dataclass(frozen=True)
class Column:
    """A column of a part: its header, the unit below it, and its texts that are not blank."""

    header: str
    unit: str
    texts: tuple[str, ...]

    @cached_property
    def distinct(self) -> tuple[str, ...]:
        return tuple(dict.fromkeys(self.texts))

    @cached_property
    def formats(self) -> guesses.Guess | None:
        """How its texts are read as stamps or days, if they can be."""
        return guesses.guess_formats(self.texts[:500])

    @cached_property
    def is_day(self) -> bool:
        return guesses.is_day(self.formats, self.texts)

    @cached_property
    def is_hour(self) -> bool:
        return guesses.is_hour(list(self.texts[:500]))

    @cached_property
    def numeric(self) -> float:
        """Share of its texts that are numbers."""
        return len(guesses.numbers_of([_point(t) for t in self.texts])) / max(len(self.texts), 1)

    @property
    def is_single(self) -> bool:
        """Whether no text comes twice."""
        return len(self.texts) > 1 and len(self.distinct) == len(self.texts)


@dataclass(frozen=True)
class Part:
    """Rows of one form: the files that hold them, the lines of a mapping that read them, and a sample.

    ``reading`` are lines of TOML, each with its reason, and ``shape`` those that come after them; ``whole`` are the
    views that hold every row as texts; ``turned`` says that its rows were columns of another part.
    """

    files: tuple[JoinedFile, ...]
    label: str
    reading: tuple[str, ...]
    shape: tuple[str, ...] = ()
    columns: tuple[Column, ...] = ()
    rows: tuple[tuple[str, ...], ...] = ()
    whole: tuple[ReadFile, ...] = ()
    turned: bool = False

    @property
    def headers(self) -> tuple[str, ...]:
        return tuple(c.header for c in self.columns)

    @property
    def count(self) -> int:
        return sum(read.rows for read in self.whole)

    @property
    def is_decimal_comma(self) -> bool:
        return any(line.startswith('decimal = ","') for line in self.reading)

    def column(self, header: str) -> Column:
        return next(c for c in self.columns if c.header == header)

    def source(self, table: str, columns: Sequence[str] = ()) -> TableSource:
        """What a mapping of these lines says, by the very parser of mappings."""
        text = "\n".join(["[[table]]", f'to = "{table}"', *self.reading, *self.shape, "[table.columns]", *columns])
        return parse_mapping_text(text, Path("draft")).tables[0]

    def joined(self, headers: Sequence[str]) -> tuple[str, ...]:
        """Texts of several columns, joined with a blank where all are filled."""
        places = [self.headers.index(h) for h in headers]
        return tuple(" ".join(r[p] for p in places) for r in self.rows if all(r[p] for p in places))


class Reader:
    """Reads parts whole, by the reader that loads, into views of a connection of the draft's own."""

    def __init__(
        self, con: duckdb.DuckDBPyConnection, settings: Settings, unpacked: Path, given: Sequence[JoinedFile]
    ) -> None:
        self.con = con
        self.unpacked = unpacked
        self.given = given
        self.share = TableShare(con, "draft", "jobs", (), settings, dt.datetime.now(dt.UTC))
        self.reads = 0

    def read(self, part: Part) -> Part:
        """The part with a sample of its rows, and lines on its marks where they were not known before."""
        source = part.source("jobs")
        zones = Zones(source.timezone, None, None, ())
        queried = {id(j): export_query(j.source.database, self.unpacked) for j in source.joins if j.source.database}
        reads = []
        for path, label in part.files:
            self.reads += 1
            bare = SourceFile(path, label, source)
            file = replace(bare, joined=find_joined(bare, self.given, queried))
            reads.append(self._read_one(f"part_{self.reads}", file, zones))
        headers = reads[0].headers
        listed = ", ".join(f"trim(coalesce(c{i}, ''))" for i in range(1, len(headers) + 1))
        rows: list[tuple[str, ...]] = []
        for read in reads:
            wanted = max(SAMPLE_ROWS // len(reads), 50)
            rows += self.con.execute(f"select {listed} from {read.name} where fault is null limit {wanted}").fetchall()
        units = {c.header: c.unit for c in part.columns}
        columns = tuple(Column(h, units.get(h, ""), tuple(r[i] for r in rows if r[i])) for i, h in enumerate(headers))
        extra = () if part.whole else tuple(_dialect_lines(rows, columns))
        reading = (*part.reading, *extra)
        return replace(part, reading=reading, columns=columns, rows=tuple(rows), whole=tuple(reads))

    def _read_one(self, name: str, file: SourceFile, zones: Zones) -> ReadFile:
        while True:
            try:
                return read_one(self.share, name, file, zones)
            except DoubtfulFileError as fault:
                self.share = replace(self.share, careful=self.share.careful | {fault.path})

    def reshape(self, part: Part, shape: Sequence[str], reading: Sequence[str] = ()) -> Part:
        """The part read again, in another shape."""
        return self.read(replace(part, shape=(*part.shape, *shape), reading=(*part.reading, *reading)))


def find_parts(
    con: duckdb.DuckDBPyConnection,
    paths: Sequence[Path],
    unpacked: Path,
    settings: Settings,
    addresses: Sequence[str] = (),
) -> tuple[Reader, list[Part]]:
    """The parts of files, folders and databases, files of one form together, and what reads them in other shapes.

    Parameters
    ----------
    con
        A connection of the draft's own: every part is read into views of it.
    unpacked
        Where archives are unpacked to.
    addresses
        Databases of PostgreSQL.

    Raises
    ------
    UserError
        A path is missing, or no file holds anything that can be read as a table.

    Notes
    -----
    Checked by: tests/unit/test_intake_draft.py (through draft_mapping)
    """
    limit = int(settings.intake.unpacked_limit_gb * 1e9)
    files = _files_of(paths)
    databases = [file for file in files if is_sqlite(file)]
    given = [inner for file in files if file not in databases for inner in unpack(file, unpacked, limit)]
    found = [p for file in databases for p in _parts_of_database(f"sqlite:{file.resolve()}", file, unpacked)]
    found += [part for address in addresses for part in _parts_of_database(address, None, unpacked)]
    found += [part for file, label in given for part in _parts_of_file(file, label) if part.headers]
    if not found:
        what = "the file holds no table" if len(paths) == 1 else "the files hold no table"
        raise UserError(what, ", ".join(map(str, (*paths, *addresses))), "export one with a header row")
    reader = Reader(con, settings, unpacked, given)
    return reader, [reader.read(part) for part in _put_together(found)]


def _files_of(paths: Sequence[Path]) -> list[Path]:
    files: list[Path] = []
    for path in paths:
        if not path.exists():
            raise UserError("there is no such file", str(path), "check the path; quote it if it holds spaces")
        if path.is_dir():
            files += [p for p in list_files(path)[0] if is_readable(p) or is_sqlite(p)]
        else:
            files.append(path)
    return files


def _parts_of_database(address: str, path: Path | None, unpacked: Path) -> list[Part]:
    """The tables and views of a database; of those on a server the first rows."""
    if holds_password(address):
        raise UserError("the database's address holds a password", "loopwear draft-mapping", PASSWORD_REMEDY)
    found = []
    for relation in table_names(address, path):
        first = None if path else f"select * from {relation} limit {FIRST_ROWS}"
        file = export_query(Database(address, first, None if first else relation, path), unpacked)
        reading = (f"database = {toml(address)}", f"from = {toml(relation)}")
        label = f"{path.name if path else address}, {relation}"
        found.append(Part(((file, label),), label, reading, (), (Column("", "", ()),)))
    return found


def _parts_of_file(path: Path, label: str) -> list[Part]:
    name = toml(_pattern([path.name]))
    suffix = path.suffix.casefold()
    unread = Part(((path, label),), label, (f"files = {name}",), (), (Column("", "", ()),))
    if path.stat().st_size == 0:
        raise UserError("the file is empty", label, "export the table again")
    if suffix in SHEETS:
        sheets = sheet_names(path, label)
        return [
            _with_header(
                Part(((path, label),), f"{label}, sheet {s}", (f"files = {name}", f"sheet = {toml(s)}")),
                find_header([(n, c) for n, c, _ in itertools.islice(sheet_records(path, label, s), SEARCHED_ROWS)]),
            )
            for s in sheets
        ]
    if suffix in JSON and suffix not in JSON_LINES:
        paths = find_records(parse_document(path, label)) or [""]
        return [
            replace(unread, label=f"{label}, {p}", reading=(*unread.reading, f"records = {toml(p)}")) if p else unread
            for p in paths
        ]
    if suffix not in TEXTS:
        return [unread]
    return [_text_part(path, label, name)]


def _text_part(path: Path, label: str, name: str) -> Part:
    """A delimited text: the delimiter is the one under which a header is found best."""
    with path.open("rb") as handle:
        refuse_binary(handle.read(1 << 16), label)
    encoding, assumed = find_file_encoding(path)
    with path.open(encoding=encoding, errors="replace", newline="") as lines:
        head = "".join(itertools.islice(lines, SEARCHED_ROWS)).removeprefix("\ufeff")
    reading = [f"files = {name}"]
    if assumed:
        reading.append(f'encoding = "{encoding}"  # no mark says so; the file is not UTF-8')
    headers = {
        delimiter: find_header([(n, cells) for n, cells, _ in read_records(io.StringIO(head, newline=""), delimiter)])
        for delimiter in DELIMITERS
    }
    best = max(headers, key=lambda d: headers[d].likeness)
    if best != ",":
        reading.append(f"delimiter = {toml(best)}")
    return _with_header(Part(((path, label),), label, tuple(reading)), headers[best])


def _with_header(part: Part, header: Header) -> Part:
    """A part with its header, and the lines that leave out what is above and below it."""
    reading = list(part.reading)
    if header.above:
        reading.append(f"skip_rows = {header.above}  # rows above the header")
    if header.below:
        said = (
            "the row below the header holds units"
            if header.below == 1
            else "rows of units and the like below the header"
        )
        reading.append(f"skip_after_header = {header.below}  # {said}")
    units = (*header.units, *[""] * len(header.names))
    columns = tuple(Column(name, unit, ()) for name, unit in zip(header.names, units, strict=False))
    return replace(part, reading=tuple(reading), columns=columns)


def _put_together(parts: Sequence[Part]) -> list[Part]:
    """Files of the same headers that are read the same way as one part, with a pattern that finds them alone."""
    groups: dict[tuple[object, ...], list[Part]] = {}
    for number, part in enumerate(parts):
        own = part.headers == ("",)  # its headers are not known yet
        reading = tuple(line for line in part.reading[1:] if not line.startswith("encoding"))
        key = (part.headers, reading, part.files[0][0].suffix.casefold(), number if own else None)
        groups.setdefault(key, []).append(part)
    found = []
    for alike in groups.values():
        names = [part.files[0][0].name for part in alike]
        pattern = _pattern(names)
        others = {path.name for part in parts if part not in alike for path, _ in part.files} - set(names)
        if len(alike) == 1 or any(fits(name, pattern) for name in others):
            found += alike
            continue
        # an encoding that only some of them need is found by itself
        lines = [line for line in alike[0].reading[1:] if all(line in part.reading for part in alike)]
        label = f"{pattern} ({len(alike)} files)"
        files = tuple(part.files[0] for part in alike)
        found.append(replace(alike[0], files=files, label=label, reading=(f"files = {toml(pattern)}", *lines)))
    return found


def _pattern(names: Sequence[str]) -> str:
    """A name that all match: what they begin and end with alike, and * between."""
    if len(set(names)) == 1:
        return re.sub(r"[*?\[]", "?", names[0])
    begin = names[0][: next(i for i, c in enumerate(zip(*names, strict=False)) if len(set(c)) > 1)]
    end = Path(names[0]).suffix
    return re.sub(r"[*?\[]", "?", re.sub(r"\d+$", "", begin)) + "*" + end


def _dialect_lines(rows: Sequence[tuple[str, ...]], columns: Sequence[Column]) -> Iterator[str]:
    """Lines on the mark before decimals and on rows that are none: totals, and the header once more."""
    cells = [cell for row in rows for cell in row]
    decimal, doubt = guesses.guess_decimal(cells), guesses.find_thousands(cells)
    if decimal:
        yield f'decimal = ","  # {decimal.evidence}'
    elif doubt:
        yield f"decimal = \".\"  # ??? {doubt} is taken as thousands; give ',' if its comma comes before decimals"
    filters = []
    for column in columns[:1]:
        first = [row[0] for row in rows]
        totals = sorted({t for t in first if t.casefold().rstrip(":") in TOTALS})
        again = [column.header] if tuple(c.header for c in columns) in rows else []
        if totals or again:
            values = ", ".join(map(toml, [*totals, *again]))
            said = " and ".join(
                [*(["the row of totals"] if totals else []), *(["the header once more"] if again else [])]
            )
            filters.append(f"{{ column = {toml(column.header)}, values = [{values}], keep = false }}]  # {said}")
    if filters:
        yield "filters = [" + filters[0]


def _point(text: str) -> str:
    """A number with a point before its decimals, whichever mark it has."""
    return text.replace(".", "").replace(",", ".") if re.fullmatch(r"[+-]?[\d.]*,\d+", text) else text


def toml(value: str) -> str:
    """A text in quotes, as a mapping holds it."""
    return json.dumps(value, ensure_ascii=False)
