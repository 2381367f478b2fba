"""The workbooks: read back with another library, they hold the marts, inert, with every column explained."""

from __future__ import annotations

import datetime as dt
import multiprocessing
import re
import subprocess
import sys
import zipfile
from pathlib import Path
from xml.etree import ElementTree

import duckdb
import pandas as pd
import pytest

from reports import workbooks
from shared import dictionary
from shared.dictionary import lineage
from shared.errors import UserError
from shared.settings import Settings
from shared.store import Workspace, open_warehouse, read_model, write_table
from tests.report_marts import publish_small, write_small_marts

SETTINGS = Settings().override("general", as_of=dt.date(2025, 12, 31))


@pytest.fixture(scope="module")
def written(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, dict[str, pd.DataFrame]]:
    space = Workspace(tmp_path_factory.mktemp("books"))
    con = open_warehouse(space)
    write_small_marts(con)
    ranking = read_model(con, "marts.loop_ranking")
    ranking.loc[0, "reasons"] = '=HYPERLINK("http://example.invalid","x")'
    write_table(con, "marts.loop_ranking", ranking)
    books = write_books(space.folder, con)
    marts = {name: read_model(con, f"marts.{name}") for name in ("loop_ranking", "instrument_bias")}
    con.close()
    return books, marts


def write_books(folder: Path, con: duckdb.DuckDBPyConnection) -> Path:
    """The workbooks of what a warehouse holds; returns their folder."""
    results, books = publish_small(folder, SETTINGS, con), folder / "books"
    books.mkdir(exist_ok=True)
    with workbooks.writing_workbooks(results, SETTINGS, books):
        pass
    return books


def sheet(folder: Path, person: str, name: str) -> pd.DataFrame:
    return pd.read_excel(folder / f"{person}.xlsx", sheet_name=name, engine="calamine")


def test_each_person_has_a_workbook(written: tuple[Path, dict[str, pd.DataFrame]]) -> None:
    assert sorted(p.name for p in written[0].glob("*")) == ["locating.xlsx", "replacement.xlsx", "restoration.xlsx"]


def test_the_ranking_is_there_in_its_order(written: tuple[Path, dict[str, pd.DataFrame]]) -> None:
    wanted = written[1]["loop_ranking"].sort_values("rank")
    made = sheet(written[0], "replacement", "loop_ranking")
    assert made["Loop"].tolist() == wanted["loop_id"].tolist()
    assert made["Expected failures"].tolist() == pytest.approx(wanted["expected_failures"].tolist())
    assert made["Length [km]"].tolist() == pytest.approx(wanted["length_km"].tolist())
    assert pd.to_datetime(made["Oldest installed"]).dt.date.unique().tolist() == [dt.date(1975, 7, 1)]


def test_a_moment_is_a_moment_in_utc(written: tuple[Path, dict[str, pd.DataFrame]]) -> None:
    made = sheet(written[0], "locating", "instrument_bias")
    wanted = written[1]["instrument_bias"]["last_reading_at"].dt.tz_convert("UTC").dt.tz_localize(None)
    assert pd.to_datetime(made["Last reading [UTC]"]).tolist() == wanted.tolist()


def test_a_text_that_looks_like_a_formula_stays_a_text(written: tuple[Path, dict[str, pd.DataFrame]]) -> None:
    made = sheet(written[0], "replacement", "loop_ranking")
    assert '=HYPERLINK("http://example.invalid","x")' in made["Reasons"].tolist()
    for path in written[0].glob("*.xlsx"):
        with zipfile.ZipFile(path) as parts:
            assert not [n for n in parts.namelist() if "vba" in n.lower() or "externalLink" in n]
            sheets = [n for n in parts.namelist() if n.startswith("xl/worksheets/sheet")]
            assert not [n for n in sheets if b"<f>" in parts.read(n) or b"hyperlink" in parts.read(n)]


def test_the_notes_explain_every_column_and_print_the_cautions(written: tuple[Path, dict[str, pd.DataFrame]]) -> None:
    for person in workbooks.SHEETS:
        notes = pd.read_excel(written[0] / f"{person}.xlsx", sheet_name="notes", header=None, engine="calamine")
        explained, meanings = set(notes[1].dropna()), set(notes[3].dropna())
        for table in workbooks.sheet_tables(person):
            assert set(table.columns) <= explained
            assert {dictionary.caveats()[key] for key in table.caveats} <= meanings


