"""The round trip of quarantine: exported as received with its reasons, mended, loaded under any name, gone."""

from __future__ import annotations

import csv
import json
import re
import zipfile
from pathlib import Path

import duckdb
import pytest
import xlsxwriter
from python_calamine import CalamineWorkbook

from pipelines import warehouse
from pipelines.intake.load import load_paths
from pipelines.intake.quarantined import export_rows, file_names
from pipelines.validation.quarantine import list_findings
from shared.errors import UserError
from shared.settings import Settings
from shared.store import Workspace, open_warehouse
from tests.cases.small_utility import TABLES, with_changes, write_csv

FORMULA = '=HYPERLINK("http://example.invalid","look")'


@pytest.fixture
def con(tmp_path: Path) -> duckdb.DuckDBPyConnection:
    con = open_warehouse(Workspace(tmp_path / "workspace"))
    paths = [write_csv(tmp_path / f"{t}.csv", TABLES[t]) for t in ("districts", "loops", "sections")]
    jobs = with_changes("jobs", {"reported_at": " soon ", "notes": FORMULA}, {"job_id": ""})
    load_paths(con, [*paths, write_csv(tmp_path / "jobs.csv", jobs)], Settings())
    return con


def test_findings_are_listed_with_file_and_row(con: duckdb.DuckDBPyConnection) -> None:
    found = list_findings(con)[["file", "row_number", "rule", "severity", "column", "value"]]
    assert [tuple(row) for row in found.itertuples(index=False)] == [
        ("jobs.csv", 2, "required_unreadable", "reject", "reported_at", "soon"),
        ("jobs.csv", 3, "required_missing", "reject", "job_id", None),
    ] or found["value"].isna().tolist() == [False, True]


def test_rows_are_exported_as_they_came_and_leave_quarantine_once_mended(
    con: duckdb.DuckDBPyConnection, tmp_path: Path
) -> None:
    out = tmp_path / "mend" / "jobs.csv"
    assert export_rows(con, out) == 2
    with out.open(newline="", encoding="utf-8") as handle:
        rows = list(csv.DictReader(handle))
    assert [{k: v for k, v in row.items() if not k.startswith("quarantine_")} for row in rows] == [
        dict(TABLES["jobs"][0], reported_at=" soon ", notes=FORMULA),
        dict(TABLES["jobs"][1], job_id=""),
    ]
    assert [(row["quarantine_table"], row["quarantine_reasons"]) for row in rows] == [
        (
            "jobs",
            "reported_at = 'soon' is not a time such as 2019-04-30 14:05; correct it, or state its form in the mapping",
        ),
        ("jobs", "job_id is required and is empty; fill it in"),
    ]
    rows[0]["reported_at"] = "2018-01-10 10:00"
    rows[1]["job_id"] = "J-found"
    report = load_paths(con, [write_csv(out, rows)], Settings())
    assert (report.files[0].new, report.files[0].quarantined) == (2, 0)
    assert list_findings(con).empty
    warehouse.build_order(("marts",))
    assert con.execute("select count(*) from raw.quarantined_rows where released_by is null").fetchone() == (0,)


def test_the_same_bad_file_again_adds_nothing_to_quarantine(con: duckdb.DuckDBPyConnection, tmp_path: Path) -> None:
    before = list_findings(con)
    report = load_paths(con, [tmp_path / "jobs.csv"], Settings())
    assert report.files[0].quarantined == 2
    assert list_findings(con).equals(before)


def test_a_row_kept_out_for_its_loop_comes_in_once_the_loop_is_known(tmp_path: Path) -> None:
    con = open_warehouse(Workspace(tmp_path / "other"))
    paths = {t: write_csv(tmp_path / f"{t}.csv", TABLES[t]) for t in ("districts", "loops", "sections", "jobs")}
    load_paths(con, [paths["districts"], paths["jobs"]], Settings())
    assert con.execute("select count(*) from raw.jobs").fetchone() == (0,)
    load_paths(con, list(paths.values()), Settings())
    assert con.execute("select count(*) from raw.jobs").fetchone() == (3,)
    assert list_findings(con).empty


