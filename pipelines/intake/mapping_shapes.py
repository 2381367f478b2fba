"""The parts of a mapping that shape rows or say where they come from but for files, checked."""

import re
from typing import Any

from pipelines.intake.expressions import Expression, ExpressionError, parse_expression
from pipelines.intake.mapping import ColumnsFromRows, Database, RowsFromColumns
from pipelines.intake.mapping_place import PASSWORD_REMEDY, Place, check_formats, check_keys, check_texts

ROWS_FROM_COLUMNS_KEYS = {"pattern": str, "number": str}
COLUMNS_FROM_ROWS_KEYS = {"key": list, "name": str, "value": str, "names": list}


def parse_database(place: Place, block: dict[str, Any], number: int) -> Database | None:
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


def parse_rows_from_columns(place: Place, given: dict[str, Any] | None, block: int) -> RowsFromColumns | None:
    if given is None:
        return None
    check_keys(place, given, ROWS_FROM_COLUMNS_KEYS, "rows_from_columns", block)
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


def parse_columns_from_rows(place: Place, given: dict[str, Any] | None, block: int) -> ColumnsFromRows | None:
    if given is None:
        return None
    check_keys(place, given, COLUMNS_FROM_ROWS_KEYS, "columns_from_rows", block)
    key = check_texts(place, given.get("key", []), "key", block)
    if not key or "name" not in given or "value" not in given:
        remedy = 'write key = ["HEADER"], name = "HEADER" and value = "HEADER"'
        place.fail("columns_from_rows lacks its key, name or value", remedy, "columns_from_rows", block)
    names = check_texts(place, given.get("names", []), "names", block)
    return ColumnsFromRows(key, given["name"], given["value"], names)


def parse_derived(place: Place, header: str, text: Any, block: int) -> Expression:
    if not isinstance(text, str):
        remedy = f'write "{header}" = "split([Incident], \'-\', 2)"'
        place.fail(f"derived '{header}' = {text!r} is no text", remedy, header, block)
    try:
        expression = parse_expression(text)
    except ExpressionError as fault:
        place.fail(f"derived '{header}' = {text!r}: {fault.what}", fault.remedy, header, block)
    check_formats(place, expression.formats, block, header)
    return expression
