"""One table in every form a utility may send it: the same rows each time."""

from __future__ import annotations

import datetime as dt
import gzip
import html
import json
import zipfile
from pathlib import Path

import duckdb
import pandas as pd
import pytest

from pipelines.intake.formats import sheet_names, sheet_records
from pipelines.intake.load import load_paths
from pipelines.intake.text_records import find_encoding
from pipelines.validation.quarantine import list_findings
from shared.errors import UserError
from shared.settings import Intake, Settings
from shared.store import Workspace, open_warehouse
from tests.cases.small_utility import TABLES, write_csv

SECTIONS = TABLES["sections"]


@pytest.fixture
def con(tmp_path: Path) -> duckdb.DuckDBPyConnection:
    con = open_warehouse(Workspace(tmp_path / "workspace"))
    load_paths(
        con, [write_csv(tmp_path / f"{t}.csv", TABLES[t]) for t in ("districts", "loops", "terminals")], Settings()
    )
    load_paths(con, [write_csv(tmp_path / "sections.csv", SECTIONS)], Settings())
    return con


def write_xlsx(path: Path) -> Path:
    """A workbook whose numbers are numbers and whose dates are dates; another sheet stands before the table's."""
    frame = pd.DataFrame(SECTIONS)
    for column in ("position", "length_m", "customers"):
        frame[column] = pd.to_numeric(frame[column])
    frame["installed_on"] = pd.to_datetime(frame["installed_on"])
    with pd.ExcelWriter(path, engine="xlsxwriter") as book:
        pd.DataFrame({"read me": ["nothing"]}).to_excel(book, sheet_name="Cover", index=False)
        frame.to_excel(book, sheet_name="Sections", index=False)
    return path


def write_parquet(path: Path) -> Path:
    with duckdb.connect() as con:
        con.register("frame", pd.DataFrame(SECTIONS))
        con.execute(
            "copy (select * replace (length_m::double as length_m, position::integer as position, "
            f"installed_on::date as installed_on) from frame) to '{path}' (format parquet)"
        )
    return path


def write_json_lines(path: Path) -> Path:
    rows = [{k: (float(v) if k == "length_m" else v or None) for k, v in row.items()} for row in SECTIONS]
    path.write_text("".join(json.dumps(row) + "\n" for row in rows))
    return path


def write_zip(path: Path) -> Path:
    plain = write_csv(path.parent / "inner.csv", SECTIONS)
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.write(plain, "../../escape/sections_2019.csv")
        archive.writestr("read me.txt", "nothing")
    return path


def write_gz(path: Path) -> Path:
    path.write_bytes(gzip.compress(write_csv(path.parent / "inner.csv", SECTIONS).read_bytes()))
    return path


def write_text(path: Path, text: str) -> Path:
    path.write_text(text, encoding="utf-8")
    return path


def html_of(rows: list[dict[str, str]]) -> str:
    lines = [list(rows[0]), *(list(row.values()) for row in rows)]
    cells = ["".join(f"<td>{html.escape(cell)}</td>" for cell in line) for line in lines]
    return "<html><head><meta charset='utf-8'></head><table>" + "".join(f"<tr>{c}</tr>" for c in cells) + "</table>"


@pytest.mark.parametrize(
    "name, write",
    [
        ("export.xlsx", write_xlsx),
        ("sections.parquet", write_parquet),
        ("sections.jsonl", write_json_lines),
        ("export.zip", write_zip),
        ("sections.csv.gz", write_gz),
        ("sections-semicolons.csv", lambda p: write_csv(p, SECTIONS, ";")),
        ("sections-tabs.tsv", lambda p: write_csv(p, SECTIONS, "\t")),
        ("sections-bars.txt", lambda p: write_csv(p, SECTIONS, "|")),
        ("sections-bom.csv", lambda p: write_csv(p, SECTIONS, encoding="utf-8-sig")),
        ("sections-utf16.csv", lambda p: write_csv(p, SECTIONS, encoding="utf-16")),
        ("sections-utf16-unmarked.csv", lambda p: write_csv(p, SECTIONS, encoding="utf-16-le")),
        ("sections-latin1.csv", lambda p: write_csv(p, SECTIONS, encoding="latin-1")),
        ("sections-array.json", lambda p: write_text(p, json.dumps(SECTIONS, indent=1))),
        ("sections-lines.json", lambda p: write_text(p, "\n".join(map(json.dumps, SECTIONS)))),
        ("sections-html.xls", lambda p: write_text(p, html_of(SECTIONS))),
    ],
)
def test_every_form_brings_the_same_rows(con: duckdb.DuckDBPyConnection, tmp_path: Path, name: str, write) -> None:
    (tmp_path / "other").mkdir()
    report = load_paths(con, [write(tmp_path / "other" / name)], Settings())
    count = report.files[0]
    assert (count.table, count.read, count.unchanged) == ("sections", 5, 5)


