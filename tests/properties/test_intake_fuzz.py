"""Any mapping, settings and file bytes: typed with no row lost, or refused by name; never an unforeseen fault.

LOOPWEAR_FUZZ_MINUTES=10 looks on for ten minutes; the default is a few seconds of the same.
"""

from __future__ import annotations

import datetime as dt
import io
import json
import os
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import duckdb
import pytest
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st

from pipelines.intake.mapping import Mapping
from pipelines.intake.mapping_file import parse_mapping_text
from pipelines.intake.raw import ensure_raw_tables
from pipelines.intake.reading import read_files, type_rows
from pipelines.intake.share import TableShare
from pipelines.intake.sorting import set_known_apart
from pipelines.intake.sources import find_sources
from pipelines.intake.text import DoubtfulFileError
from shared import units
from shared.errors import UserError
from shared.settings import Settings
from shared.store import Workspace, open_warehouse, roll_back
from tests.cases.small_utility import TABLES

MINUTES = float(os.environ.get("LOOPWEAR_FUZZ_MINUTES", "0"))
HOSTILE = (
    "'; drop table raw.jobs; --",
    "' || (select 1) || '",
    '"',
    "'",
    "",
    " ",
    "\x00",
    "\n",
    "\r\n",
    "{}",
    "%s",
    "\\",
    "$1",
    "😀",
    "\u202e",
    "é",
    "=1+1",
    "a" * 300,
    "-1",
    "1e400",
    "nan",
    "2018-02-30",
    "c1",
    "t_job_id",
    "job_id",
)
TEXTS = st.sampled_from(HOSTILE) | st.text(max_size=8)
HEADERS = st.sampled_from([*TABLES["jobs"][0], *TABLES["sections"][0]]) | TEXTS
FORMATS = (
    st.sampled_from(
        [
            "%Y-%m-%d %H:%M",
            "%d/%m/%Y",
            "%m/%d/%Y %I:%M %p",
            "%Q",
            "%",
            "%%",
            "%z",
            "%Z",
            "%f",
            "%n",
            "%-d",
            "%j",
            "%G-%V-%u",
            "%s",
            "iso",
            "excel_serial",
            "epoch_s",
            "epoch_ms",
        ]
    )
    | TEXTS
)
ZONES = TEXTS | st.sampled_from(
    ["America/Chicago", "UTC", "Factory", "posixrules", "EST5EDT", "Etc/GMT+12", "localtime", "utc", "America"]
)
ANY_VALUE = st.recursive(
    TEXTS | st.integers() | st.floats(allow_nan=False) | st.booleans(),
    lambda inner: st.lists(inner, max_size=2) | st.dictionaries(HEADERS, inner, max_size=2),
    max_leaves=4,
)

CODES = st.sampled_from(["closed", "cancelled", "cable", "XLPE", "true"]) | TEXTS
FILTER = st.fixed_dictionaries(
    {"column": HEADERS, "values": st.lists(TEXTS, max_size=3)}, optional={"keep": st.booleans()}
)
COLUMN_OPTIONS = {
    "with": TEXTS,
    "unit": st.sampled_from([*units.METRES, *units.VELOCITY_PCT]),
    "formats": st.lists(FORMATS, min_size=1, max_size=2),
    "codes": st.dictionaries(TEXTS, CODES, max_size=2),
    "default": CODES,
}
OPTIONS = {
    "files": st.sampled_from(["some*", "[", "x", "*"]) | TEXTS,
    "sheet": TEXTS,
    "delimiter": st.sampled_from([",", ";", "\t", '"', "\n", "é", "\x00"]) | TEXTS,
    "encoding": st.sampled_from(["utf-8", "utf-16", "cp1252", "cp437", "utf-7", "hex", "rot13", "idna", "zlib", "no"]),
    "skip_rows": st.integers(-1, 3) | st.integers(),
    "skip_after_header": st.integers(-1, 3) | st.integers(),
    "decimal": st.sampled_from([".", ",", "·"]),
    "timezone": ZONES,
    "formats": st.lists(FORMATS, min_size=1, max_size=2),
    "filters": st.lists(FILTER, max_size=2),
}
OWN_HEADERS = st.sampled_from(["job_id", "loop_id", "section_id", "reported_at", "length_m", "notes"]) | HEADERS
EXPRESSIONS = st.recursive(
    OWN_HEADERS.map(lambda h: f"[{h}]") | TEXTS.map(lambda t: repr(t)) | st.integers(-99, 99).map(str),
    lambda inner: (
        st.builds("({} {} {})".format, inner, st.sampled_from("+-*/"), inner)
        | st.builds(
            "{}({}, {})".format, st.sampled_from(["join", "coalesce", "plus_minutes", "minutes_between"]), inner, inner
        )
        | st.builds("split({}, {!r}, {})".format, inner, TEXTS, st.integers(-3, 3))
        | st.builds("lookup({}, {{{!r}: {!r}}})".format, inner, TEXTS, TEXTS)
        | st.builds("{}({})".format, st.sampled_from(["upper", "lower", "trim", "exec"]), inner)
    ),
    max_leaves=4,
)
DERIVED = st.dictionaries(OWN_HEADERS, EXPRESSIONS, min_size=1, max_size=2)
TURNED = st.fixed_dictionaries(
    {"key": st.lists(OWN_HEADERS, min_size=1, max_size=2), "name": OWN_HEADERS, "value": OWN_HEADERS},
    optional={"names": st.lists(TEXTS, max_size=2)},
)
JOIN = st.fixed_dictionaries(
    {"files": st.sampled_from(["some*", "*"]), "on": st.dictionaries(OWN_HEADERS, OWN_HEADERS, min_size=1, max_size=2)},
    optional={
        "prefix": TEXTS,
        "rows": st.sampled_from(["one", "many"]),
        "derived": DERIVED,
        "filters": st.lists(FILTER, max_size=1),
        "columns_from_rows": TURNED,
    },
)
SHAPES = {
    "derived": DERIVED,
    "columns_from_rows": TURNED,
    "rows_from_columns": st.fixed_dictionaries(
        {"pattern": st.sampled_from(["(.)(.*)", "(.*)_(id|at|m)", "(x*)(.*)", "(a|(b))", "("]), "number": OWN_HEADERS}
    ),
    "join": st.lists(JOIN, min_size=1, max_size=2),
}
MAPPED = ("jobs", "sections", "restoration_steps", "known_lengths", "districts")