def test_each_form_is_named_after_the_file_it_came_in_and_none_is_written_over() -> None:
    files = ["tickets.csv", "yard.zip/tickets.csv", "tickets_2.xlsx", "old\\jobs.csv"]
    assert file_names(files) == ["tickets.csv", "tickets_2.csv", "tickets_2_2.csv", "jobs.csv"]


def test_rows_of_several_forms_need_a_folder(con: duckdb.DuckDBPyConnection, tmp_path: Path) -> None:
    bad = [dict(TABLES["loops"][0], loop_id="")]
    narrow = tmp_path / "narrow" / "jobs.csv"
    narrow.parent.mkdir()
    header, row = ",".join(TABLES["jobs"][0]), "J9,1,closed"
    narrow.write_text(f"{header}\n{row}\n")
    load_paths(con, [write_csv(tmp_path / "more" / "loops.csv", bad), narrow], Settings())
    with pytest.raises(UserError) as caught:
        export_rows(con, tmp_path / "all.csv")
    assert (
        str(caught.value)
        == f"""the rows in quarantine are of 2 forms (jobs, loops)
  where: {tmp_path / "all.csv"}
  to do: give a workbook (.xlsx) or a folder instead: each form gets a sheet, or a file, of its own"""
    )
    for _ in range(2):  # into a folder not there yet, and into the same again
        assert export_rows(con, tmp_path / "out" / "deep") == 4
    text = (tmp_path / "out" / "deep" / "jobs.csv").read_bytes().decode()
    assert "\r" not in text
    assert text.startswith(f"{header},quarantine_reasons,quarantine_table,quarantine_id\n")
    with (tmp_path / "out" / "deep" / "jobs.csv").open(newline="", encoding="utf-8") as handle:
        rows = list(csv.reader(handle))
    assert {len(row) for row in rows} == {len(TABLES["jobs"][0]) + 3}
    assert rows[-1][:4] == ["J9", "1", "closed", ""] and len(rows[-1][-1]) > 8
    assert len((tmp_path / "out" / "deep" / "loops.csv").read_text().splitlines()) == 2


def test_an_export_that_cannot_be_written_says_so(con: duckdb.DuckDBPyConnection, tmp_path: Path) -> None:
    (tmp_path / "taken").write_text("")
    with pytest.raises(UserError, match="the file cannot be written"):
        export_rows(con, tmp_path / "taken" / "jobs.csv")
    with duckdb.connect() as empty:
        assert export_rows(empty, tmp_path / "none.csv") == 0
    assert not (tmp_path / "none.csv").exists()


BOOK_MAPPING = """
insulations = { TAPE = "taped" }
[[table]]
to = "jobs"
files = "outages*.csv"
skip_rows = 2
decimal = ","
[table.columns]
job_id = "No"
loop_id = "Loop"
reported_at = { join = ["Day", "Hour"], formats = ["%d.%m.%Y %H:%M"] }
velocity_setting_pct = { from = "Speed", unit = "fraction" }
cause = { from = "Why", codes = { "cut by others" = "dig_in" } }
[[table]]
to = "sections"
files = "cable.csv"
[table.columns]
section_id = "Piece"
loop_id = "Loop"
position = "Place"
length_m = "Metres"
insulation = "Kind"
"""
OUTAGES = [
    ["Outages of 2018", "", "", "", "", ""],
    ["", "", "", "", "", ""],
    ["No", "Loop", "Day", "Hour", "Speed", "Why"],
    ["A1", "L1", "10.01.2018", "10:00", "0,53", "cut by others"],
    ["A2", "L9", "31.02.2018", "10:00", "0,52", "cut by others"],
    ["A3", "L9", "12.03.2018", "9:30", "0,51", "\x1b[31mcut by others"],
]
CABLE = [["Piece", "Loop", "Place", "Metres", "Kind"], ["P1", "L1", "1", "120", "tape"], ["P2", "", "2", "80", "TAPE"]]