NESTED = {
    "export": {"made": "2018-04-01"},
    "incidents": [
        {"id": "J1", "loop": {"id": "L1"}, "shots": [{"no": 1, "ends": {"from": "T1", "to": "T2"}, "m": 1e1}]},
        {"id": "J2", "loop": {"id": "L2"}, "shots": [{"no": 1, "ends": {"from": "T2", "to": "T3"}, "m": None}, 7]},
        {"id": "J3", "loop": {"id": "L2"}},
    ],
}
NESTED_MAPPING = """
[[table]]
to = "test_shots"
files = "*.json*"
records = "incidents.shots"
[table.columns]
job_id = "incidents.id"
shot_no = "no"
terminal_id = "ends.from"
toward_terminal_id = "ends.to"
fault_distance_m = "m"
"""


@pytest.mark.parametrize("ending", ["json", "jsonl"])
def test_records_lie_at_any_depth_with_what_stands_around_them(
    con: duckdb.DuckDBPyConnection, tmp_path: Path, ending: str
) -> None:
    path = write_text(tmp_path / f"nested.{ending}", json.dumps(NESTED))
    mapping = write_text(tmp_path / "some.toml", NESTED_MAPPING)
    (count,) = load_paths(con, [path], Settings(), mapping).files
    assert (count.read, count.new, count.quarantined) == (3, 2, 1)
    rows = con.execute(
        "select job_id, shot_no, terminal_id, fault_distance_m, row_number from raw.test_shots order by 1"
    ).fetchall()
    assert [row[:4] for row in rows] == [("J1", 1, "T1", 10.0), ("J2", 1, "T2", None)]
    assert [row[4] for row in rows] == ([1, 2] if ending == "json" else [1, 1])
    if ending == "json":
        write_text(mapping, NESTED_MAPPING.replace('records = "incidents.shots"\n', ""))
        with pytest.raises(UserError) as caught:
            load_paths(con, [path], Settings(), mapping)
        assert str(caught.value) == (
            "the JSON document holds no list of objects at its top\n  where: nested.json\n"
            '  to do: say records in the mapping; lists of objects are at "incidents", "incidents.shots"'
        )


def test_half_a_letter_and_a_zero_byte_in_json_do_no_harm(con: duckdb.DuckDBPyConnection, tmp_path: Path) -> None:
    rows = [dict(SECTIONS[0], conductor="1/0 \ud83d"), dict(SECTIONS[1], section_id="S\x002")]
    (count,) = load_paths(con, [write_text(tmp_path / "sections.json", json.dumps(rows))], Settings()).files
    assert (count.read, count.revised, count.quarantined) == (2, 1, 1)
    found = con.execute("select conductor from raw.sections where section_id = 'S1' order by load_sequence").fetchall()
    assert found[-1] == ("1/0 ?",)


def test_a_table_of_a_page_is_named_by_its_caption_and_spanning_cells_keep_their_columns(tmp_path: Path) -> None:
    page = (
        "<table><tr><td><table><tr><td>Title</td></tr></table></td></tr></table>"
        "<table><caption>Fleet <b>2018</b></caption><tr><th colspan=2>Sections</th><th>m</th></tr>"
        "<tr><th>section_id<th>conductor<th>length_m</tr><tr><td>S1<td>1/0&nbsp;Müller<td>007</tr></table>"
    )
    path = tmp_path / "book.xls"
    path.write_bytes(page.encode("cp1252"))
    assert sheet_names(path, "book.xls") == ["table 1", "Fleet 2018"]
    rows = [cells for _, cells, _ in sheet_records(path, "book.xls", "Fleet 2018")]
    assert rows == [["Sections", "", "m"], ["section_id", "conductor", "length_m"], ["S1", "1/0 Müller", "007"]]


