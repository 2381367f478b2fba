"""Records of JSON: lines of objects, arrays of them, and lists of them at any depth; nested objects lie flat."""

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import duckdb

from pipelines.intake.text import ROW_BITS, ReadFile, clean_header, read_lines, write_cells
from shared.errors import UserError

JSON_LINES = (".jsonl", ".ndjson")
MOST_BYTES = 256 << 20
"""One document is held in memory whole, ten times as large as on the disk; lines are not."""
MOST_HEADERS = 2_000
MOST_LINE = 1 << 24
"""Characters of a line at most: a job with its steps takes a few thousand, and a line is held whole."""
DEEPEST = 32
NO_OBJECT = "the record is no JSON object"

Found = Iterator[tuple[int, dict[str, str] | None, str]]
"""Row number, texts by header (None where it is no object), and the text of what was found."""


def read_json(con: duckdb.DuckDBPyConnection, name: str, path: Path, label: str, records: str | None) -> ReadFile:
    """Read a file of JSON into the temporary view ``name``; ``records`` is the path of its records, with points.

    Raises
    ------
    UserError
        It is no JSON in UTF-8, holds no list of objects where the path leads, or is too large to be one document.

    Notes
    -----
    The records are gone through twice, first for the headers, so that lines need not be held in memory.

    Checked by: tests/unit/test_intake_formats.py (through load_paths)
    """
    steps = records.split(".") if records else []
    try:
        document = None if path.suffix.casefold() in JSON_LINES else parse_document(path, label)
        if isinstance(document, dict) and not steps and find_records(document):
            _refuse(document, records, label)
        headers: dict[str, None] = {}
        for _, row, _ in _find(path, document, steps, label):
            headers.update(dict.fromkeys(row or {}))
        if not headers:
            _refuse(document, records, label)
        if len(headers) > MOST_HEADERS:
            what = f"the records have {len(headers):,} different names, more than {MOST_HEADERS:,}"
            raise UserError(what, label, "export what you need with one name a column")
        rows, zero = write_cells(
            con,
            name,
            len(headers),
            (
                (number, [text], NO_OBJECT if document is not None else "the line is no JSON object")
                if row is None
                else (number, [row.get(h, "") for h in headers], None)
                for number, row, text in _find(path, document, steps, label)
            ),
        )
    except UnicodeDecodeError as fault:
        raise UserError(f"the file is not UTF-8: {fault}", label, "write JSON in UTF-8") from None
    return ReadFile(name, tuple(clean_header(h) for h in headers), rows, careful=True, has_zero=zero)


def parse_document(path: Path, label: str) -> Any:
    """The whole of a file; None where it holds lines of objects after all."""
    if path.stat().st_size > MOST_BYTES:
        what = f"the JSON document is larger than {MOST_BYTES >> 20} MB"
        raise UserError(what, label, "export it as JSON lines (.jsonl), one object a line: those may be of any size")
    text = path.read_text(encoding="utf-8-sig")
    try:
        return _load(text) or []
    except ValueError as fault:
        if any(isinstance(_parse(line), dict) for line in text.split("\n", 3)[:3]):
            return None
        raise UserError(f"the file is no JSON: {fault}", label, "export it again") from None
    except RecursionError:
        raise UserError("the JSON document is nested too deep", label, "export it again, one object a line") from None


def _load(text: str) -> Any:
    """A text of JSON, its numbers as the texts they are."""
    return json.loads(text, parse_float=str, parse_int=str, parse_constant=str)


def _parse(text: str) -> Any:
    """The same; None where it is none."""
    try:
        return _load(text)
    except (ValueError, RecursionError):
        return None


def _find(path: Path, document: Any, steps: list[str], label: str) -> Found:
    """Records of a document, else of the lines of a file that are not blank; several of one line share its number."""
    if document is not None:
        for number, (row, text) in enumerate(_walk(document, steps, "", {}), start=1):
            yield number, row, text
        return
    with path.open(encoding="utf-8-sig", newline="\n") as lines:
        for number, line in enumerate(read_lines(lines, MOST_LINE, label), start=1):
            if not line.strip():
                continue
            parsed = _parse(line)
            if not isinstance(parsed, dict):
                yield number, None, line.strip()
                continue
            for part, (row, text) in enumerate(_walk(parsed, steps, "", {})):
                yield number + (part << ROW_BITS), row, text


def _walk(
    value: Any, steps: list[str], place: str, beside: dict[str, str]
) -> Iterator[tuple[dict[str, str] | None, str]]:
    """Records where the steps lead, each with what the objects on the way to it say, headed by their place."""
    if isinstance(value, list):
        for item in value:
            yield from _walk(item, steps, place, beside)
    elif steps and isinstance(value, dict):
        own = {k: v for k, v in value.items() if k != steps[0]}
        said = beside | (_flatten(own, f"{place}.") if place else {})
        yield from _walk(value.get(steps[0], []), steps[1:], f"{place}.{steps[0]}" if place else steps[0], said)
    elif isinstance(value, dict):
        yield beside | _flatten(value, ""), ""
    elif value is not None:
        yield None, _text(value)


def _flatten(row: dict[str, Any], before: str, depth: int = 0) -> dict[str, str]:
    """Texts of an object, those of objects within it under "outer.inner"."""
    flat: dict[str, str] = {}
    for key, value in row.items():
        if isinstance(value, dict) and value and depth < DEEPEST:
            flat |= _flatten(value, f"{before}{key}.", depth + 1)
        else:
            flat[_whole(f"{before}{key}")] = _text(value)
    return flat


def _text(value: Any) -> str:
    if value is None:
        return ""
    if isinstance(value, bool):
        return str(value).lower()
    return _whole(value if isinstance(value, str) else json.dumps(value, ensure_ascii=False))


def _whole(text: str) -> str:
    """A text in which half a letter, as JSON can write it, is a question mark: it could not be kept."""
    return text if text.isascii() else text.encode("utf-8", "replace").decode("utf-8")


def _refuse(document: Any, records: str | None, label: str) -> None:
    if document is None:
        raise UserError(
            "no line of the file is a JSON object", label, 'write one object per line: {"job_id": "J1", ...}'
        )
    places = ", ".join(f'"{place}"' for place in find_records(document))
    where = f"at '{records}'" if records else "at its top"
    remedy = f"say records in the mapping; lists of objects are at {places}" if places else "export it again"
    raise UserError(f"the JSON document holds no list of objects {where}", label, remedy)


def find_records(document: Any, place: str = "", depth: int = 0) -> list[str]:
    """Paths of the lists of objects within a document, as ``records`` of a mapping names them."""
    if isinstance(document, list):
        document = next((item for item in document if isinstance(item, dict)), None)
    if not isinstance(document, dict) or depth > 4:
        return []
    found = []
    for key, value in document.items():
        inner = f"{place}.{key}" if place else str(key)
        if isinstance(value, list) and any(isinstance(item, dict) for item in value):
            found.append(inner)
        found += find_records(value, inner, depth + 1) if isinstance(value, dict | list) else []
    return found
