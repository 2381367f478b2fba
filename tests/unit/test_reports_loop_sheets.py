"""The ranking's tables, map and sheets: what they say is counted from the marts."""

from __future__ import annotations

import datetime as dt
import html
import re
from collections.abc import Iterator
from pathlib import Path

import pandas as pd
import pytest

from reports.marts import Marts
from reports.pages import loop_sheets
from reports.pages.replacement import reasons
from shared.settings import Settings
from shared.store import Workspace, open_warehouse
from tests.report_marts import filled, found_in, write_small_marts

SETTINGS = Settings().override("general", as_of=dt.date(2025, 12, 31))


@pytest.fixture(scope="module")
def marts(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Marts]:
    con = open_warehouse(Workspace(tmp_path_factory.mktemp("sheets")))
    write_small_marts(con, loops=40)
    yield Marts(con)
    con.close()


def test_the_sheets_finding_counts_the_jobs_by_what_is_known_of_their_place(marts: Marts) -> None:
    (exhibit,) = loop_sheets.section(marts, SETTINGS).exhibits
    marks = marts.read("marts.loop_strip_marks")
    first = marts.read("marts.loop_ranking").sort_values("rank")["loop_id"].head(25)
    jobs = marks[marks["loop_id"].isin(first) & (marks["mark_kind"] == "failure")]
    counts = jobs["place_basis"].value_counts()
    dug = f"Of {len(jobs)} jobs on the first 25 loops, {counts['dug']} can be drawn where they were dug."
    assert exhibit.finding.startswith(f"{dug} {counts['middle']} are drawn in the middle")
    assert f"of {counts['loop_only']} no section of the register is named" in exhibit.finding


def test_each_of_the_first_loops_has_a_sheet_with_its_sections_and_jobs(marts: Marts) -> None:
    (exhibit,) = loop_sheets.section(marts, SETTINGS).exhibits
    sheets = re.findall(r'<details class="sheet" id="(.*?)".*?</details>', exhibit.body, re.DOTALL)
    ranking = marts.read("marts.loop_ranking").sort_values("rank").head(25)
    assert sheets == [f"loop-{loop}" for loop in ranking["loop_id"]]
    first = html.unescape(exhibit.body[: exhibit.body.index("</details>")])
    strips, marks = marts.read("marts.loop_strips"), marts.read("marts.loop_strip_marks")
    for table, column in ((strips, "section_id"), (marks, "job_id")):
        for value in table.loc[table["loop_id"] == ranking["loop_id"].iloc[0], column].dropna():
            assert f">{value}<" in first
    assert ranking["reasons"].iloc[0] in first
    assert "no permission to dig" in first


def test_jobs_that_may_be_one_are_marked_on_both_of_them_until_somebody_decides(marts: Marts) -> None:
    loops = marts.read("marts.loop_ranking").sort_values("rank").head(25)
    strips, marks = marts.read("marts.loop_strips"), marts.read("marts.loop_strip_marks")
    jobs = marks[(marks["mark_kind"] == "failure") & marks["loop_id"].isin(loops["loop_id"])]["job_id"].tolist()[:4]
    clusters = pd.DataFrame(
        {
            "job_id": [jobs[0], jobs[2]],
            "joined_with": [jobs[1], jobs[3]],
            "likeness": ["entered_twice", "opened_again"],
            "cluster_decision": [None, "separate"],
        }
    )
    partners = loop_sheets.partners_of(clusters)
    assert partners == {jobs[0]: jobs[1], jobs[1]: jobs[0]}
    made = loop_sheets.sheets(loops, strips, marks, SETTINGS, partners)
    assert "2 may be one with another job and carry a star" in made.finding
    assert f">{jobs[0]}*<" in made.body and f">{jobs[1]}*<" in made.body and f">{jobs[2]}<" in made.body
    assert f"* May be one: {jobs[0]} and {jobs[1]}. Decide in job_clusters.csv." in made.body
    assert "May be one" not in loop_sheets.sheets(loops, strips, marks, SETTINGS).body


def test_a_fleet_without_coordinates_has_no_map_and_one_without_strips_says_so(marts: Marts) -> None:
    loops, places = marts.read("marts.loop_ranking"), marts.read("marts.loop_places")
    assert loop_sheets.loop_map(loops, places.iloc[:0]) is None
    made = loop_sheets.loop_map(loops, places)
    assert made is not None and "40 loops drawn of 40" in made.count
    strips, marks = marts.read("marts.loop_strips"), marts.read("marts.loop_strip_marks")
    assert loop_sheets.sheets(loops, strips.iloc[:0], marks.iloc[:0], SETTINGS).is_absent
    # a loop that has no strip keeps its sheet, without a drawing
    only = strips[strips["loop_id"] != "L-000001"]
    body = loop_sheets.sheets(loops.head(25), only, marks, SETTINGS).body
    assert body.count("<svg") == 24 and body.count("<details") == 25


def test_the_map_says_how_far_the_first_loops_lie_apart(marts: Marts) -> None:
    """The first 25 loops of the small marts lie in a row, 300 m from one to the next."""
    made = loop_sheets.loop_map(marts.read("marts.loop_ranking"), marts.read("marts.loop_places"))
    assert made is not None
    assert "within ⟦0.3|km|⟧" in made.finding
    feet = marts.read("marts.loop_places").assign(straight_over_cable=2.6)
    other = loop_sheets.loop_map(marts.read("marts.loop_ranking"), feet)
    assert other is not None and "within" not in other.finding
    assert "do not fit the cable's lengths in metres" in other.left_out


def test_ids_of_sheets_hold_no_blank(tmp_path: Path) -> None:
    con = open_warehouse(Workspace(tmp_path))
    write_small_marts(con, loops=3)
    loops = Marts(con).read("marts.loop_ranking").assign(loop_id=["L 1", "L2", "a/b&c"])
    con.close()
    assert loop_sheets.anchors_of(loops) == {"L 1": "loop-L_1", "L2": "loop-L2", "a/b&c": "loop-a/b&c"}


@pytest.mark.parametrize(("multiplier", "is_said"), [(1.4, True), (2.0, False)])
def test_what_bad_luck_may_explain_is_said_only_where_there_is_any(multiplier: float, is_said: bool) -> None:
    loops = pd.DataFrame(
        {
            "rank": [1, 2],
            "loop_id": ["L1", "L2"],
            "failures_recorded": [6, 4],
            "expected_recorded": [3.0, 2.0],
            "multiplier": multiplier,
            "reasons": "fails",
        }
    )
    loops = filled("marts.loop_ranking", loops)
    finding = reasons(loops, found_in("replacement", {"marts.loop_ranking": loops})).finding
    assert finding.startswith("L1 has failed 6 times where its class alone leads one to expect 3.0.")
    assert ("2.0 times as often as their classes; 1.4 times is what" in finding) == is_said
    assert ("bad luck" in finding) == is_said