@st.composite
def mappings(draw: st.DrawFn, table: str) -> list[dict[str, Any]]:
    """Blocks of a mapping that take every column from its own header, but for a few slips."""
    made = []
    for _ in range(draw(st.sampled_from([1, 1, 1, 2]))):
        columns: dict[str, Any] = {c: c for c in TABLES[table][0]}
        for name in draw(st.lists(st.sampled_from(list(columns)), max_size=2)):
            columns[name] = draw(columns_from(list(columns)))
        block: dict[str, Any] = {"to": table}
        for key in draw(st.lists(st.sampled_from(list(OPTIONS)), max_size=2, unique=True)):
            block[key] = draw(OPTIONS[key])
        if draw(st.integers(0, 2)) == 0:
            key = draw(st.sampled_from(list(SHAPES)))
            block[key] = draw(SHAPES[key])
        if draw(st.integers(0, 24)) == 0:
            block[draw(st.sampled_from([*block, "columns", "others"]))] = draw(ANY_VALUE)
        if draw(st.integers(0, 24)) == 0:
            columns[draw(HEADERS)] = draw(ANY_VALUE)
        made.append({**block, "columns": columns} if "columns" not in block else block)
    return made


@st.composite
def columns_from(draw: st.DrawFn, headers: list[str]) -> dict[str, Any]:
    header = st.sampled_from(headers)
    way = draw(st.sampled_from(["from", "join", "value"]))
    source: Any = {"from": header, "join": st.lists(header, max_size=3), "value": TEXTS | st.floats() | st.integers()}
    column = {way: draw(source[way])}
    for key in draw(st.lists(st.sampled_from(list(COLUMN_OPTIONS)), max_size=2, unique=True)):
        column[key] = draw(COLUMN_OPTIONS[key])
    return column


def as_toml(value: Any) -> str:
    """A value in TOML's own form: texts escaped as in JSON, tables in one line."""
    if isinstance(value, dict):
        return "{" + ", ".join(f"{as_toml(str(k))} = {as_toml(v)}" for k, v in value.items()) + "}"
    if isinstance(value, list):
        return "[" + ", ".join(as_toml(v) for v in value) + "]"
    if isinstance(value, float):
        return repr(value)
    return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")


def write_mapping(given: list[dict[str, Any]], insulations: dict[str, str]) -> str:
    lines = [f"insulations = {as_toml(insulations)}"] if insulations else []
    for block in given:
        lines += ["[[table]]", *(f"{key} = {as_toml(value)}" for key, value in block.items())]
    return "\n".join(lines)


@st.composite
def files(draw: st.DrawFn, table: str) -> bytes:
    """A delimited text of a table with hostile cells, hurt in places."""
    header = list(TABLES[table][0])
    if draw(st.integers(0, 9)) == 0:
        header[draw(st.integers(0, len(header) - 1))] = draw(HEADERS)
    rows = [list(row.values()) for row in TABLES[table]]
    for _ in range(draw(st.integers(0, 4))):
        row = draw(st.sampled_from(rows))
        row[draw(st.integers(0, len(row) - 1))] = draw(TEXTS)
    delimiter = draw(st.sampled_from(",,,;\t|"))
    end = draw(st.sampled_from(["\n", "\n", "\r\n", "\r"]))
    out = io.StringIO(newline="")
    for row in (header, *rows):
        cells = ['"' + c.replace('"', '""') + '"' if set(c) & set('"\n\r,;\t|') else c for c in row]
        out.write(delimiter.join(cells) + end)
    encoding = draw(st.sampled_from(["utf-8", "utf-8", "utf-8", "utf-8-sig", "utf-16", "utf-16-le", "cp1252"]))
    data = out.getvalue().encode(encoding, "replace")
    for _ in range(draw(st.sampled_from([0, 0, 0, 1, 2]))):
        at = draw(st.integers(0, len(data)))
        data = data[:at] + draw(st.binary(max_size=3)) + data[at + draw(st.integers(0, 3)) :]
    return data


