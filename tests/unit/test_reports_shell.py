"""The shell of the pages: shared files, links, the plotting bundle, what a strict content policy forbids, weight."""

from __future__ import annotations

import datetime as dt
import hashlib
import re
import tomllib
from pathlib import Path

import numpy as np
import pandas as pd
import plotly.graph_objects as go
import pytest
from plotly.offline import get_plotlyjs_version

from reports import page as shell
from reports import style
from reports.figures.locating import chart_errors
from reports.figures.map import draw_map, lay_flat
from reports.links import Links
from reports.marts import Marts
from reports.page import Exhibit, Frame, Page, Section, Table
from reports.pages import data_quality, locating, replacement, restoration
from reports.table import numbers_of
from reports.words import Words
from shared import dictionary
from shared.settings import Settings
from shared.store import Workspace, open_warehouse
from tests.report_marts import write_pages, write_small_marts

SETTINGS = Settings().override("general", as_of=dt.date(2025, 12, 31))
TEMPLATES = Path(shell.__file__).parent / "templates"
SERVED = Links(is_served=True, query="district=OB")
BUDGET = 1_000_000


def framed(links: Links, base: str = "") -> Frame:
    return Frame(dt.date(2025, 12, 31), 0.9, 5.0, "USD", (("index", "In short"),), base=base, links=links)


def render_one(exhibit: Exhibit, frame: Frame) -> str:
    return shell.render(Page("sample", "Sample", "Why?", (), (Section("Part", (exhibit,)),)), frame)


@pytest.fixture(scope="module")
def small(tmp_path_factory: pytest.TempPathFactory) -> tuple[Marts, Path]:
    space = Workspace(tmp_path_factory.mktemp("small"))
    con = open_warehouse(space)
    write_small_marts(con, loops=400)
    write_pages(space.folder, SETTINGS, con)
    return Marts(con), space.reports


def test_the_plotting_bundle_is_that_of_the_installed_library() -> None:
    told = tomllib.loads((TEMPLATES / "plotly-basic.toml").read_text(encoding="utf-8"))
    bundle = (TEMPLATES / shell.PLOTTING).read_bytes()
    assert told["version"] == get_plotlyjs_version()
    assert hashlib.sha256(bundle).hexdigest() == told["sha256"]
    assert f"plotly.js (basic - minified) v{told['version']}".encode() in bundle[:200]


def test_charts_use_only_traces_of_the_bundle(small: tuple[Marts, Path]) -> None:
    charts = [
        exhibit.chart
        for module in (replacement, restoration, locating, data_quality)
        for exhibit in module.build(small[0], SETTINGS).exhibits
        if exhibit.chart is not None
    ]
    assert len(charts) > 20
    assert {trace.type for chart in charts for trace in chart.data} <= {"scatter", "bar", "pie"}


def test_pages_hold_no_script_style_or_handler_of_their_own(small: tuple[Marts, Path]) -> None:
    for path in small[1].glob("*.html"):
        text = path.read_text(encoding="utf-8")
        assert not re.search(r"<style|\sstyle=|\son[a-z]+=", text), path.name
        assert all('type="application/json"' in tag or "src=" in tag for tag in re.findall(r"<script[^>]*>", text))


def test_shared_files_are_written_as_they_are_served_and_named_with_their_place(small: tuple[Marts, Path]) -> None:
    for name, content in shell.shared_files().items():
        assert (small[1] / name).read_bytes() == content
    text = render_one(Exhibit("k", "T", "F.", ()), framed(SERVED, "/static/"))
    asked = re.findall(r'(?:src|rel="stylesheet" href)="([^"]+)"', text)
    assert asked == ["/static/loopwear.css", f"/static/{shell.PLOTTING}", "/static/loopwear.js"]
    assert '<a href="/?district=OB">In short</a>' in text


def test_a_long_table_shows_its_first_rows_and_says_where_the_rest_is() -> None:
    frame = pd.DataFrame({"loop_id": [f"L-{n}" for n in range(1_234)], "length_km": 1.0})
    exhibit = Exhibit(
        "k", "T", "F.", (), tables=(Table(frame, ("loop_id", "length_km"), "marts.loop_ranking", extra=7),)
    )
    text = render_one(exhibit, framed(shell.NOWHERE))
    assert text.count("<tr><th scope=row>L-") == 1_000
    assert "the first 1,000 rows of 1,234</caption>" in text and 'data-more="1"' in text
    assert "In full: exports/loop_ranking.csv; 241 further rows are there." in text
    served = render_one(exhibit, framed(SERVED))
    assert 'In full: <a href="/rows/loop_ranking?district=OB">all rows</a>, exports/loop_ranking.csv' in served