def test_parts_of_one_table_in_an_archive_are_loaded_through_one_block(
    con: duckdb.DuckDBPyConnection, tmp_path: Path
) -> None:
    jobs = TABLES["jobs"]
    with zipfile.ZipFile(tmp_path / "jobs.zip", "w") as archive:
        for part, rows in enumerate((jobs[:2], jobs[2:]), start=1):
            archive.write(write_csv(tmp_path / f"part-{part}.csv", rows), f"year/part-{part}.csv")
    columns = "".join(f'{c} = "{c}"\n' for c in jobs[0])
    mapping = write_text(
        tmp_path / "some.toml", f'[[table]]\nto = "jobs"\nfiles = "part-*"\n[table.columns]\n{columns}'
    )
    counts = load_paths(con, [tmp_path / "jobs.zip"], Settings(), mapping).files
    assert [(c.file, c.read, c.new) for c in counts] == [
        ("jobs.zip/year/part-1.csv", 2, 2),
        ("jobs.zip/year/part-2.csv", 1, 1),
    ]


def test_parquet_keeps_instants_whatever_zone_each_part_was_written_in(
    con: duckdb.DuckDBPyConnection, tmp_path: Path
) -> None:
    texts = {
        "jobs_texts": "select 'J1' as job_id, '2018-01-10T10:00:00-06:00' as told union all select 'J2', "
        "'2018-01-10T16:00:00+00:00'",
        "jobs_zoned": "select 'J3' as job_id, timestamptz '2018-01-10 17:00:00+01:00' as told",
        "jobs_local": "select 'J4' as job_id, timestamp '2018-01-10 10:00:00' as told",
        "jobs_ns": "select 'J5' as job_id, timestamp_ns '2018-01-10 10:00:00' as told",
    }
    with duckdb.connect() as other:
        other.execute("set timezone = 'Asia/Tokyo'")
        for name, query in texts.items():
            listed = "job_id, 'closed' as status, 'L1' as loop_id, told as reported_at, told as restored_at"
            other.execute(f"copy (select {listed} from ({query})) to '{tmp_path / name}.parquet'")
    load_paths(con, sorted(tmp_path.glob("*.parquet")), Settings())
    found = con.execute("select job_id, reported_at::varchar from raw.jobs order by 1").fetchall()
    assert found == [(f"J{n}", "2018-01-10 16:00:00+00") for n in range(1, 6)]


@pytest.mark.parametrize("encoding", ["utf-8", "cp1252", "utf-16"])
def test_letters_beyond_ascii_arrive_whole(con: duckdb.DuckDBPyConnection, tmp_path: Path, encoding: str) -> None:
    rows = [dict(SECTIONS[0], conductor="Nº 1/0 “AL” – Müller")]
    load_paths(con, [write_csv(tmp_path / "sections.csv", rows, encoding=encoding)], Settings())
    assert con.execute("select conductor from raw.sections order by load_sequence desc limit 1").fetchone() == (
        "Nº 1/0 “AL” – Müller",
    )


def test_a_workbook_keeps_times_and_leading_zeros(con: duckdb.DuckDBPyConnection, tmp_path: Path) -> None:
    job = dict(TABLES["jobs"][0], job_id="007", crew_id="0042")
    frame = pd.DataFrame([job])
    frame["reported_at"] = dt.datetime(2018, 1, 10, 10, 0)
    frame.to_excel(tmp_path / "jobs.xlsx", index=False, engine="xlsxwriter")
    load_paths(con, [tmp_path / "jobs.xlsx"], Settings())
    assert con.execute("select job_id, crew_id, reported_at::varchar from raw.jobs").fetchall() == [
        ("007", "0042", "2018-01-10 16:00:00+00")  # 10:00 in Chicago in January is six hours behind
    ]