@pytest.fixture
def mapped(tmp_path: Path) -> duckdb.DuckDBPyConnection:
    """A workspace with rows in quarantine that came through a mapping: two jobs and a section."""
    con = open_warehouse(Workspace(tmp_path / "mapped"))
    register = [write_csv(tmp_path / f"{t}.csv", TABLES[t]) for t in ("districts", "loops")]
    load_paths(con, register, Settings())
    mapping = tmp_path / "book.toml"
    mapping.write_text(BOOK_MAPPING)
    for name, rows in (("outages 2018.csv", OUTAGES), ("cable.csv", CABLE)):
        with (tmp_path / name).open("w", newline="", encoding="utf-8") as handle:
            csv.writer(handle).writerows(rows)
    load_paths(con, [tmp_path / "outages 2018.csv", tmp_path / "cable.csv"], Settings(), mapping)
    return con


def read_book(path: Path) -> dict[str, list[list[str]]]:
    book = CalamineWorkbook.from_path(str(path))
    return {name: book.get_sheet_by_name(name).to_python() for name in book.sheet_names}


def save_book(path: Path, sheets: dict[str, list[list[str]]]) -> Path:
    """A workbook as a program for sheets saves it once somebody has typed into it."""
    with xlsxwriter.Workbook(str(path), {"strings_to_formulas": False}) as book:
        for name, rows in sheets.items():
            sheet = book.add_worksheet(name)
            for number, row in enumerate(rows):
                sheet.write_row(number, 0, row)
    return path


def test_a_workbook_has_a_sheet_a_form_and_the_reason_beside_each_cell(
    mapped: duckdb.DuckDBPyConnection, tmp_path: Path
) -> None:
    assert export_rows(mapped, tmp_path / "to mend.xlsx") == 3
    sheets = read_book(tmp_path / "to mend.xlsx")
    assert list(sheets) == ["outages 2018", "cable"]
    no_loop = "loop_id = 'L9' is not in any loops file; load the loop first, or correct the id"
    no_day = (
        "reported_at = '31.02.2018 10:00' is not a time such as 2019-04-30 14:05; correct it, or state its form in "
        "the mapping"
    )
    unknown = "cause = '\x1b[31mcut by others' is not one of insulation_breakdown"
    headings, first, second = sheets["outages 2018"]
    assert headings == ["quarantine_reasons", *OUTAGES[2], "quarantine_table", "quarantine_id"]
    assert first[:-1] == [f"{no_loop}\n{no_day}", *OUTAGES[4], "jobs"]
    assert second[1:-1] == [*OUTAGES[5], "jobs"]
    assert second[0].startswith(f"{no_loop}\n{unknown}")
    no_date = "installed_on is empty; the section's age is not known"
    told = f"loop_id is required and is empty; fill it in\n{no_date}"
    assert sheets["cable"][1][:-1] == [told, *CABLE[2], "sections"]
    with zipfile.ZipFile(tmp_path / "to mend.xlsx") as parts:
        comments = parts.read("xl/comments1.xml").decode()
        placed = dict(re.findall(r'<comment ref="([A-Z]+[0-9]+)".*?<t(?: [^>]*)?>(.*?)</t>', comments, re.DOTALL))
    assert {cell: text.replace("&apos;", "'") for cell, text in placed.items() if cell != "G3"} == {
        "C2": no_loop, "D2": no_day, "E2": no_day, "C3": no_loop,
    }  # fmt: skip
    assert "insulation_breakdown" in placed["G3"]