def test_cells_lead_to_sheets_and_to_the_rows_they_count() -> None:
    frame = pd.DataFrame({"loop_id": ["L 1&2", None], "joined_with": ["J<1>", "J2"], "jobs": [3, 4]})
    table = Table(frame, tuple(frame.columns), "x", to={"jobs": ["jobs?month=2025-03", None]})
    text = shell.rows_html(table, SERVED)
    assert text == (
        '<tr><th scope=row><a href="/loop/L%201%262">L 1&amp;2</a><td><a href="/job/J%3C1%3E">J&lt;1&gt;</a>'
        '<td><a href="/rows/jobs?district=OB&amp;month=2025-03">3</a>\n'
        '<tr><th scope=row>–<td><a href="/job/J2">J2</a><td>4'
    )
    assert "<a" not in shell.rows_html(table)
    assert numbers_of(table) == [3]
    assert '<a href="loop-L_20_1_26_2.html">' in shell.rows_html(
        table, Links(files=frozenset({"loop-L_20_1_26_2.html"}))
    )


def test_charts_carry_addresses_and_no_tokens() -> None:
    chart = style.new_chart()
    chart.add_scatter(x=[1, 2], y=["a", "b"], meta={"to": ["job:J1", None]})
    chart.update_layout(meta={"anchors": {"a": "loop:L1", "b": "nothing known"}})
    made = shell.chart_json(chart, SERVED)
    assert '"to":["/job/J1",""]' in made and '"a":"/loop/L1"' in made
    assert "job:J1" not in (bare := shell.chart_json(chart)) and '"to"' not in bare and '"anchors"' not in bare
    assert chart.data[0].meta == {"to": ["job:J1", None]}  # the chart itself is as it was


def test_a_drawing_leads_to_sheets_where_there_are_any() -> None:
    places = pd.DataFrame({
        "rank": [1, 2], "loop_id": ['A"&', "B"], "x": [0.0, 9.0], "y": [0.0, 9.0], "straight_over_cable": 0.8,
        "expected_failures": [2.0, 1.0],
    })  # fmt: skip
    drawn = draw_map(places, lay_flat(places), np.array([True, False]))
    assert '<a href="/loop/A%22%26">' in shell.body_html(drawn, SERVED)
    assert "<a>" in (bare := shell.body_html(drawn)) and "href" not in bare


def weight(*exhibits: Exhibit, links: Links = shell.NOWHERE) -> int:
    page = Page("sample", "Sample", "Why?", (), (Section("Part", exhibits),))
    return len(shell.render(page, framed(links)).encode())


def test_standing_pages_of_a_small_fleet_weigh_less_than_a_megabyte(small: tuple[Marts, Path]) -> None:
    weights = {path.name: path.stat().st_size for path in small[1].glob("*.html")}
    assert "dictionary.html" in weights and max(weights.values()) < BUDGET, weights


def many(name: str, rows: int = 200_000) -> pd.DataFrame:
    """Plausible rows of a table of the dictionary: wide texts, numbers of many digits, distinct ids."""
    facts, rng = dictionary.columns(), np.random.default_rng(1)
    made: dict[str, object] = {}
    for column in dictionary.tables()[name].columns:
        kind = facts[column].type
        if kind == "number":
            made[column] = rng.normal(100.0, 40.0, rows)
        elif kind == "integer":
            made[column] = np.arange(1, rows + 1)
        elif kind == "boolean":
            made[column] = rng.random(rows) < 0.5
        elif kind in ("instant", "date"):
            made[column] = pd.Timestamp("2020-01-01") + pd.to_timedelta(np.arange(rows) % 2_000, unit="D")
        else:
            made[column] = [f"{column[:12]}-{n:06}" for n in range(rows)]
    return pd.DataFrame(made)


@pytest.mark.parametrize(
    ("page", "key", "name"),
    [
        ("locating", "errors", "marts.locating_errors"),
        ("replacement", "loops", "marts.loop_ranking"),
        ("replacement", "sections", "marts.section_ranking"),
        ("data_quality", "", "marts.quarantine"),
        ("data_quality", "", "marts.job_clusters"),
        ("data_quality", "", "marts.proposed_corrections"),
    ],
)
def test_the_largest_tables_weigh_less_than_half_a_page(page: str, key: str, name: str) -> None:
    """Served, where every id is a link, so that two of them and the rest of the page stay under a megabyte."""
    rows = many(name)
    told = Words(page).text(key) if key else {}
    columns = tuple(c for c in told.get("columns", dictionary.tables()[name].columns) if c in rows)
    chart: go.Figure | None = chart_errors(rows) if name == "marts.locating_errors" else None
    table = Table(rows, columns, name, sums=tuple(told.get("sums", ())), filters=tuple(told.get("filters", ())))
    assert weight(Exhibit("k", "T", "F.", (), chart=chart, tables=(table,)), links=SERVED) < BUDGET / 2
