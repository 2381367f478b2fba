"""Nothing that is unpacked or parsed can grow past a limit: each is refused by name, with what to do."""

from __future__ import annotations

import gzip
import io
import json
import tracemalloc
import zipfile
from pathlib import Path

import duckdb
import pytest
import xlsxwriter

from pipelines.intake import archives, json_records, text
from pipelines.intake.load import load_paths
from pipelines.intake.mapping_file import parse_mapping
from shared.errors import UserError
from shared.settings import Settings
from shared.store import Workspace, open_warehouse
from tests.cases.small_utility import TABLES


@pytest.fixture(scope="module")
def con(tmp_path_factory: pytest.TempPathFactory) -> duckdb.DuckDBPyConnection:
    return open_warehouse(Workspace(tmp_path_factory.mktemp("limits")))


def refusal(con: duckdb.DuckDBPyConnection, *paths: Path) -> str:
    with pytest.raises(UserError) as caught:
        load_paths(con, paths, Settings())
    return str(caught.value)


def far_cells(path: Path, *cells: tuple[int, int]) -> Path:
    with xlsxwriter.Workbook(str(path)) as book:
        sheet = book.add_worksheet("jobs")
        for row, column in cells:
            sheet.write_string(row, column, "job_id")
    return path


def test_a_sheet_with_a_cell_in_its_last_corner_is_refused_before_it_is_read(
    con: duckdb.DuckDBPyConnection, tmp_path: Path
) -> None:
    path = far_cells(tmp_path / "jobs.xlsx", (0, 0), (1_048_575, 16_383))
    tracemalloc.start()
    assert (
        refusal(con, path)
        == """a sheet of the workbook spans 17,179,869,184 cells, more than 30,000,000
  where: jobs.xlsx
  to do: clear the cells far from the table, or save the sheet as CSV"""
    )
    assert tracemalloc.get_traced_memory()[1] < 20e6
    tracemalloc.stop()


@pytest.mark.parametrize(
    "cells, span", [([], 0), ([(0, 0)], 1), ([(4, 2), (9, 3)], 12), ([(0, 25), (0, 26)], 2), ([(2, 701), (2, 702)], 2)]
)
def test_the_span_of_a_sheet_is_that_of_its_cells(tmp_path: Path, cells: list[tuple[int, int]], span: int) -> None:
    with zipfile.ZipFile(far_cells(tmp_path / "jobs.xlsx", *cells)) as parts:
        sheet = parts.read("xl/worksheets/sheet1.xml")
    assert archives._count_span(io.BytesIO(sheet)) == span