def test_lines_that_are_no_json_are_set_aside(con: duckdb.DuckDBPyConnection, tmp_path: Path) -> None:
    path = tmp_path / "sections.jsonl"
    path.write_text(json.dumps(SECTIONS[0]) + "\n{broken\n[1, 2]\n")
    count = load_paths(con, [path], Settings()).files[0]
    assert (count.read, count.unchanged, count.quarantined) == (3, 1, 2)


def test_a_folder_with_a_mix_is_loaded_in_the_order_of_its_tables(tmp_path: Path) -> None:
    folder = tmp_path / "mix"
    write_csv(folder / "b" / "districts.csv", TABLES["districts"])
    write_csv(folder / "loops.tsv", TABLES["loops"], "\t")
    write_xlsx(folder / "a.xlsx")
    (folder / "notes.md").write_text("not ours")
    con = open_warehouse(Workspace(tmp_path / "mixed"))
    report = load_paths(con, [folder], Settings())
    assert [(f.table, f.file, f.new) for f in report.files] == [
        ("districts", "b/districts.csv", 1),
        ("loops", "loops.tsv", 2),
        ("sections", "a.xlsx, sheet Sections", 5),
    ]


@pytest.mark.parametrize(
    "name, content, message",
    [
        ("jobs.xlsx", b"not a workbook", "the workbook cannot be opened: "),
        ("jobs.parquet", b"PAR1 not parquet", "the Parquet file cannot be read: "),
        ("jobs.zip", b"PK\x03\x04 broken", "the archive cannot be unpacked: "),
        ("jobs.csv.gz", b"\x1f\x8b broken", "the archive cannot be unpacked: "),
        ("jobs.jsonl", b"no json at all", "no line of the file is a JSON object"),
        ("jobs.json", b'{"job_id": ', "the file is no JSON: "),
        ("jobs.json", b"[" * 100_000, "the JSON document is nested too deep"),
        ("jobs.json", b"null", "the JSON document holds no list of objects at its top"),
        ("jobs.json", b"[1, 2]", "the JSON document holds no list of objects at its top"),
        ("jobs.xls", b"<html><body>none</body></html>", "the page of HTML holds no table"),
        ("jobs.xls", b'<?xml version="1.0"?><w xmlns="urn:x:office:spreadsheet"/>', "the workbook is XML of 2003"),
    ],
)
def test_a_file_that_is_not_what_its_ending_says_is_refused(
    con: duckdb.DuckDBPyConnection, tmp_path: Path, name: str, content: bytes, message: str
) -> None:
    (tmp_path / name).write_bytes(content)
    with pytest.raises(UserError) as caught:
        load_paths(con, [tmp_path / name], Settings())
    assert caught.value.what.startswith(message)
    assert con.execute("select count(*) from raw.loads").fetchone() == (2,)


def test_an_archive_that_unpacks_too_far_is_refused(con: duckdb.DuckDBPyConnection, tmp_path: Path) -> None:
    bomb = tmp_path / "jobs.zip"
    with zipfile.ZipFile(bomb, "w", zipfile.ZIP_DEFLATED) as archive, archive.open("jobs.csv", "w") as member:
        for _ in range(60):
            member.write(b"0" * (1 << 20))
    with pytest.raises(UserError, match=r"the archive unpacks to more than 5\d MB"):
        load_paths(con, [bomb], Settings())
    with pytest.raises(UserError, match="the archive unpacks to more than"):
        load_paths(con, [write_gz(tmp_path / "sections.csv.gz")], Settings(intake=Intake(unpacked_limit_gb=1e-7)))


