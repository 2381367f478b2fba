"""Files that cannot be loaded: each is refused by name, with what to do, and nothing of the load is kept."""

from __future__ import annotations

import shutil
from pathlib import Path

import duckdb
import pytest

from pipelines.intake.load import load_paths
from shared.errors import UserError
from shared.settings import Settings
from shared.store import Workspace, open_warehouse
from tests.cases.small_utility import TABLES, with_changes, write_csv, write_utility

CASES = Path(__file__).parents[1] / "cases" / "intake"


@pytest.fixture
def con(tmp_path: Path) -> duckdb.DuckDBPyConnection:
    return open_warehouse(Workspace(tmp_path / "workspace"))


@pytest.fixture
def message_of(con: duckdb.DuckDBPyConnection, tmp_path: Path, monkeypatch):
    """The whole message with which a load is refused; a sound file loaded with it is not kept either."""
    monkeypatch.chdir(tmp_path)

    def load(*names: str) -> str:
        sound = write_csv(Path("districts.csv"), TABLES["districts"])
        for name in names:
            if (CASES / name).exists():
                shutil.copy(CASES / name, name)
        with pytest.raises(UserError) as caught:
            load_paths(con, [sound, *(Path(n) for n in names)], Settings())
        assert con.execute("select count(*) from information_schema.tables where table_schema = 'raw'").fetchone() == (
            0,
        )
        return str(caught.value)

    return load


@pytest.mark.parametrize(
    "name, message",
    [
        (
            "absent.csv",
            """there is no such file or folder
  where: absent.csv
  to do: check the path; quote it if it holds spaces""",
        ),
        (
            "empty.csv",
            """the file's name says no table: known: corrections, customers_by_year, decisions, districts, \
instruments, \
job_clusters, jobs, known_lengths, loops, restoration_steps, section_pieces, section_successors, \
sections, terminals, test_shots
  where: empty.csv
  to do: name it after its table, or write a mapping: loopwear draft-mapping empty.csv""",
        ),
        (
            "loops_without_district.csv",
            """the required column 'district_id' of table loops is missing
  where: loops_without_district.csv
  to do: add it, or give a --mapping that says which column it is; known: feeder_id, loop_id""",
        ),
        (
            "jobs_misspelt_column.csv",
            """the required column 'reported_at' of table jobs is missing
  where: jobs_misspelt_column.csv
  to do: add it, or give a --mapping that says which column it is; did you mean 'reportd_at' or 'restored_at'?""",
        ),
        (
            "jobs_is_a_pdf.csv",
            """this is not a text file but a PDF
  where: jobs_is_a_pdf.csv
  to do: export the table as CSV and load that""",
        ),
        (
            "jobs_binary.csv",
            """this is not a text file: it holds many zero bytes
  where: jobs_binary.csv
  to do: export the table as CSV and load that""",
        ),
        (
            "jobs_without_header.csv",
            """the file has no header row
  where: jobs_without_header.csv
  to do: export the table again; the first row must hold the column names""",
        ),
    ],
)
def test_a_file_that_cannot_be_loaded_is_refused_whole(message_of, name: str, message: str) -> None:
    assert message_of(name) == message


def test_an_empty_file_is_refused(message_of) -> None:
    Path("jobs.csv").touch()
    assert (
        message_of("jobs.csv")
        == """the file is empty
  where: jobs.csv
  to do: export the table again; the first row must hold the column names"""
    )


def test_a_folder_with_nothing_for_a_table_is_refused(message_of) -> None:
    Path("papers").mkdir()
    Path("papers/notes.txt").write_text("hello")
    assert (
        message_of("papers")
        == """the folder holds no file that is meant for a table
  where: papers
  to do: name the files after their tables (districts, customers_by_year, loops, terminals, section_successors, \
sections, section_pieces, instruments, jobs, test_shots, restoration_steps, known_lengths, \
decisions, job_clusters, corrections), or give a --mapping"""
    )


def test_rows_that_cannot_be_taken_apart_are_set_aside_one_by_one(
    con: duckdb.DuckDBPyConnection, tmp_path: Path
) -> None:
    shutil.copy(CASES / "sections_broken_rows.csv", tmp_path / "sections.csv")
    paths = [write_csv(tmp_path / f"{t}.csv", TABLES[t]) for t in ("districts", "loops")]
    report = load_paths(con, [*paths, tmp_path / "sections.csv"], Settings())
    count = report.files[-1]
    assert (count.read, count.new, count.quarantined) == (7, 4, 3)
    assert con.execute("select section_id, conductor, row_number from raw.sections order by 1").fetchall() == [
        ("S1", "1/0, AL", 2),
        ("S5", "two\nlines", 6),
        ("S6", None, 7),
        ("S7", "ok", 9),
    ]
    said = con.execute("select row_number, message from raw.findings where rule = 'row_malformed'").fetchall()
    form = "the row cannot be split into columns: {}; correct its delimiters and quotes"
    assert sorted(said) == [
        (3, form.format("the row has 4 cells, the header 6")),
        (4, form.format("the row has 8 cells, the header 6")),
        (5, form.format("a quote is opened and not closed on this line")),
    ]
    cells = con.execute("select cells from raw.quarantined_rows order by row_number").fetchall()
    assert cells[0] == ('["S2", "L1", "2", "88"]',)
    assert cells[2] == ('["S4,L1,4,\\"77,XLPE,never closed"]',)


def test_a_zero_byte_makes_its_cell_unreadable_and_nothing_else(con: duckdb.DuckDBPyConnection, tmp_path: Path) -> None:
    changed = {"notes": "tree\x00root"}, {"dug_distance_m": "4\x000"}, {"job_id": "J\x003"}
    folder = write_utility(tmp_path / "export", jobs=with_changes("jobs", *changed))
    counts = {c.table: c for c in load_paths(con, [folder], Settings()).files}
    assert (counts["jobs"].read, counts["jobs"].new, counts["jobs"].quarantined) == (3, 2, 1)
    kept = con.execute("select job_id, notes, dug_distance_m, estimated_distance_m from raw.jobs order by 1").fetchall()
    assert kept == [("J1", None, 40.0, 41.5), ("J2", None, None, 42.5)]
    said = con.execute(
        'select row_number, rule, "column", "value" from raw.findings where "table" = \'jobs\' order by 1'
    ).fetchall()
    assert said == [
        (2, "value_unreadable", "notes", None),  # a free text is not told, it may be long
        (3, "value_unreadable", "dug_distance_m", "4\x000"),
        (4, "required_unreadable", "job_id", "J\x003"),
    ]
    assert '"J\\u00003"' in con.execute("select cells from raw.quarantined_rows").fetchone()[0]
    assert all(c.quarantined == 0 for t, c in counts.items() if t != "jobs")
