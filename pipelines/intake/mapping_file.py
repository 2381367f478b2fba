"""Reads a mapping file (TOML) and says, with the line, what is wrong in it."""

from __future__ import annotations

import datetime as dt
import re
import tomllib
from collections.abc import Iterable
from dataclasses import replace
from pathlib import Path
from typing import Any, NoReturn

import duckdb

from pipelines.intake.mapping import ColumnSource, Mapping, RowFilter, TableSource
from pipelines.intake.zones import is_zone
from shared import dictionary, units
from shared.errors import UserError, suggest_name

TABLE_KEYS = {
    "to": str,
    "files": str,
    "sheet": str,
    "delimiter": str,
    "encoding": str,
    "skip_rows": int,
    "skip_after_header": int,
    "decimal": str,
    "timezone": str,
    "formats": list,
    "columns": dict,
    "filters": list,
    "snapshot": bool,
    "gone": str,
    "taken_on": str,
    "changed_cable": str,
}
CLOSABLE = ("loops", "sections", "jobs")
"""Tables whose things can be closed when a snapshot lacks them; of the others what is gone is kept."""
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
    """Where in the file a block and a key stand, for messages."""

    def __init__(self, path: Path, text: str) -> None:
        self.path = path
        self.lines = text.splitlines()

    def fail(self, what: str, remedy: str, key: str | None = None, block: int = 0) -> NoReturn:
        raise UserError(what, self.of(key, block), remedy)

    def of(self, key: str | None, block: int) -> str:
        """File and line of a key within the n-th [[table]] block, as near as it can be told."""
        starts = [i for i, line in enumerate(self.lines) if re.match(r"\s*\[\[\s*table\s*\]\]", line)]
        first = starts[block] if block < len(starts) else 0
        last = starts[block + 1] if block + 1 < len(starts) else len(self.lines)
        if key is not None:
            for i in range(first, last):
                if re.search(rf"(^|[\s\[{{,.\"']){re.escape(key)}([\s\]=}},\"']|$)", self.lines[i]):
                    return f"{self.path}, line {i + 1}"
        return f"{self.path}, line {first + 1}"


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
        if key not in known:
            place.fail(f"unknown key '{key}' in {what}", suggest_name(key, known), key, block)
        wanted = known[key]
        if not isinstance(value, wanted) or (isinstance(value, bool) and wanted is int):
            kind = WORDS.get(wanted, "a text, a number, true or false")
            place.fail(f"{key} = {value!r} in {what} is not {kind}", f"give {key} {kind}", key, block)


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
    zone = block.get("timezone")
    if zone is not None and not is_zone(zone):
        what = f"timezone '{zone}' is not an IANA time zone"
        place.fail(what, "give one such as America/Chicago, or UTC", "timezone", number)
    _check_dialect(place, block, number)
    taken_on = _check_snapshot(place, block, number)
    return TableSource(
        table=table,
        columns=columns,
        pattern=block.get("files", "*"),
        sheet=block.get("sheet"),
        delimiter=block.get("delimiter"),
        encoding=block.get("encoding"),
        skip_rows=block.get("skip_rows", 0),
        skip_after_header=block.get("skip_after_header", 0),
        decimal=block.get("decimal"),
        timezone=zone,
        formats=_check_formats(place, _texts(place, block.get("formats", []), "formats", number), number),
        filters=tuple(_parse_filter(place, given, number) for given in block.get("filters", [])),
        snapshot=block.get("snapshot", False),
        gone=block.get("gone"),
        taken_on=taken_on,
        changed_cable=block.get("changed_cable"),
    )


def _check_snapshot(place: _Place, block: dict[str, Any], number: int) -> dt.date | None:
    """Refuse what a block cannot mean by snapshot, gone, taken_on and changed_cable; returns the day it was taken."""
    gone, table, reading = block.get("gone"), block["to"], block.get("changed_cable")
    if gone not in (None, "close", "keep"):
        place.fail(f"gone = {gone!r} is neither close nor keep", "give one of them, or leave it out", "gone", number)
    if gone and not block.get("snapshot"):
        place.fail("gone is said of files that are no snapshot", "add snapshot = true", "gone", number)
    if gone == "close" and table not in CLOSABLE:
        remedy = f"leave it out: only {', '.join(CLOSABLE)} can be closed"
        place.fail(f'gone = "close" means nothing for {table}', remedy, "gone", number)
    if reading not in (None, "new", "correction"):
        remedy = "give new or correction, or leave it out to be asked"
        place.fail(f"changed_cable = {reading!r} is no reading of a changed cable", remedy, "changed_cable", number)
    if reading and table != "sections":
        place.fail(f"changed_cable means nothing for {table}", "say it of sections", "changed_cable", number)
    try:
        taken_on = dt.date.fromisoformat(block["taken_on"]) if "taken_on" in block else None
    except ValueError:
        remedy = 'write the day as in taken_on = "2025-06-30"'
        place.fail(f"taken_on = {block['taken_on']!r} is no day", remedy, "taken_on", number)
    if gone == "close" and taken_on is None:
        remedy = 'add the day that the files are of, as in taken_on = "2025-06-30"'
        place.fail('gone = "close" without the day on which they were taken', remedy, "gone", number)
    return taken_on


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


def _check_formats(place: _Place, formats: tuple[str, ...], block: int) -> tuple[str, ...]:
    """Refuse a format of stamps that the warehouse cannot follow; it is tried there, on a connection of its own."""
    for one in formats:
        try:
            with duckdb.connect() as trial:
                trial.execute("select try_strptime('2019-04-30', ?)", [one])
        except duckdb.Error as fault:
            remedy = "give marks such as %d/%m/%Y %H:%M"
            place.fail(f"formats holds {one!r}: {str(fault).splitlines()[0]}", remedy, "formats", block)
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
        codes=_parse_codes(place, table, name, given.get("codes", {}), block),
        default=given.get("default"),
    )


def _constant(value: str | float) -> str:
    return str(value).lower() if isinstance(value, bool) else str(value)


def _parse_codes(place: _Place, table: str, name: str, given: dict[str, Any], block: int) -> dict[str, str]:
    listed = dictionary.load_tables()[table].column(name).codes
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