@st.composite
def mapped_files(draw: st.DrawFn) -> tuple[str, bytes]:
    """A mapping's text and a file it is meant for."""
    table = draw(st.sampled_from(MAPPED))
    insulations = draw(st.dictionaries(TEXTS, TEXTS, max_size=1))
    return write_mapping(draw(mappings(table)), insulations), draw(files(table))


@st.composite
def canonical_files(draw: st.DrawFn) -> tuple[str, bytes]:
    """A file's name and what it holds."""
    table = draw(st.sampled_from(MAPPED))
    return table + draw(st.sampled_from([".csv", ".tsv", ".txt"])), draw(files(table))


@pytest.fixture(scope="module")
def con(tmp_path_factory: pytest.TempPathFactory) -> Iterator[duckdb.DuckDBPyConnection]:
    made = open_warehouse(Workspace(tmp_path_factory.mktemp("fuzz")))
    ensure_raw_tables(made)
    yield made
    made.close()


@contextmanager
def taken_back(con: duckdb.DuckDBPyConnection) -> Iterator[None]:
    con.execute("begin transaction")
    try:
        yield
    finally:
        roll_back(con)


def type_all(con: duckdb.DuckDBPyConnection, path: Path, mapped: Mapping, chosen: Settings) -> None:
    """Read and type a file as a load does; every row read is typed, but for those that a filter leaves out."""
    with tempfile.TemporaryDirectory() as unpacked:
        sources = find_sources([path], mapped.tables, Path(unpacked), 10**9)
        for source in sources:
            with taken_back(con):
                careful = frozenset()
                while True:
                    share = TableShare(
                        con, "b1", source.source.table, (source,), chosen, dt.datetime.now(dt.UTC), careful
                    )
                    try:
                        read_files(share)
                        break
                    except DoubtfulFileError as fault:
                        assert fault.path not in careful
                        careful |= {fault.path}
                        roll_back(con)
                        con.execute("begin transaction")
                type_rows(share)
                set_known_apart(share)
                typed = con.execute("select count(*) from typed").fetchone()
                assert typed is not None
                assert typed[0] == share.reads[0].rows or (source.source.filters and typed[0] < share.reads[0].rows)


def tables_of(con: duckdb.DuckDBPyConnection) -> list[tuple[object, ...]]:
    found = "select table_name, estimated_size from duckdb_tables() where not temporary order by 1"
    return con.execute(found).fetchall()


class Count:
    """What a look came to; hypothesis itself does not count."""

    looked = 0
    whole = 0


QUIET = settings(
    max_examples=200 if MINUTES else 60,
    deadline=None,
    suppress_health_check=list(HealthCheck),
    derandomize=not MINUTES,
    database=None,
    phases=(Phase.generate,) if MINUTES else (Phase.generate, Phase.shrink),
)


@QUIET
@given(mapped_files())
def check_mapping_and_file(con: Any, mapped_file: tuple[str, bytes]) -> None:
    text, data = mapped_file
    before = tables_of(con)
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "some.csv"
        path.write_bytes(data)
        try:
            mapped = parse_mapping_text(text, Path("some.toml"))
            type_all(con, path, mapped, Settings().override("intake", insulations=dict(mapped.insulations)))
            Count.whole += 1
        except UserError as refusal:
            assert refusal.where
    Count.looked += 1
    assert tables_of(con) == before


@QUIET
@given(canonical_files())
def check_canonical_file(con: Any, named: tuple[str, bytes]) -> None:
    name, data = named
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / name
        path.write_bytes(data)
        try:
            type_all(con, path, Mapping(), Settings())
            Count.whole += 1
        except UserError as refusal:
            assert name in refusal.where
    Count.looked += 1


@pytest.mark.parametrize("check", [check_mapping_and_file, check_canonical_file])
def test_any_mapping_and_file_are_typed_whole_or_refused_by_name(con: duckdb.DuckDBPyConnection, check: Any) -> None:
    until = time.monotonic() + 60 * MINUTES / 2
    Count.looked = Count.whole = 0
    check(con)
    while time.monotonic() < until:
        check(con)
    print(f"{check.__name__}: {Count.looked} looked at, {Count.whole} of them typed whole")
    assert Count.whole > Count.looked / 20, "too many were refused to say much"
