"""Reads a mapping file (TOML) and says, with the line, what is wrong in it."""

import tomllib
from dataclasses import replace
from pathlib import Path
from typing import Any

from pipelines.intake.mapping import ColumnSource, Join, Mapping, RowFilter, TableSource
from pipelines.intake.mapping_place import Place, check_formats, check_keys, check_texts
from pipelines.intake.mapping_shapes import (
    parse_columns_from_rows,
    parse_database,
    parse_derived,
    parse_rows_from_columns,
)
from pipelines.intake.mapping_state import STATE_KEYS, parse_state
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
TABLE_KEYS = {"to": str, **READING_KEYS, **STATE_KEYS, "join": list, "rows_from_columns": dict, "columns": dict}
JOIN_KEYS = {**READING_KEYS, "on": dict, "prefix": str, "rows": str}
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
MOST_BYTES = 1_000_000
"""Of a mapping file: one that names every column of every table takes a few thousand."""
FILTER_KEYS = {"column": str, "values": list, "keep": bool}


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
        if path.stat().st_size > MOST_BYTES:
            what = f"the mapping file has {path.stat().st_size:,} bytes, more than {MOST_BYTES:,}"
            raise UserError(what, str(path), "give the mapping after --mapping, and the data as PATHS")
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
    except RecursionError:
        raise UserError("the mapping file nests its values too deep", str(path), "write it flatter") from None
    place = Place(path, text)
    check_keys(place, given, {"table": list, "insulations": dict}, "the mapping", 0)
    if not given.get("table"):
        place.fail("the mapping holds no [[table]] block", 'begin a block with [[table]] and say to = "jobs"')
    tables = tuple(_parse_table(place, block, number) for number, block in enumerate(given["table"]))
    tables = tuple(replace(one, headers_beside=_list_headers_beside(one, tables)) for one in tables)
    return Mapping(tables, {str(k): str(v) for k, v in given.get("insulations", {}).items()})


def _list_headers_beside(source: TableSource, tables: tuple[TableSource, ...]) -> tuple[str, ...]:
    """Headers that other blocks take from the files of a block, each once."""
    beside = (h for other in tables if other.pattern == source.pattern for h in other.headers)
    return tuple(dict.fromkeys(h for h in beside if h not in source.headers))


def _parse_table(place: Place, block: dict[str, Any], number: int) -> TableSource:
    if not isinstance(block, dict):
        place.fail("'table' is not a list of blocks", "write [[table]] with double brackets")
    check_keys(place, block, TABLE_KEYS, f"table block {number + 1}", number)
    table = block.get("to")
    tables = dictionary.load_tables()
    if table not in tables:
        what = "a table block says not which table it fills" if table is None else f"there is no table '{table}'"
        place.fail(what, suggest_name(str(table or ""), tables), "to" if table else None, number)
    columns = {
        name: _parse_column(place, table, name, given, number) for name, given in block.get("columns", {}).items()
    }
    joins = [_parse_join(place, table, block, number, nth) for nth in range(len(block.get("join", [])))]
    reading = _parse_reading(place, table, block, number)
    # a derived stamp is written as ours are, whatever the file's own look like
    stamps = {h.casefold() for h, expression in reading.derived.items() if expression.kind == "stamp"}
    columns |= {
        name: replace(column, formats=("iso",))
        for name, column in columns.items()
        if not column.formats and any(h.casefold() in stamps for h in column.columns)
    }
    return replace(
        reading,
        columns=columns,
        joins=tuple(joins),
        rows_from_columns=parse_rows_from_columns(place, block.get("rows_from_columns"), number),
        **parse_state(place, block, number),
    )


def _parse_reading(place: Place, table: str, block: dict[str, Any], number: int) -> TableSource:
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
        formats=check_formats(place, check_texts(place, block.get("formats", []), "formats", number), number),
        filters=tuple(_parse_filter(place, given, number) for given in block.get("filters", [])),
        database=parse_database(place, block, number),
        records=block.get("records"),
        columns_from_rows=parse_columns_from_rows(place, block.get("columns_from_rows"), number),
        derived={
            " ".join(header.split()): parse_derived(place, header, text, number)
            for header, text in block.get("derived", {}).items()
        },
    )


def _parse_join(place: Place, table: str, table_block: dict[str, Any], block: int, nth: int) -> Join:
    within, given = place.join(block, nth), table_block["join"][nth]
    if not isinstance(given, dict):
        within.fail("'join' is not a list of blocks", "write [[table.join]] with double brackets", "join", block)
    check_keys(within, given, JOIN_KEYS, f"join {nth + 1}", block)
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


def _check_dialect(place: Place, block: dict[str, Any], number: int) -> None:
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


def _parse_column(place: Place, table: str, name: str, given: Any, block: int) -> ColumnSource:
    known = dictionary.load_tables()[table].source_columns
    if name not in known:
        place.fail(f"table {table} has no column '{name}'", suggest_name(name, known), name, block)
    if isinstance(given, str):
        return ColumnSource((given,))
    if not isinstance(given, dict):
        what = f"column {name} = {given!r} is neither a header nor a table"
        place.fail(what, f'write {name} = "HEADER"', name, block)
    check_keys(place, given, COLUMN_KEYS, f"column {name}", block)
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
        columns=(given["from"],) if "from" in given else check_texts(place, given.get("join", []), "join", block),
        joiner=given.get("with", " "),
        value=None if value is None else _constant(value),
        unit=unit,
        formats=check_formats(place, check_texts(place, given.get("formats", []), "formats", block), block),
        codes=_parse_codes(place, table, name, given.get("codes", {}), block),
        default=given.get("default"),
    )


def _constant(value: str | float) -> str:
    return str(value).lower() if isinstance(value, bool) else str(value)


def _parse_codes(place: Place, table: str, name: str, given: dict[str, Any], block: int) -> dict[str, str]:
    listed = dictionary.load_tables()[table].column(name).codes
    for text, code in given.items():
        if not isinstance(code, str):
            place.fail(f"code {text!r} = {code!r} of column {name} is no text", "put the code in quotes", name, block)
        # Insulations are extensible, so only the load can tell whether one is known.
        if listed and listed != "insulation" and code not in dictionary.codes()[listed]:
            known = dictionary.codes()[listed]
            place.fail(f"'{code}' is no code of column {name}", suggest_name(code, known), name, block)
    return {str(k): str(v) for k, v in given.items()}


def _parse_filter(place: Place, given: Any, block: int) -> RowFilter:
    if not isinstance(given, dict) or "column" not in given or "values" not in given:
        remedy = 'write { column = "HEADER", values = ["..."] }'
        place.fail("a filter lacks its column or its values", remedy, "filters", block)
    check_keys(place, given, FILTER_KEYS, "a filter", block)
    return RowFilter(given["column"], check_texts(place, given["values"], "values", block), given.get("keep", True))