def test_every_export_table_but_those_of_intake_and_of_single_loops_is_in_one_workbook() -> None:
    placed = [table.stem for person in workbooks.SHEETS for table in workbooks.sheet_tables(person)]
    of_intake = ("intake", "validation", "pipelines")
    wanted = {s for s, table in dictionary.export_tables().items() if lineage.topic_of(table) not in of_intake}
    wanted -= set(workbooks.NO_SHEET)
    assert sorted(placed) == sorted(wanted)


def test_the_headings_stay_in_view(written: tuple[Path, dict[str, pd.DataFrame]]) -> None:
    with zipfile.ZipFile(written[0] / "replacement.xlsx") as parts:
        ranking = parts.read("xl/worksheets/sheet2.xml").decode()
    assert 'state="frozen"' in ranking
    assert "<autoFilter" in ranking


DRAWN = "{http://schemas.openxmlformats.org/drawingml/2006/chart}"


def charts_of(book: Path) -> dict[str, list[dict[str, object]]]:
    """Series of each sheet's chart: its kind, its name, and what stands in the cells it names, heading first."""
    sheets = pd.read_excel(book, sheet_name=None, header=None, engine="calamine")
    found: dict[str, list[dict[str, object]]] = {}
    with zipfile.ZipFile(book) as parts:
        for name in sorted(n for n in parts.namelist() if n.startswith("xl/charts/chart")):
            for plot in ElementTree.fromstring(parts.read(name)).find(f".//{DRAWN}plotArea"):
                for series in plot.findall(f"{DRAWN}ser"):
                    cells = {}
                    for what, tags in (("names", ("cat", "xVal")), ("values", ("val", "yVal"))):
                        drawn = next(part for tag in tags for part in series.findall(f"{DRAWN}{tag}"))
                        ranges = re.findall(
                            r"'(\w+)'!\$([A-Z]+)\$(\d+)(?::\$[A-Z]+\$(\d+))?", drawn.find(f".//{DRAWN}f").text
                        )
                        assert len({(sheet, column) for sheet, column, *_ in ranges}) == 1
                        sheet, letters = ranges[0][:2]
                        place = sum((ord(c) - 64) * 26**n for n, c in enumerate(reversed(letters))) - 1
                        rows = [r for *_, first, last in ranges for r in range(int(first) - 1, int(last or first))]
                        cells[what] = [sheets[sheet].iloc[0, place], *sheets[sheet].iloc[rows, place]]
                    of_series = {
                        "kind": plot.tag.removeprefix(DRAWN),
                        "name": series.findtext(f".//{DRAWN}tx/{DRAWN}v"),
                    }
                    found.setdefault(sheet, []).append(of_series | cells)
    return found


def test_charts_stand_on_the_cells_they_name(written: tuple[Path, dict[str, pd.DataFrame]]) -> None:
    first = written[1]["loop_ranking"].sort_values("rank").head(25)
    expected, low, high = charts_of(written[0] / "replacement.xlsx")["loop_ranking"]
    for series, column, heading in (
        (expected, "expected_failures", "Expected failures"),
        (low, "expected_failures_lo", "Expected failures, low"),
        (high, "expected_failures_hi", "Expected failures, high"),
    ):
        assert (series["kind"], series["name"]) == ("lineChart", heading)
        assert series["names"] == ["Loop", *first["loop_id"]]
        assert series["values"] == [heading, *(pytest.approx(value) for value in first[column])]