def test_a_mended_workbook_is_loaded_under_any_name_and_each_sheet_finds_its_table_and_mapping(
    mapped: duckdb.DuckDBPyConnection, tmp_path: Path
) -> None:
    export_rows(mapped, tmp_path / "to mend.xlsx")
    sheets = read_book(tmp_path / "to mend.xlsx")
    first, second = sheets["outages 2018"][1:]
    first[2:4] = ["L2", "28.02.2018"]
    second[2], second[6] = "L8", "cut by others"  # still no loop of ours
    sheets["cable"][1][2] = "L2"
    (tmp_path / "yard").mkdir()
    report = load_paths(mapped, [save_book(tmp_path / "yard" / "done by Tuesday.xlsx", sheets)], Settings())
    assert [(f.table, f.file, f.new, f.quarantined) for f in report.files] == [
        ("sections", "done by Tuesday.xlsx, sheet cable", 1, 0),
        ("jobs", "done by Tuesday.xlsx, sheet outages 2018", 1, 1),
    ]
    kept = mapped.execute(
        "select job_id, loop_id, reported_at::varchar, velocity_setting_pct, cause from raw.jobs"
    ).fetchall()
    assert ("A2", "L2", "2018-02-28 16:00:00+00", 52.0, "dig_in") in kept
    assert mapped.execute("select insulation from raw.sections where section_id = 'P2'").fetchone() == ("TAPE",)
    # the row kept out again took the place of the former, in the same form, and can be mended once more
    waiting = mapped.execute("select headers, cells from raw.quarantined_rows where released_by is null").fetchall()
    assert [(json.loads(h), json.loads(c)) for h, c in waiting] == [
        (OUTAGES[2], ["A3", "L8", "12.03.2018", "9:30", "0,51", "cut by others"])
    ]
    assert export_rows(mapped, tmp_path / "once more.csv") == 1
    with (tmp_path / "once more.csv").open(newline="", encoding="utf-8") as handle:
        (row,) = csv.DictReader(handle)
    again = write_csv(tmp_path / "x.csv", [row | {"Loop": "L1"}], delimiter=";", encoding="utf-16")
    assert load_paths(mapped, [again], Settings()).files[0].new == 1
    assert list_findings(mapped, severity="reject").empty
    assert mapped.execute("select velocity_setting_pct, cause from raw.jobs where job_id = 'A3'").fetchall() == [
        (51.0, "dig_in")
    ]


def test_a_mapping_given_with_a_mended_file_is_taken_since_it_may_be_what_was_corrected(
    mapped: duckdb.DuckDBPyConnection, tmp_path: Path
) -> None:
    export_rows(mapped, tmp_path / "to mend.xlsx", table="jobs")
    sheets = read_book(tmp_path / "to mend.xlsx")
    for row in sheets["outages 2018"][1:]:
        row[2:4] = ["L2", "28.02.2018"]
    better = tmp_path / "better.toml"
    better.write_text(BOOK_MAPPING.replace('"cut by others" = "dig_in"', '"\\u001b[31mcut by others" = "vehicle"'))
    load_paths(mapped, [save_book(tmp_path / "done.xlsx", sheets)], Settings(), better)
    assert mapped.execute("select cause from raw.jobs where job_id = 'A3'").fetchone() == ("vehicle",)


def test_a_mended_row_keeps_what_its_mapping_said_of_a_changed_cable(
    con: duckdb.DuckDBPyConnection, tmp_path: Path
) -> None:
    row = dict(TABLES["sections"][0], installed_on="2010-05-01", length_m="long")
    columns = "\n".join(f'{c} = "{c}"' for c in row)
    mapping = tmp_path / "register.toml"
    mapping.write_text(
        f'[[table]]\nto = "sections"\nfiles = "register*"\nchanged_cable = "new"\n[table.columns]\n{columns}\n'
    )
    load_paths(con, [write_csv(tmp_path / "register.csv", [row])], Settings(), mapping)
    out = tmp_path / "out.csv"
    assert export_rows(con, out, table="sections") == 1
    out.write_text(out.read_text(encoding="utf-8").replace("long", "120"), encoding="utf-8")
    (count,) = load_paths(con, [out], Settings()).files
    assert (count.revised, count.quarantined) == (1, 0)
    assert con.execute("select max(cable_no) from raw.sections where section_id = 'S1'").fetchone() == (2,)


