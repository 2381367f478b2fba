"""The round trip of quarantine: exported as received, mended, loaded, gone."""

from __future__ import annotations

import csv
from pathlib import Path

import duckdb
import pytest

from pipelines import warehouse
from pipelines.intake.load import load_paths
from pipelines.validation.quarantine import export_rows, file_names, list_findings
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
    assert [{k: v for k, v in row.items() if k != "quarantine_id"} for row in rows] == [
        dict(TABLES["jobs"][0], reported_at=" soon ", notes=FORMULA),
        dict(TABLES["jobs"][1], job_id=""),
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
    assert str(caught.value).startswith("the rows in quarantine are of 2 forms (jobs, loops)\n")
    for _ in range(2):  # into a folder not there yet, and into the same again
        assert export_rows(con, tmp_path / "out" / "deep") == 4
    text = (tmp_path / "out" / "deep" / "jobs.csv").read_bytes().decode()
    assert "\r" not in text and text.startswith(f"{header},quarantine_id\n")
    with (tmp_path / "out" / "deep" / "jobs.csv").open(newline="", encoding="utf-8") as handle:
        rows = list(csv.reader(handle))
    assert {len(row) for row in rows} == {len(TABLES["jobs"][0]) + 1}
    assert rows[-1][:4] == ["J9", "1", "closed", ""] and len(rows[-1][-1]) > 8
    assert len((tmp_path / "out" / "deep" / "loops.csv").read_text().splitlines()) == 2


def test_an_export_that_cannot_be_written_says_so(con: duckdb.DuckDBPyConnection, tmp_path: Path) -> None:
    (tmp_path / "taken").write_text("")
    with pytest.raises(UserError, match="the file cannot be written"):
        export_rows(con, tmp_path / "taken" / "jobs.csv")
    with duckdb.connect() as empty:
        assert export_rows(empty, tmp_path / "none.csv") == 0
    assert not (tmp_path / "none.csv").exists()
