"""The page of everything a mapping can say: every key of the parser is on it, used in an example that loads."""

from __future__ import annotations

import csv
import io
import re
import sqlite3
import tomllib
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest
import xlsxwriter

from pipelines.intake import expressions, mapping_file, mapping_shapes
from pipelines.intake.load import load_paths
from pipelines.intake.mapping import NAMED_FORMATS
from shared import units
from shared.settings import Settings
from shared.store import Workspace, open_warehouse
from tests.cases.small_utility import TABLES, write_csv

PAGE = (Path(__file__).resolve().parents[2] / "shared/dictionary/MAPPING.md").read_text(encoding="utf-8")
SECTIONS = {part.partition("\n")[0]: part for part in PAGE.split("\n## ")[1:]}
EXAMPLES = {title: re.findall(r"```(\w+) ?(.*)\n((?:.*\n)*?)```", part) for title, part in SECTIONS.items()}
EXAMPLES = {title: blocks for title, blocks in EXAMPLES.items() if blocks}
KEYS: dict[str, dict[str, Any]] = {
    "At the top": {"table": list, "insulations": dict},
    "In `[[table]]`": mapping_file.TABLE_KEYS,
    "In `[[table.join]]`": {k: v for k, v in mapping_file.JOIN_KEYS.items() if k not in mapping_file.READING_KEYS},
    "In `rows_from_columns`": mapping_shapes.ROWS_FROM_COLUMNS_KEYS,
    "In `columns_from_rows`": mapping_shapes.COLUMNS_FROM_ROWS_KEYS,
    "In a column": mapping_file.COLUMN_KEYS,
    "In a filter": mapping_file.FILTER_KEYS,
}


def rows_of_table(text: str, begin: str) -> set[str]:
    """The first cells of the table that follows a line."""
    after = text[text.index(begin) :]
    table = re.search(r"(?:^\|.*\n)+", after, re.MULTILINE)
    assert table
    return set(re.findall(r"^\| `([^`]+)`", table[0], re.MULTILINE))


@pytest.mark.parametrize("level", KEYS)
def test_the_keys_of_the_parser_are_listed_and_the_reverse(level: str) -> None:
    assert rows_of_table(SECTIONS["Keys"], level) == set(KEYS[level])


def test_the_functions_units_and_forms_are_listed_and_the_reverse() -> None:
    assert rows_of_table(SECTIONS["Derived headers"], "| function |") == set(expressions.FUNCTIONS)
    assert set(re.findall(r"`(\w+)`", SECTIONS["Units"])) == {*units.METRES, *units.VELOCITY_PCT}
    assert set(re.findall(r"`(\w+)`", SECTIONS["Forms of stamps"])) == set(NAMED_FORMATS)


def keys_used(block: Any, level: str) -> Iterator[tuple[str, str]]:
    """The keys of a mapping, each with the level it stands at."""
    inner = {
        "table": "In `[[table]]`",
        "join": "In `[[table.join]]`",
        "rows_from_columns": "In `rows_from_columns`",
        "columns_from_rows": "In `columns_from_rows`",
        "filters": "In a filter",
    }
    for key, value in block.items():
        yield level, key
        if key == "columns":
            for column in (c for c in value.values() if isinstance(c, dict)):
                yield from keys_used(column, "In a column")
        elif key in inner and level != "In a column":
            for one in value if isinstance(value, list) else [value]:
                yield from keys_used(one, inner[key])


def test_every_key_and_function_is_used_in_an_example() -> None:
    given = [tomllib.loads(body) for blocks in EXAMPLES.values() for kind, _, body in blocks if kind == "toml"]
    used = {pair for one in given for pair in keys_used(one, "At the top")}
    assert {(level, key) for level, keys in KEYS.items() for key in keys} - used == set()
    derived = [text for one in given for block in one["table"] for text in block.get("derived", {}).values()]
    called = {name for text in derived for name in re.findall(r"(\w+)\(", text)}
    assert called == set(expressions.FUNCTIONS)


def write_block(folder: Path, kind: str, name: str, body: str) -> None:
    """Write the file that a block shows: the CSV as it is, or as a sheet or as a table of a database."""
    file, _, inner = name.partition(", ")
    if kind != "csv" or not inner:
        (folder / file).write_text(body, encoding="utf-8")
        return
    header, *rows = csv.reader(io.StringIO(body))
    if inner.startswith("sheet "):
        with xlsxwriter.Workbook(folder / file) as book:
            sheet = book.add_worksheet(inner.removeprefix("sheet "))
            for number, cells in enumerate([header, *rows]):
                sheet.write_row(number, 0, cells)
        return
    table = inner.removeprefix("table ")
    with closing(sqlite3.connect(folder / file)) as con, con:
        con.execute(f"create table {table} ({', '.join(header)})")
        con.executemany(f"insert into {table} values ({', '.join('?' * len(header))})", rows)


@pytest.mark.parametrize("title", EXAMPLES)
def test_an_example_loads_and_gives_the_rows_shown(title: str, tmp_path: Path) -> None:
    export, shown = tmp_path / "export", []
    export.mkdir()
    for kind, name, body in EXAMPLES[title]:
        if kind == "rows":
            shown.append((name, [[c.strip() for c in line.split("|")] for line in body.splitlines()]))
        elif kind == "toml":
            with (export / "ours.toml").open("a", encoding="utf-8") as mapping:
                mapping.write(body + "\n")
        else:
            write_block(export, kind, name, body)
    with open_warehouse(Workspace(tmp_path / "workspace")) as con:
        load_paths(
            con, [write_csv(tmp_path / f"{t}.csv", TABLES[t]) for t in ("districts", "loops", "terminals")], Settings()
        )
        files = [p for p in sorted(export.iterdir()) if p.suffix not in (".toml", ".db")]
        load_paths(con, files, Settings(), export / "ours.toml")
        assert shown
        for table, (columns, *rows) in shown:
            listed = ", ".join(f"coalesce({c}::varchar, '')" for c in columns)
            found = con.execute(f"select {listed} from raw.{table} order by all").fetchall()
            assert [list(row) for row in found] == rows