def test_only_rows_of_a_rule_a_table_or_a_load_are_listed_and_exported(
    mapped: duckdb.DuckDBPyConnection, tmp_path: Path
) -> None:
    assert export_rows(mapped, tmp_path / "a.xlsx", rule="required_unreadable") == 1
    assert export_rows(mapped, tmp_path / "b.csv", table="sections") == 1
    assert export_rows(mapped, tmp_path / "c.csv", batch="b0001") == 0
    listed = list_findings(mapped)
    assert [(s, r) for s, r in zip(listed["severity"], listed["rule"], strict=True)] == [
        ("reject", "loop_unknown"), ("reject", "required_unreadable"), ("reject", "loop_unknown"),
        ("reject", "required_missing"), ("empty", "code_unknown"), *[("warn", "install_date_missing")] * 2,
    ]  # fmt: skip
    assert list_findings(mapped, severity="empty", table="jobs", batch="b0002")["rule"].tolist() == ["code_unknown"]
    assert list_findings(mapped, rule="required_missing")["column"].tolist() == ["loop_id"]
    for wrong, said in (
        ({"table": "jbos"}, "there is no table 'jbos'\n  where: --table\n  to do: did you mean 'jobs'?"),
        ({"severity": "bad"}, "there is no severity 'bad'\n  where: --severity\n  to do: known: empty, reject, warn"),
        ({"batch": "b7"}, "there is no batch 'b7'\n  where: --batch\n  to do: known: b0001, b0002"),
    ):  # fmt: skip
        with pytest.raises(UserError) as caught:
            list_findings(mapped, **wrong)
        assert str(caught.value) == said


def test_rows_of_two_forms_in_one_sheet_are_refused(mapped: duckdb.DuckDBPyConnection, tmp_path: Path) -> None:
    export_rows(mapped, tmp_path / "to mend.xlsx")
    sheets = read_book(tmp_path / "to mend.xlsx")
    ids = [[rows[1][-2], rows[1][-1]] for rows in sheets.values()]
    mixed = save_book(tmp_path / "mixed.xlsx", {"all": [["quarantine_table", "quarantine_id"], *ids]})
    with pytest.raises(UserError) as caught:
        load_paths(mapped, [mixed], Settings())
    assert (
        str(caught.value)
        == """rows of 2 forms from quarantine (jobs, sections) are in one table
  where: mixed.xlsx
  to do: keep each form in the file or sheet it was exported to"""
    )


def test_what_a_workbook_cannot_hold_is_refused(
    con: duckdb.DuckDBPyConnection, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    long = with_changes("jobs", {"loop_id": "L9", "notes": "x" * 32_768})
    load_paths(con, [write_csv(tmp_path / "jobs.csv", long)], Settings())
    with pytest.raises(UserError) as caught:
        export_rows(con, tmp_path / "long.xlsx")
    assert (
        str(caught.value)
        == f"""a cell of 32,768 characters does not fit into a workbook
  where: {tmp_path / "long.xlsx"}
  to do: give a folder: each form is written to a CSV file of its own"""
    )
    monkeypatch.setattr("pipelines.intake.quarantined.MOST_SHEET_ROWS", 2)
    with pytest.raises(UserError) as caught:
        export_rows(con, tmp_path / "many.xlsx")
    assert (
        str(caught.value)
        == f"""3 rows of table jobs are too many for a sheet
  where: {tmp_path / "many.xlsx"}
  to do: give a folder: each form is written to a CSV file of its own"""
    )