def test_the_span_is_the_same_where_a_cell_is_cut_by_a_block(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with zipfile.ZipFile(far_cells(tmp_path / "jobs.xlsx", (0, 0), (99, 701))) as parts:
        sheet = parts.read("xl/worksheets/sheet1.xml")
    for step in range(24, 60):
        monkeypatch.setattr(archives, "STEP_BYTES", step)
        assert archives._count_span(io.BytesIO(sheet)) == 100 * 702


WIDE = [f"c{n}" for n in range(text.MOST_COLUMNS + 1)]
TOO_WIDE = """the file has 2,001 columns, more than 2,000
  where: {name}
  to do: export one row a thing, and only the columns that are needed"""


@pytest.mark.parametrize("name", ["jobs.csv", "jobs.xlsx", "jobs.parquet", "jobs_2.csv"])
def test_a_file_of_too_many_columns_is_refused(con: duckdb.DuckDBPyConnection, tmp_path: Path, name: str) -> None:
    path = tmp_path / name
    if name == "jobs.csv":
        path.write_text(",".join(WIDE) + "\n1\n")
    elif name == "jobs_2.csv":  # read record by record, its header too long for a first look
        path.write_text('"' + '","'.join(f"{c:>90}" for c in WIDE) + '"\r1\r', newline="")
    elif name == "jobs.xlsx":
        with xlsxwriter.Workbook(str(path)) as book:
            book.add_worksheet("jobs").write_row(0, 0, WIDE)
    else:
        listed = ", ".join(f"'x' as {c}" for c in WIDE)
        duckdb.sql(f"copy (select {listed}) to '{path}' (format parquet)")
    shown = "jobs.xlsx, sheet jobs" if name == "jobs.xlsx" else name
    assert refusal(con, path) == TOO_WIDE.format(name=shown)


def test_a_line_that_never_ends_is_refused(
    con: duckdb.DuckDBPyConnection, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(text, "MOST_LINE", 5_000)
    monkeypatch.setattr(json_records, "MOST_LINE", 5_000)
    header = ",".join(TABLES["jobs"][0])
    (tmp_path / "jobs.csv").write_text(header + '\nJ1,"' + "x" * 6_000)
    assert (
        refusal(con, tmp_path / "jobs.csv")
        == """line 2 is longer than 5,000 characters
  where: jobs.csv
  to do: export the table again, one row a line"""
    )
    (tmp_path / "jobs.jsonl").write_text('{"job_id": "J1"}\n{"job_id": "' + "x" * 6_000 + '"}')
    assert (
        refusal(con, tmp_path / "jobs.jsonl")
        == """line 2 is longer than 5,000 characters
  where: jobs.jsonl
  to do: export the table again, one row a line"""
    )


def test_json_nested_without_end_is_a_malformed_row(con: duckdb.DuckDBPyConnection, tmp_path: Path) -> None:
    deep = '{"job_id": ' + "[" * 100_000 + "]" * 100_000 + "}"
    rows = [json.dumps(row) for row in TABLES["loops"]]
    (tmp_path / "loops.jsonl").write_text("\n".join([rows[0], deep, rows[1]]))
    (count,) = load_paths(con, [tmp_path / "loops.jsonl"], Settings()).files
    assert (count.read, count.quarantined) == (3, 3)  # the two others lack their district
    found = con.execute("select row_number, rule, message from raw.findings where rule = 'row_malformed'").fetchall()
    said = "the row cannot be split into columns: the line is no JSON object; correct its delimiters and quotes"
    assert found == [(2, "row_malformed", said)]


def test_an_archive_within_an_archive_is_not_opened(con: duckdb.DuckDBPyConnection, tmp_path: Path) -> None:
    inner = io.BytesIO()
    with zipfile.ZipFile(inner, "w") as parts:
        parts.writestr("jobs.csv", "job_id\nJ1\n")
    with zipfile.ZipFile(tmp_path / "year.zip", "w") as parts:
        parts.writestr("jobs.zip", inner.getvalue())
    assert (
        refusal(con, tmp_path / "year.zip")
        == """an archive within an archive is not opened
  where: year.zip/jobs.zip
  to do: unpack it, and load what it holds"""
    )
    (tmp_path / "jobs.zip.gz").write_bytes(gzip.compress(inner.getvalue()))
    assert refusal(con, tmp_path / "jobs.zip.gz").startswith("an archive within an archive is not opened\n")


def test_a_mapping_too_large_or_too_deep_is_refused(tmp_path: Path) -> None:
    large = tmp_path / "large.toml"
    large.write_text("# " + "x" * 1_000_000)
    with pytest.raises(UserError) as caught:
        parse_mapping(large)
    assert (
        str(caught.value)
        == f"""the mapping file has 1,000,002 bytes, more than 1,000,000
  where: {large}
  to do: give the mapping after --mapping, and the data as PATHS"""
    )
    deep = tmp_path / "deep.toml"
    deep.write_text("table = " + "[" * 20_000 + "]" * 20_000)
    with pytest.raises(UserError) as caught:
        parse_mapping(deep)
    assert (
        str(caught.value)
        == f"""the mapping file nests its values too deep
  where: {deep}
  to do: write it flatter"""
    )
