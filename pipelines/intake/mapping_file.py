"""Reads a mapping file (TOML) and says, with the line, what is wrong in it."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterable
from dataclasses import replace
from pathlib import Path
from typing import Any, NoReturn

import duckdb

from pipelines.intake.expressions import Expression, ExpressionError, parse_expression
from pipelines.intake.mapping import (
    NAMED_FORMATS,
    ColumnsFromRows,
    ColumnSource,
    Database,
    Join,
    Mapping,
    RowFilter,
    RowsFromColumns,
    TableSource,
)
from pipelines.intake.zones import is_zone
from shared import dictionary, units
from shared.errors import UserError, suggest_name

READING_KEYS = {
    "files": str,
    "database": str,
    "query": str,
    "from": str,
    "sheet": str,
    "records": str,
    "delimiter": str,
    "encoding": str,
    "skip_rows": int,
    "skip_after_header": int,
    "decimal": str,
    "timezone": str,
    "formats": list,
    "filters": list,
    "columns_from_rows": dict,
    "derived": dict,
}
"""Keys of a table block that the files of a join may have too."""
TABLE_KEYS = {"to": str, **READING_KEYS, "join": list, "rows_from_columns": dict, "columns": dict}
JOIN_KEYS = {**READING_KEYS, "on": dict, "prefix": str, "rows": str}
ROWS_FROM_COLUMNS_KEYS = {"pattern": str, "number": str}
COLUMNS_FROM_ROWS_KEYS = {"key": list, "name": str, "value": str, "names": list}
COLUMN_KEYS = {
    "from": str,
    "join": list,
    "with": str,
    "value": (str, int, float, bool),
    "unit": str,
    "formats": list,
    "codes": dict,
    "default": str,
}
PASSWORD_REMEDY = "take it out; the password is read from PGPASSWORD, the file .pgpass or a service file"
UNFIT_DELIMITERS = '"\n\r\x00'
MOST_ROWS_SKIPPED = 100_000
FILTER_KEYS = {"column": str, "values": list, "keep": bool}
WORDS = {
    str: "a text in quotes",
    int: "a whole number",
    list: "a list in brackets",
    dict: "a table",
    bool: "true or false",
}


class _Place:
    """Where in the file a block and a key stand, for messages; ``span`` are the lines of a part of a block."""

    def __init__(self, path: Path, text: str, span: tuple[int, int] | None = None) -> None:
        self.path = path
        self.text = text
        self.lines = text.splitlines()
        self.span = span

    def join(self, block: int, number: int) -> _Place:
        """The same file, of which messages look at the n-th join of a block alone."""
        first, last = self._block(block)
        starts = [i for i in range(first, last) if re.match(r"\s*\[\[\s*table\s*\.\s*join\s*\]\]", self.lines[i])]
        if number >= len(starts):
            return self
        return _Place(self.path, self.text, (starts[number], [*starts, last][number + 1]))

    def fail(self, what: str, remedy: str, key: str | None = None, block: int = 0) -> NoReturn:
        raise UserError(what, self.of(key, block), remedy)

    def of(self, key: str | None, block: int) -> str:
        """File and line of a key within the n-th [[table]] block, as near as it can be told."""
        first, last = self.span or self._block(block)
        if key is not None:
            for i in range(first, last):
                if re.search(rf"(^|[\s\[{{,.\"']){re.escape(key)}([\s\]=}},\"']|$)", self.lines[i]):
                    return f"{self.path}, line {i + 1}"
        return f"{self.path}, line {first + 1}"

    def _block(self, block: int) -> tuple[int, int]:
        starts = [i for i, line in enumerate(self.lines) if re.match(r"\s*\[\[\s*table\s*\]\]", line)]
        first = starts[block] if block < len(starts) else 0
        return first, starts[block + 1] if block + 1 < len(starts) else len(self.lines)


def parse_mapping(path: Path) -> Mapping:
    """The mapping of a file, checked: tables, columns, units, zones, codes.

    Raises
    ------
    UserError
        The file is missing or no TOML, a key is unknown, or a value is not of its kind; the line is named.

    Notes
    -----
    Checked by: tests/unit/test_intake_draft.py
    """
    try:
        text = path.read_text(encoding="utf-8-sig")
    except FileNotFoundError:
        raise UserError("the mapping file does not exist", str(path), "check the path after --mapping") from None
    except (UnicodeDecodeError, OSError) as fault:
        raise UserError(f"the mapping file cannot be read: {fault}", str(path), "save it as UTF-8 text") from None
    return parse_mapping_text(text, path)


def parse_mapping_text(text: str, path: Path) -> Mapping:
    """The mapping of a text; ``path`` is what messages call it. Raises as parse_mapping does."""
    try:
        given = tomllib.loads(text)
    except tomllib.TOMLDecodeError as fault:
        what = f"the mapping file is no TOML: {fault}"
        raise UserError(what, str(path), "correct that line; texts need quotes") from None
    place = _Place(path, text)
    _check_keys(place, given, {"table": list, "insulations": dict}, "the mapping", 0)
    if not given.get("table"):
        place.fail("the mapping holds no [[table]] block", 'begin a block with [[table]] and say to = "jobs"')
    tables = tuple(_parse_table(place, block, number) for number, block in enumerate(given["table"]))
    tables = tuple(replace(one, headers_beside=_list_headers_beside(one, tables)) for one in tables)
    return Mapping(tables, {str(k): str(v) for k, v in given.get("insulations", {}).items()})


def _list_headers_beside(source: TableSource, tables: tuple[TableSource, ...]) -> tuple[str, ...]:
    """Headers that other blocks take from the files of a block, each once."""
    beside = (h for other in tables if other.pattern == source.pattern for h in other.headers)
    return tuple(dict.fromkeys(h for h in beside if h not in source.headers))


def _check_keys(place: _Place, given: dict[str, Any], known: dict[str, Any], what: str, block: int) -> None:
    for key, value in given.items():
        if "password" in key.casefold() and key not in known:
            place.fail(f"a mapping holds no password, and {what} has the key '{key}'", PASSWORD_REMEDY, key, block)
        if key not in known:
            place.fail(f"unknown key '{key}' in {what}", suggest_name(key, known), key, block)
        wanted = known[key]
        if not isinstance(value, wanted) or (isinstance(value, bool) and wanted is int):
            kind = WORDS.get(wanted, "a text, a number, true or false")
            shown = f"{key} = {value!r}" if key != "database" else key
            place.fail(f"{shown} in {what} is not {kind}", f"give {key} {kind}", key, block)


def _parse_table(place: _Place, block: dict[str, Any], number: int) -> TableSource:
    if not isinstance(block, dict):
        place.fail("'table' is not a list of blocks", "write [[table]] with double brackets")
    _check_keys(place, block, TABLE_KEYS, f"table block {number + 1}", number)
    table = block.get("to")
    tables = dictionary.load_tables()
    if table not in tables:
        what = "a table block says not which table it fills" if table is None else f"there is no table '{table}'"
        place.fail(what, suggest_name(str(table or ""), tables), "to" if table else None, number)
    columns = {
        name: _parse_column(place, table, name, given, number) for name, given in block.get("columns", {}).items()
    }
    joins = [_parse_join(place, table, block, number, nth) for nth in range(len(block.get("join", [])))]
    return replace(
        _parse_reading(place, table, block, number),
        columns=columns,
        joins=tuple(joins),
        rows_from_columns=_parse_rows_from_columns(place, block.get("rows_from_columns"), number),
    )


def _parse_reading(place: _Place, table: str, block: dict[str, Any], number: int) -> TableSource:
    """How the files of a block, or of a join, are read."""
    zone = block.get("timezone")
    if zone is not None and not is_zone(zone):
        what = f"timezone '{zone}' is not an IANA time zone"
        place.fail(what, "give one such as America/Chicago, or UTC", "timezone", number)
    _check_dialect(place, block, number)
    return TableSource(
        table=table,
        columns={},
        pattern=block.get("files", "" if "database" in block else "*"),
        sheet=block.get("sheet"),
        delimiter=block.get("delimiter"),
        encoding=block.get("encoding"),
        skip_rows=block.get("skip_rows", 0),
        skip_after_header=block.get("skip_after_header", 0),
        decimal=block.get("decimal"),
        timezone=zone,
        formats=_check_formats(place, _texts(place, block.get("formats", []), "formats", number), number),
        filters=tuple(_parse_filter(place, given, number) for given in block.get("filters", [])),
        database=_parse_database(place, block, number),
        records=block.get("records"),
        columns_from_rows=_parse_columns_from_rows(place, block.get("columns_from_rows"), number),
        derived={
            " ".join(header.split()): _parse_derived(place, header, text, number)
            for header, text in block.get("derived", {}).items()
        },
    )


def _parse_database(place: _Place, block: dict[str, Any], number: int) -> Database | None:
    address, query, relation = block.get("database"), block.get("query"), block.get("from")
    if address is None:
        if query is not None or relation is not None:
            key = "from" if query is None else "query"
            place.fail(f"{key} is given without a database", 'add database = "sqlite:FILE"', key, number)
        return None
    if holds_password(address):
        # the address itself is not shown: it holds what nobody should read
        place.fail("the database's address holds a password", PASSWORD_REMEDY, "database", number)
    kind, _, rest = address.partition(":")
    if kind not in ("sqlite", "postgresql") or not rest or (kind == "postgresql" and not rest.startswith("//")):
        remedy = "give postgresql://host:5432/dbname or sqlite:FILE; of any other, export the table as CSV"
        place.fail(f"database = {address!r} is of no kind that can be read", remedy, "database", number)
    if (query is None) == (relation is None):
        what = f"the database block has {'both from and query' if query else 'neither from nor query'}"
        place.fail(what, 'give from = "TABLE" or query = "select ..."', "database", number)
    if "files" in block:
        place.fail("a block reads files or a database, not both", "make two blocks of it", "files", number)
    return Database(address, query, relation, place.path.parent / rest if kind == "sqlite" else None)


def holds_password(address: str) -> bool:
    """Whether the address of a database holds a password anywhere."""
    return "password" in address.casefold() or ":" in address.partition("//")[2].rpartition("@")[0]


def _parse_join(place: _Place, table: str, table_block: dict[str, Any], block: int, nth: int) -> Join:
    within, given = place.join(block, nth), table_block["join"][nth]
    if not isinstance(given, dict):
        within.fail("'join' is not a list of blocks", "write [[table.join]] with double brackets", "join", block)
    _check_keys(within, given, JOIN_KEYS, f"join {nth + 1}", block)
    # numbers and stamps are written as in the table's own files, where nothing else is said
    written: dict[str, Any] = {
        key: table_block[key] for key in ("decimal", "timezone", "formats") if key in table_block
    }
    source = _parse_reading(within, table, {**written, **given}, block)
    if not any(key in given for key in ("files", "database", "sheet", "filters", "records", "columns_from_rows")):
        remedy = "give files, or the sheet or the filters of the rows in the same file"
        within.fail(f"join {nth + 1} says not what it joins", remedy, None, block)
    if "files" not in given:
        source = replace(source, pattern="")
    on = given.get("on", {})
    if not on or not all(isinstance(h, str) for h in on.values()):
        remedy = 'write on = { "HEADER HERE" = "HEADER THERE" }'
        within.fail(f"join {nth + 1} says not on which headers", remedy, "on" if on else None, block)
    if given.get("rows", "one") not in ("one", "many"):
        within.fail(f"rows = {given['rows']!r} of join {nth + 1} is not known", 'give "one" or "many"', "rows", block)
    on = {" ".join(here.split()): " ".join(there.split()) for here, there in on.items()}
    source = replace(source, headers_beside=tuple(on.values()))
    return Join(source, on, given.get("prefix", ""), given.get("rows") == "many")


def _parse_rows_from_columns(place: _Place, given: dict[str, Any] | None, block: int) -> RowsFromColumns | None:
    if given is None:
        return None
    _check_keys(place, given, ROWS_FROM_COLUMNS_KEYS, "rows_from_columns", block)
    remedy = "write pattern = 'Shot(\\d+) (.+)' and number = \"shot_no\""
    if set(given) != set(ROWS_FROM_COLUMNS_KEYS):
        place.fail("rows_from_columns lacks its pattern or its number", remedy, "rows_from_columns", block)
    try:
        groups = re.compile(given["pattern"]).groups
    except (re.error, RecursionError, OverflowError) as fault:
        place.fail(f"pattern = {given['pattern']!r} is no pattern: {fault}", remedy, "pattern", block)
    if groups != 2:
        what = f"pattern = {given['pattern']!r} has {groups} groups, not two: the number and the header"
        place.fail(what, remedy, "pattern", block)
    return RowsFromColumns(given["pattern"], " ".join(given["number"].split()))


def _parse_columns_from_rows(place: _Place, given: dict[str, Any] | None, block: int) -> ColumnsFromRows | None:
    if given is None:
        return None
    _check_keys(place, given, COLUMNS_FROM_ROWS_KEYS, "columns_from_rows", block)
    key = _texts(place, given.get("key", []), "key", block)
    if not key or "name" not in given or "value" not in given:
        remedy = 'write key = ["HEADER"], name = "HEADER" and value = "HEADER"'
        place.fail("columns_from_rows lacks its key, name or value", remedy, "columns_from_rows", block)
    names = _texts(place, given.get("names", []), "names", block)
    return ColumnsFromRows(key, given["name"], given["value"], names)


def _parse_derived(place: _Place, header: str, text: Any, block: int) -> Expression:
    if not isinstance(text, str):
        remedy = f'write "{header}" = "split([Incident], \'-\', 2)"'
        place.fail(f"derived '{header}' = {text!r} is no text", remedy, header, block)
    try:
        expression = parse_expression(text)
    except ExpressionError as fault:
        place.fail(f"derived '{header}' = {text!r}: {fault.what}", fault.remedy, header, block)
    _check_formats(place, expression.formats, block, header)
    return expression


def _check_dialect(place: _Place, block: dict[str, Any], number: int) -> None:
    """Refuse marks, encodings and counts of rows that no reader could follow."""
    decimal, delimiter = block.get("decimal", "."), block.get("delimiter", ",")
    if decimal not in (".", ","):
        place.fail(f"decimal = {decimal!r} is not one mark", "give '.' or ','", "decimal", number)
    if len(delimiter) != 1 or delimiter in UNFIT_DELIMITERS:
        remedy = "give one mark such as ';', or leave it out to have it found"
        place.fail(f"delimiter = {delimiter!r} is not one mark", remedy, "delimiter", number)
    for key in ("skip_rows", "skip_after_header"):
        if not 0 <= block.get(key, 0) <= MOST_ROWS_SKIPPED:
            remedy = f"give a whole number from 0 to {MOST_ROWS_SKIPPED}"
            place.fail(f"{key} = {block[key]} is no number of rows to skip", remedy, key, number)
    encoding = block.get("encoding", "utf-8")
    try:
        "é".encode(encoding, "replace").decode(encoding, "replace")
    except (LookupError, ValueError):
        remedy = "give one such as utf-8, utf-16, cp1252 or latin-1, or leave it out to have it found"
        place.fail(f"encoding {encoding!r} is not known", remedy, "encoding", number)


def _check_formats(place: _Place, formats: tuple[str, ...], block: int, key: str = "formats") -> tuple[str, ...]:
    """Refuse a format of stamps that the warehouse cannot follow; it is tried there, on a connection of its own."""
    for one in (f for f in formats if f not in NAMED_FORMATS):
        try:
            with duckdb.connect() as trial:
                trial.execute("select try_strptime('2019-04-30', ?)", [one])
        except (duckdb.Error, UnicodeDecodeError) as fault:  # its message may cut a letter in two
            reason = str(fault).splitlines()[0] if isinstance(fault, duckdb.Error) else "it is no format of stamps"
            remedy = f"give marks such as %d/%m/%Y %H:%M, or {', '.join(NAMED_FORMATS)}"
            place.fail(f"formats holds {one!r}: {reason}", remedy, key, block)
    return formats


def _parse_column(place: _Place, table: str, name: str, given: Any, block: int) -> ColumnSource:
    known = dictionary.load_tables()[table].source_columns
    if name not in known:
        place.fail(f"table {table} has no column '{name}'", suggest_name(name, known), name, block)
    if isinstance(given, str):
        return ColumnSource((given,))
    if not isinstance(given, dict):
        what = f"column {name} = {given!r} is neither a header nor a table"
        place.fail(what, f'write {name} = "HEADER"', name, block)
    _check_keys(place, given, COLUMN_KEYS, f"column {name}", block)
    ways = [key for key in ("from", "join", "value") if key in given]
    if len(ways) != 1:
        place.fail(
            f"column {name} says {' and '.join(ways) or 'nothing'} of where it comes from",
            "give exactly one of from, join, value",
            name,
            block,
        )
    facts = dictionary.columns()[name]
    unit = given.get("unit")
    if unit is not None:
        allowed = units.METRES if facts.unit == "m" else units.VELOCITY_PCT if facts.unit == "% of c" else {}
        if unit not in allowed:
            remedy = suggest_name(unit, allowed) if allowed else "leave the unit out"
            place.fail(f"unit '{unit}' does not fit column {name}", remedy, name, block)
    value = given.get("value")
    return ColumnSource(
        columns=(given["from"],) if "from" in given else _texts(place, given.get("join", []), "join", block),
        joiner=given.get("with", " "),
        value=None if value is None else _constant(value),
        unit=unit,
        formats=_check_formats(place, _texts(place, given.get("formats", []), "formats", block), block),
        codes=_parse_codes(place, name, given.get("codes", {}), block),
        default=given.get("default"),
    )


def _constant(value: str | float) -> str:
    return str(value).lower() if isinstance(value, bool) else str(value)


def _parse_codes(place: _Place, name: str, given: dict[str, Any], block: int) -> dict[str, str]:
    listed = dictionary.columns()[name].codes
    for text, code in given.items():
        if not isinstance(code, str):
            place.fail(f"code {text!r} = {code!r} of column {name} is no text", "put the code in quotes", name, block)
        # Insulations are extensible, so only the load can tell whether one is known.
        if listed and listed != "insulation" and code not in dictionary.codes()[listed]:
            known = dictionary.codes()[listed]
            place.fail(f"'{code}' is no code of column {name}", suggest_name(code, known), name, block)
    return {str(k): str(v) for k, v in given.items()}


def _parse_filter(place: _Place, given: Any, block: int) -> RowFilter:
    if not isinstance(given, dict) or "column" not in given or "values" not in given:
        remedy = 'write { column = "HEADER", values = ["..."] }'
        place.fail("a filter lacks its column or its values", remedy, "filters", block)
    _check_keys(place, given, FILTER_KEYS, "a filter", block)
    return RowFilter(given["column"], _texts(place, given["values"], "values", block), given.get("keep", True))


def _texts(place: _Place, given: Iterable[Any], key: str, block: int) -> tuple[str, ...]:
    for item in given:
        if not isinstance(item, str):
            place.fail(f"{key} holds {item!r}, which is no text", "put every item in quotes", key, block)
    return tuple(given)
