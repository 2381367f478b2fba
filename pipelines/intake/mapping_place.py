"""Where in a mapping file something stands, and the checks that every part of it shares."""

from __future__ import annotations

import re
from collections.abc import Iterable
from pathlib import Path
from typing import Any, NoReturn

import duckdb

from pipelines.intake.mapping import NAMED_FORMATS
from shared.errors import UserError, suggest_name

PASSWORD_REMEDY = "take it out; the password is read from PGPASSWORD, the file .pgpass or a service file"
WORDS = {
    str: "a text in quotes",
    int: "a whole number",
    list: "a list in brackets",
    dict: "a table",
    bool: "true or false",
}


class Place:
    """Where in the file a block and a key stand, for messages; ``span`` are the lines of a part of a block."""

    def __init__(self, path: Path, text: str, span: tuple[int, int] | None = None) -> None:
        self.path = path
        self.text = text
        self.lines = text.splitlines()
        self.span = span

    def join(self, block: int, number: int) -> Place:
        """The same file, of which messages look at the n-th join of a block alone."""
        first, last = self._block(block)
        starts = [i for i in range(first, last) if re.match(r"\s*\[\[\s*table\s*\.\s*join\s*\]\]", self.lines[i])]
        if number >= len(starts):
            return self
        return Place(self.path, self.text, (starts[number], [*starts, last][number + 1]))

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


def check_keys(place: Place, given: dict[str, Any], known: dict[str, Any], what: str, block: int) -> None:
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


def check_formats(place: Place, formats: tuple[str, ...], block: int, key: str = "formats") -> tuple[str, ...]:
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


def check_texts(place: Place, given: Iterable[Any], key: str, block: int) -> tuple[str, ...]:
    for item in given:
        if not isinstance(item, str):
            place.fail(f"{key} holds {item!r}, which is no text", "put every item in quotes", key, block)
    return tuple(given)