def test_a_gz_file_or_a_workbook_that_unpacks_too_far_is_refused(
    con: duckdb.DuckDBPyConnection, tmp_path: Path
) -> None:
    zeros = bytes(1 << 20)
    with gzip.open(tmp_path / "jobs.csv.gz", "wb") as packed:
        for _ in range(60):
            packed.write(zeros)
    with pytest.raises(UserError, match=r"the archive unpacks to more than 5\d MB"):
        load_paths(con, [tmp_path / "jobs.csv.gz"], Settings())
    book = zipfile.ZipFile(tmp_path / "jobs.xlsx", "w", zipfile.ZIP_DEFLATED)
    with book, book.open("xl/worksheets/sheet1.xml", "w") as sheet:
        for _ in range(60):
            sheet.write(zeros)
    with pytest.raises(UserError, match="the workbook unpacks to 60 MB, from"):
        load_paths(con, [tmp_path / "jobs.xlsx"], Settings())


def test_an_archive_of_too_many_files_is_refused(con: duckdb.DuckDBPyConnection, tmp_path: Path) -> None:
    with zipfile.ZipFile(tmp_path / "export.zip", "w") as archive:
        for number in range(10_001):
            archive.writestr(f"jobs_{number}.csv", "")
    with pytest.raises(UserError, match="the archive holds 10,001 files, more than 10,000"):
        load_paths(con, [tmp_path / "export.zip"], Settings())


def test_nothing_is_written_outside_the_folder_for_unpacking(con: duckdb.DuckDBPyConnection, tmp_path: Path) -> None:
    (tmp_path / "a" / "b").mkdir(parents=True)
    before = sorted(tmp_path.rglob("*escape*"))
    load_paths(con, [write_zip(tmp_path / "a" / "b" / "export.zip")], Settings())
    assert sorted(tmp_path.rglob("*escape*")) == before == []


def test_files_of_a_folder_of_which_nothing_is_loaded_are_named(tmp_path: Path) -> None:
    folder = tmp_path / "export"
    write_csv(folder / "districts.csv", TABLES["districts"])
    write_csv(folder / "old" / "tickets 2009.csv", TABLES["jobs"])
    for name in ("readme.pdf", ".hidden"):
        (folder / name).write_text("x")
    with zipfile.ZipFile(folder / "more.zip", "w") as archive:
        archive.writestr("loops.csv", "loop_id,district_id\nL1,D1\n")
    con = open_warehouse(Workspace(tmp_path / "workspace"))
    report = load_paths(con, [folder], Settings())
    assert {f.file for f in report.files} == {"districts.csv", "more.zip/loops.csv"}
    assert report.passed_over == ("old/tickets 2009.csv", "readme.pdf")


def test_files_of_one_name_are_told_apart_by_their_folders(con: duckdb.DuckDBPyConnection, tmp_path: Path) -> None:
    """In what is said of them, and in quarantine; a file whose name no other has keeps its own."""
    bad = [{**row, "loop_id": "L9"} for row in TABLES["jobs"]]
    paths = [
        write_csv(tmp_path / f"{at}/2019/jobs.csv", [row]) for at, row in zip(("north", "south"), bad, strict=False)
    ]
    write_csv(tmp_path / "south" / "2019" / "sections.csv", TABLES["sections"])
    (tmp_path / "south" / "2019" / "readme.pdf").write_text("x")
    report = load_paths(con, [paths[0], paths[1].parent], Settings())
    assert {f.file for f in report.files} == {"north/2019/jobs.csv", "south/2019/jobs.csv", "sections.csv"}
    assert report.passed_over == ("readme.pdf",)
    assert set(list_findings(con, severity="reject")["file"]) == {"north/2019/jobs.csv", "south/2019/jobs.csv"}


@pytest.mark.parametrize("encoding", ["cp1252", "latin-1", "utf-8", "utf-8-sig", "utf-16", "utf-16-le", "utf-16-be"])
@pytest.mark.parametrize("word", ["Señal 4", "über der Straße", "défaut près du poteau", "½ span at 12 °C"])
def test_one_word_beyond_ascii_among_many_rows_tells_the_encoding(encoding: str, word: str) -> None:
    text = "job_id,notes\n" + "".join(f"J{n},cable replaced\n" for n in range(300)) + f"J300,{word}\n"
    found, is_assumed = find_encoding(text.encode(encoding))
    assert text.encode(encoding).decode(found) == text
    assert is_assumed == (encoding in ("cp1252", "latin-1", "utf-16-le", "utf-16-be"))