def test_stages_are_drawn_by_year_in_the_order_of_a_job(tmp_path: Path) -> None:
    con = open_warehouse(Workspace(tmp_path))
    write_small_marts(con)
    names = ["report_to_dispatch", "dispatch_to_arrive", "arrive_to_locate", "locate_to_restore"]
    stages = read_model(con, "marts.restoration_stages").query("grouped_by == 'all'")
    years = [
        stages.assign(grouped_by="year", group_name=f"{year}", mean_min=stages["mean_min"] + year)
        for year in (2024, 2025)
    ]
    months = [stages.assign(grouped_by="month", group_name=f"2000-{n:04d}") for n in range(workbooks.ROWS_AT_MOST // 9)]
    write_table(con, "marts.restoration_stages", pd.concat([stages, *months, *years]))
    drawn = charts_of(write_books(tmp_path, con) / "restoration.xlsx")["restoration_stages"]
    means = stages.set_index("stage")["mean_min"]
    assert [series["name"] for series in drawn] == [name.replace("_", " ") for name in names]
    for series, name in zip(drawn, names, strict=True):
        assert series["kind"] == "barChart"
        assert [str(value) for value in series["names"][1:]] == ["2024", "2025"]
        assert series["values"][1:] == pytest.approx([means[name] + 2024, means[name] + 2025])


def test_the_notes_say_where_each_chart_is(written: tuple[Path, dict[str, pd.DataFrame]]) -> None:
    for person in workbooks.SHEETS:
        book = written[0] / f"{person}.xlsx"
        notes = pd.read_excel(book, sheet_name="notes", header=None, engine="calamine")
        said = notes.loc[notes[2] == "Chart", 3].str.extract(r"^(.+): beside the table, at ([A-Z]+)2$")
        wanted = [workbooks.CHARTS[stem].title for stem in charts_of(book)]
        assert sorted(said[0]) == sorted(wanted) and wanted


def test_a_chart_whose_rows_may_be_cut_off_is_left_out() -> None:
    table = dictionary.export_tables()["restoration_summary"]
    shown = pd.DataFrame({"grouped_by": ["all", "year", "year"]})
    assert len(workbooks.Sheet(table, shown, 3).drawn) == 2
    assert workbooks.Sheet(table, shown, 4).drawn.empty
    assert len(workbooks.Sheet(table, pd.concat([shown, shown[:1]]), 5).drawn) == 2


def test_the_same_warehouse_gives_the_same_bytes(tmp_path: Path) -> None:
    con = open_warehouse(Workspace(tmp_path))
    write_small_marts(con)
    made = [p.read_bytes() for p in sorted(write_books(tmp_path, con).iterdir())]
    assert made == [p.read_bytes() for p in sorted(write_books(tmp_path, con).iterdir())]


def test_a_workbook_that_cannot_be_written_is_named(tmp_path: Path) -> None:
    con = open_warehouse(Workspace(tmp_path))
    write_small_marts(con)
    (tmp_path / "books" / "locating.xlsx").mkdir(parents=True)
    with pytest.raises(UserError) as fault:
        write_books(tmp_path, con)
    assert str(fault.value) == (
        "the workbook cannot be written: Is a directory\n"
        f"  where: {tmp_path}/books/locating.xlsx\n"
        "  to do: close the spreadsheet that holds it, then: loopwear refresh"
    )


def test_a_fault_of_the_pages_ends_the_writer_of_workbooks(tmp_path: Path) -> None:
    con = open_warehouse(Workspace(tmp_path))
    write_small_marts(con)
    results = publish_small(tmp_path, SETTINGS, con)
    with pytest.raises(ZeroDivisionError), workbooks.writing_workbooks(results, SETTINGS, tmp_path):
        raise ZeroDivisionError
    assert not [child for child in multiprocessing.active_children() if child.name == "workbooks"]


ENDS_EARLY = """
import sys
from pathlib import Path
from reports.workbooks import writing_workbooks
from shared.settings import Settings
from tests.report_marts import publish_small
results = publish_small(Path(sys.argv[1]), Settings())
(Path(sys.argv[1]) / "books").mkdir()
with writing_workbooks(results, Settings(), Path(sys.argv[1]) / "books"):
    pass
"""
"""A programme read from standard input: no process can be started from it, so the writer ends at once."""


def test_a_writer_that_ends_at_once_is_said_and_not_waited_for(tmp_path: Path) -> None:
    command = [sys.executable, "-", str(tmp_path)]
    done = subprocess.run(command, input=ENDS_EARLY, capture_output=True, text=True, timeout=120, check=False)
    assert done.returncode == 1
    assert "RuntimeError: the process that writes the workbooks ended early" in done.stderr
    assert list((tmp_path / "books").iterdir()) == []
