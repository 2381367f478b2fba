"""A page is a function of results and a choice: the same bytes, the population above every figure, no unknown page."""

from __future__ import annotations

import datetime as dt
import html
from pathlib import Path

import duckdb
import pytest

from reports.choice import Choice, read_choice
from reports.links import Links
from reports.render import render, render_rows, render_sheet
from reports.results import Results
from shared.errors import UserError
from shared.settings import Settings
from shared.store import Workspace
from tests.report_marts import publish_small

SETTINGS = Settings().override("general", as_of=dt.date(2025, 12, 31))


@pytest.fixture(scope="module")
def results(tmp_path_factory: pytest.TempPathFactory) -> Results:
    return Results(publish_small(tmp_path_factory.mktemp("render"), SETTINGS))


def test_the_same_choice_gives_the_same_bytes(results: Results, tmp_path: Path) -> None:
    with Results(publish_small(tmp_path, SETTINGS)) as again:
        for page in ("index", "replacement", "restoration", "locating", "data_quality", "settings"):
            assert render(results, page) == render(again, page)


def test_a_figure_says_its_population_where_something_is_chosen(demo_space: Workspace) -> None:
    links = Links(is_served=True, query="district=OB")
    with Results(demo_space.results) as results:
        page = render(results, "replacement", Choice(districts=("OB",)), links)
        assert page.count('<p class="population">District OB, reported') > 3
        assert '<p class="population">All districts' in render(results, "replacement")


def test_an_unknown_page_or_sheet_names_the_known_ones(results: Results) -> None:
    with pytest.raises(UserError, match="there is no page 'restore'"):
        render(results, "restore")
    with pytest.raises(UserError, match="there is no sheet of a 'pole'"):
        render_sheet(results, "pole", "1")


def test_results_of_another_version_ask_for_a_refresh(tmp_path: Path) -> None:
    file = publish_small(tmp_path, SETTINGS)
    with duckdb.connect(str(file)) as con:
        con.execute("update about set schema_version = '1'")
    with pytest.raises(UserError, match="another version of loopwear published these results") as told:
        Results(file)
    assert told.value.remedy == "run: loopwear refresh"


def test_a_figure_that_is_empty_in_a_choice_asks_for_more_of_the_choice(demo_space: Workspace) -> None:
    with Results(demo_space.results) as results:
        page = html.unescape(render(results, "restoration", read_choice("period=1999", results.known)))
    assert page.count("choose a longer period or more districts") >= 15
    assert "with closed_at, then run: loopwear refresh" not in page


def test_years_of_a_choice_say_that_they_hold_a_part(demo_space: Workspace) -> None:
    with Results(demo_space.results) as results:
        year = results.known.last.year - 1
        periods = (f"period={year}", f"period={year}-Q3")
        whole, part = (render(results, "restoration", read_choice(period, results.known)) for period in periods)
    assert "Its years hold only" not in whole
    assert f"Its years hold only what was reported from 1 July {year} to 30 September {year}." in html.unescape(part)


def test_rows_are_narrowed_by_a_column_that_a_choice_has_a_key_for(demo_space: Workspace) -> None:
    """The period of most_interrupted is a column of its rows; the from and to of the page stay its choice."""
    with Results(demo_space.results) as results:
        rows = results.whole.read("marts.most_interrupted")
        period = str(rows["period"].iloc[0])
        page = render_rows(results, "most_interrupted", f"period={period}", Choice(), Links(is_served=True))
    assert f"{(rows['period'] == period).sum()} row" in html.unescape(page).replace("\u00a0", " ")
