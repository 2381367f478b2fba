"""DuckDB's reading and Python's reading of one text never disagree, and no row is ever lost."""

from __future__ import annotations

import csv
import io
import os
import tempfile
from pathlib import Path

import duckdb
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from pipelines.intake.formats import read_file
from pipelines.intake.mapping import ColumnSource, TableSource
from pipelines.intake.mapping_file import parse_mapping_text
from pipelines.intake.text_records import read_records
from shared.errors import UserError

SOURCE = TableSource("jobs", {"job_id": ColumnSource(("a",)), "notes": ColumnSource(("b",))})
CON = duckdb.connect()
CELL = st.text(st.characters(codec="utf-8", exclude_characters="\x00\r\ufeff", exclude_categories=("Cs",)), max_size=6)
AWKWARD = st.sampled_from(['"', '""', "a,b", "line\nbreak", "'", ";", " x ", "=1+1", "مرحبا\u200f", "😀", "--", ""])
EXAMPLES = 3000 if os.environ.get("LOOPWEAR_FULL") == "1" else 40
SLOW = settings(max_examples=EXAMPLES, deadline=None, suppress_health_check=list(HealthCheck))


def read(text: str, careful: bool) -> list[tuple[object, ...]] | None:
    """Rows as read, or None where the file is refused."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "jobs.csv"
        path.write_bytes(text.encode())
        try:
            found = read_file(CON, "read_0", path, "jobs.csv", SOURCE, careful=careful)
        except UserError:
            return None
        rows = CON.execute("select row_number, fault is null, c1, c2 from read_0 order by 1").fetchall()
        assert len(rows) == found.rows
        return rows


@SLOW
@given(st.lists(st.tuples(CELL | AWKWARD, CELL | AWKWARD), max_size=6))
def test_well_written_rows_come_back_as_they_were(rows: list[tuple[str, str]]) -> None:
    out = io.StringIO()
    csv.writer(out, lineterminator="\n", quoting=csv.QUOTE_ALL).writerows([("a", "b"), *rows])
    expected = [(a or None, b or None) for a, b in rows]
    for careful in (False, True):
        found = read(out.getvalue(), careful)
        assert found is not None
        assert [row[2:] for row in found] == expected
        assert all(row[1] for row in found)


@SLOW
@given(st.lists(st.lists(CELL | AWKWARD, min_size=1, max_size=4), max_size=6))
def test_both_ways_agree_on_any_text_and_lose_no_line(rows: list[list[str]]) -> None:
    text = "a,b\n" + "\n".join(",".join(row) for row in rows)
    quick, careful = read(text, False), read(text, True)
    assert quick == careful
    if careful is not None and '"' not in text:
        assert len(careful) == sum(1 for line in text.split("\n")[1:] if line)


@SLOW
@given(st.text(st.characters(codec="utf-8", exclude_characters="\x00"), max_size=200), st.sampled_from(",;\t|"))
def test_every_line_of_a_record_is_taken_once(text: str, delimiter: str) -> None:
    numbers = [number for number, _, _ in read_records(io.StringIO(text, newline=""), delimiter)]
    assert numbers == sorted(set(numbers))


@SLOW
@given(st.binary(max_size=300), st.sampled_from(["jobs.csv", "jobs.xlsx", "jobs.jsonl", "jobs.parquet"]))
def test_any_bytes_are_read_or_refused_by_name(data: bytes, name: str) -> None:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / name
        path.write_bytes(data)
        try:
            read_file(CON, "read_0", path, name, SOURCE)
        except UserError as refusal:
            assert name in refusal.where


@SLOW
@given(
    st.text(max_size=120)
    | st.sampled_from(
        [
            '[[table]]\nto = "jobs"\n[table.columns]\njob_id = {}',
            "table = 3",
            "[[table]]\nto = 5",
            "[table]\nto='jobs'",
            '[[table]]\nto="jobs"\nfilters=[1]',
            '[[table]]\nto="jobs"\n[table.columns]\nnotes={join=[1]}',
            "insulations = 1",
        ]
    )
)
def test_any_mapping_is_taken_or_refused_by_name(text: str) -> None:
    try:
        parse_mapping_text(text, Path("some.toml"))
    except UserError as refusal:
        assert refusal.where.startswith("some.toml")
