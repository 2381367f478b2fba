"""The pages in a real browser: nothing fetched, nothing wrong, figures drawn, the export's values in them."""

from __future__ import annotations

import base64
import datetime as dt
import re
import shutil
import threading
from collections.abc import Iterator
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from importlib.util import find_spec
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import pandas as pd
import pytest

from reports import page as shell
from reports.links import Links
from reports.marts import Marts
from reports.page import shared_files
from reports.pages import data_quality, locating, replacement, restoration
from reports.render import PAGES, REFERENCES
from reports.table import SHOWN_ROWS
from shared.settings import Settings
from shared.store import Workspace, open_warehouse, read_model
from tests.report_marts import write_pages, write_small_marts

pytestmark = [pytest.mark.browser, pytest.mark.xdist_group("browser")]

NAMES = [*(key for key, _ in (*PAGES, *REFERENCES)), "card"]
INSIDE = ("file:", "data:", "blob:")
"""Addresses a page may ask for."""

TRACES = "(id) => document.getElementById(id)._fullData.map((t) => ({name: t.name, x: t.x, y: t.y}))"


@pytest.fixture(scope="module")
def small(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Path, dict[str, pd.DataFrame]]]:
    """Pages over small invented marts, and those marts."""
    space = Workspace(tmp_path_factory.mktemp("small"))
    con = open_warehouse(space)
    write_small_marts(con, loops=400)
    write_pages(space.folder, Settings().override("general", as_of=dt.date(2025, 12, 31)), con)
    names = (
        "loop_ranking", "section_ranking", "restoration_stages", "velocity_by_class", "locating_errors",
        "instrument_bias",
    )  # fmt: skip
    marts = {name: read_model(con, f"marts.{name}") for name in names}
    marts["job_stages"] = read_model(con, "core.job_stages")
    con.close()
    yield space.reports, marts


class Visit:
    """A page that is open, with everything it complained of or asked for."""

    def __init__(self, browser: Any, path: Path, width: int = 1280, link: str = "", **context: Any) -> None:
        self.page = browser.new_page(viewport={"width": width, "height": 900}, **context)
        self.faults: list[str] = []
        self.page.on("console", lambda m: self.faults.append(m.text) if m.type in ("error", "warning") else None)
        self.page.on("pageerror", lambda e: self.faults.append(str(e)))
        self.page.on("request", lambda r: None if r.url.startswith(INSIDE) else self.faults.append(r.url))
        self.page.goto(path.as_uri() + link)
        self.wait_for_charts()

    def __enter__(self) -> Visit:
        return self

    def __exit__(self, *_: object) -> None:
        self.page.close()

    def wait_for_charts(self) -> None:
        """Move to each chart that is not folded away, for it is drawn when it comes into view, and back."""
        self.page.evaluate("window.stood = scrollY")
        self.page.wait_for_function(
            """() => {
                const left = [...document.querySelectorAll('.chart')].filter(
                    (c) => !c.closest('details.folded:not([open])') && !c.querySelector('.main-svg'));
                if (left.length) left[0].scrollIntoView();
                return left.length === 0;
            }""",
            timeout=20_000,
        )
        self.page.evaluate("scrollTo(0, window.stood)")

    def traces(self, chart: str) -> Any:
        return self.page.evaluate(TRACES, chart)

    def overflow(self) -> int:
        return int(self.page.evaluate("document.documentElement.scrollWidth - document.documentElement.clientWidth"))


@pytest.mark.parametrize("name", NAMES)
@pytest.mark.parametrize("which", ["small", "demo"])
def test_no_page_complains_fetches_or_scrolls_sideways(
    browser: Any, small: Any, demo_space: Workspace, name: str, which: str
) -> None:
    folder = small[0] if which == "small" else demo_space.reports
    with Visit(browser, folder / f"{name}.html") as visit:
        for width in (390, 1024, 1920):
            visit.page.set_viewport_size({"width": width, "height": 900})
            for _ in range(50):  # plotly redraws a little after the window has changed
                if visit.overflow() == 0:
                    break
                visit.page.wait_for_timeout(100)
            assert visit.overflow() == 0, f"{width} px"
        assert visit.faults == []


SHORTEN = """() => {
    for (const body of document.querySelectorAll("tbody")) [...body.rows].slice(5).forEach((r) => r.remove());
}"""
"""Rows of a table are alike, and axe's cost grows faster than the page: a few are looked at."""

AXE = """(rules) => axe.run(document, {
    resultTypes: ["violations"], ...(rules ? {runOnly: {type: "rule", values: rules}} : {}),
})"""


@pytest.mark.parametrize("name", [*NAMES, "card-OB"])
def test_axe_finds_no_violation(browser: Any, demo_space: Workspace, name: str) -> None:
    """axe-core 4.12 on the demo's pages: all its rules, best practice included, and the colours in the dark again."""
    package = find_spec("axe_playwright_python")
    assert package is not None and package.origin is not None
    with Visit(browser, demo_space.reports / f"{name}.html") as visit:
        visit.page.evaluate("for (const d of document.querySelectorAll('details')) d.open = true")
        visit.page.evaluate(SHORTEN)
        if name.startswith("card-"):  # with an answer
            visit.page.evaluate("fill({ by: 'class', parts: [['0']], distance: 60, percent: 53, setting: 'typed' })")
            assert visit.page.locator(".found").is_visible()
        visit.page.add_script_tag(path=str(Path(package.origin).with_name("axe.min.js")))
        for scheme, rules, passed in (("light", None, 15), ("dark", ["color-contrast"], 0)):
            visit.page.emulate_media(color_scheme=scheme)
            found = visit.page.evaluate(AXE, rules)
            wrong = [(v["id"], v["nodes"][0]["html"], v["nodes"][0]["failureSummary"]) for v in found["violations"]]
            assert wrong == [], scheme
            assert len(found["passes"]) > passed


def test_the_ranking_chart_holds_the_export(browser: Any, small: Any) -> None:
    ranking = small[1]["loop_ranking"].sort_values("rank").head(25)
    with Visit(browser, small[0] / "replacement.html") as visit:
        drawn = next(t for t in visit.traces("loops-chart") if t["name"].startswith("expected"))
    assert drawn["x"] == pytest.approx(ranking["expected_failures"].tolist(), rel=1e-8)
    assert [y.split()[-1] for y in drawn["y"]] == ranking["loop_id"].tolist()


def test_an_id_of_digits_is_drawn_as_a_name(browser: Any, small: Any) -> None:
    with Visit(browser, small[0] / "replacement.html") as visit:
        kinds = visit.page.evaluate("""() => ["strict", "convert types"].map((way) => {
            const box = document.body.appendChild(document.createElement("div"));
            Plotly.newPlot(box, [{x: [1, 2], y: ["1  11696", "2  10720"]}], {autotypenumbers: way});
            return box._fullLayout.yaxis.type;
        })""")
        drawn = visit.page.evaluate("document.getElementById('loops-chart')._fullLayout.autotypenumbers")
    assert kinds == ["category", "linear"]
    assert drawn == "strict"


def test_the_stage_chart_holds_the_export(browser: Any, small: Any) -> None:
    stages = small[1]["restoration_stages"].query("grouped_by == 'all'").set_index("stage")
    order = ["report_to_dispatch", "dispatch_to_arrive", "arrive_to_locate", "locate_to_restore"]
    with Visit(browser, small[0] / "restoration.html") as visit:
        drawn = visit.traces("stages-chart")[0]
    assert drawn["x"] == pytest.approx(stages.loc[order, "mean_min"].tolist(), rel=1e-8)


def test_the_velocity_chart_holds_the_export(browser: Any, small: Any) -> None:
    classes = small[1]["velocity_by_class"].set_index("cable_class")
    with Visit(browser, small[0] / "locating.html") as visit:
        drawn = next(t for t in visit.traces("velocities-chart") if t["name"].startswith("fitted"))
    assert drawn["x"] == pytest.approx(classes.loc[drawn["y"], "velocity_fitted_pct"].tolist(), rel=1e-8)


def test_the_unit_switch_rewrites_charts_tables_and_sentences(browser: Any, small: Any) -> None:
    errors = small[1]["locating_errors"].set_index("job_id")
    with Visit(browser, small[0] / "locating.html") as visit:
        page = visit.page
        metric = visit.traces("errors-chart")[0]
        said = page.locator("#errors h3 .q").first.text_content()
        page.get_by_label("feet and miles").check()
        visit.wait_for_charts()
        imperial = visit.traces("errors-chart")[0]
        title = page.evaluate("document.getElementById('errors-chart').layout.xaxis.title.text")
        cell = page.locator("#errors-table tbody tr").first
        job, dug = cell.locator("th").text_content(), cell.locator("td").nth(5).text_content()
        said_after = page.locator("#errors h3 .q").first.text_content()
    # 1 ft = 0.3048 m exactly (1959 agreement)
    assert imperial["x"] == pytest.approx([x / 0.3048 for x in metric["x"]], rel=1e-8)
    assert imperial["y"] == pytest.approx([y / 0.3048 for y in metric["y"]], rel=1e-8)
    assert title == "Dug distance [ft]"
    assert float(dug.replace(",", "")) == pytest.approx(errors.loc[job, "dug_distance_m"] / 0.3048, abs=0.051)
    assert said.endswith("m") and said_after.endswith("ft")
    assert float(said_after.split("\u00a0")[0]) == pytest.approx(float(said.split("\u00a0")[0]) / 0.3048, abs=0.2)


def test_a_table_sorts_by_a_heading_and_back(browser: Any, small: Any) -> None:
    with Visit(browser, small[0] / "locating.html") as visit:
        page = visit.page
        heading = page.locator("#velocities-table thead th").nth(1)
        column = page.locator("#velocities-table tbody tr td:nth-child(2)")
        heading.locator("button").click()
        assert heading.get_attribute("aria-sort") == "ascending"
        upward = [int(t) for t in column.all_text_contents()]
        heading.locator("button").press("Enter")
        downward = [int(t) for t in column.all_text_contents()]
    assert upward == sorted(small[1]["velocity_by_class"]["readings"])
    assert downward == upward[::-1]


def test_a_long_table_can_be_searched_and_sorted(browser: Any, small: Any) -> None:
    ranking = small[1]["loop_ranking"]
    with Visit(browser, small[0] / "replacement.html") as visit:
        page = visit.page
        page.locator("#loops details summary").click()
        page.locator("#loops .pager input").fill("l-000123")
        rows = page.locator("#loops-table tbody tr:visible")
        assert rows.count() == 1
        row = rows.first.locator("th, td").all_text_contents()
        page.locator("#loops .pager input").fill("")
        page.locator("#loops-table thead button", has_text="Length").click()
        shortest = float(page.locator("#loops-table tbody tr td:nth-child(6)").first.text_content())
    wanted = ranking.set_index("loop_id").loc["L-000123"]
    assert row[0] == str(wanted["rank"])
    assert float(row[5]) == pytest.approx(wanted["length_km"], abs=0.0051)
    assert shortest == pytest.approx(ranking["length_km"].min(), abs=0.0051)


def tally_of(page: Any, exhibit: str) -> tuple[int, float, float]:
    """Rows that match, and the sums of their length and expected failures, as the page prints them."""
    said = page.locator(f"#{exhibit} .tally").text_content().replace("\u00a0", " ")
    said = re.sub(r"(?<=\d),(?=\d)", "", said)
    found = re.match(
        r"(\d+) of \d+ rows (?:shown )?match; sum of length ([\d.]+) km, of failures expected ([\d.]+)\.", said
    )
    assert found, said
    return int(found[1]), float(found[2]), float(found[3])


@pytest.mark.parametrize(("exhibit", "table", "column"), [
    ("loops", "loop_ranking", "worst_class"), ("sections", "section_ranking", "cable_class"),
])  # fmt: skip
def test_rows_picked_add_up_to_the_export(browser: Any, small: Any, exhibit: str, table: str, column: str) -> None:
    """The page's own script against pandas on the export, for a district and a class, and in miles."""
    rows = small[1][table].sort_values("rank").head(SHOWN_ROWS)
    name = "EPR/jacketed/duct"
    both = rows[(rows["district_id"] == "Birch") & (rows[column] == name)]
    with Visit(browser, small[0] / "replacement.html") as visit:
        page = visit.page
        page.locator(f"#{exhibit} details summary").first.click()
        seen = [tally_of(page, exhibit)]
        page.locator(f"#{exhibit} .pager [name=district_id]").select_option("Birch")
        page.locator(f"#{exhibit} .pager [name={column}]").select_option(name)
        seen.append(tally_of(page, exhibit))
        shown = page.locator(f"#{exhibit}-table tbody tr:visible").count()
        last = rows.sort_values("rank").iloc[-1]["loop_id" if exhibit == "loops" else "section_id"]
        for choice in ("district_id", column):
            page.locator(f"#{exhibit} .pager [name={choice}]").select_option("")
        page.locator(f"#{exhibit} .pager input").fill(last.lower())
        seen.append(tally_of(page, exhibit))
        found = page.locator(f"#{exhibit}-table tbody tr:visible").all_text_contents()
        page.get_by_label("feet and miles").check()
        miles = page.locator(f"#{exhibit} .tally").text_content()
        assert visit.faults == []
    for said, part in zip(seen, (rows, both, rows[rows["rank"] == rows["rank"].max()]), strict=True):
        assert said[0] == len(part)
        assert said[1:] == pytest.approx((part["length_km"].sum(), part["expected_failures"].sum()), abs=0.0151)
    assert 0 < shown == len(both) and len(both) < len(rows)
    assert len(found) == 1 and last in found[0]
    assert "mi" in miles and ("rows shown match" in miles) == (len(small[1][table]) > SHOWN_ROWS)


def test_a_table_of_a_few_rows_can_be_picked_too(browser: Any, small: Any) -> None:
    errors = small[1]["locating_errors"]
    wanted = errors[(errors["cable_class"] == "XLPE/bare/buried") & (errors["instrument_id"] == "R-02")]
    with Visit(browser, small[0] / "locating.html") as visit:
        page = visit.page
        page.locator("#errors .tables details summary").click()
        page.locator("#errors .pager [name=cable_class]").select_option("XLPE/bare/buried")
        page.locator("#errors .pager [name=instrument_id]").select_option("R-02")
        jobs = page.locator("#errors-table tbody tr:visible th").all_text_contents()
        said = page.locator("#errors .tally").text_content()
    assert sorted(jobs) == sorted(wanted["job_id"]) and 0 < len(jobs) < len(errors)
    assert said == f"{len(jobs)} of {len(errors)} rows match."


def test_an_id_of_a_table_leads_to_the_file_of_its_sheet(browser: Any, small: Any) -> None:
    with Visit(browser, small[0] / "replacement.html", link="?units=imperial") as visit:
        page = visit.page
        page.evaluate("for (const d of document.querySelectorAll('#loops details')) d.open = true")
        page.locator("#loops-table a", has_text="L-000004").first.press("Enter")
        page.wait_for_url("**/loop-L-000004.html*")
        assert page.locator("h1").text_content() == "Loop L-000004"
        page.locator(".running a", has_text="Replacement").press("Enter")
        page.wait_for_url("**/replacement.html")
        page.get_by_label("feet and miles").check()
        page.locator(".contents a").first.press("Enter")
        assert page.url.endswith("&units=imperial")  # a link within the page keeps the unit
        assert visit.faults == []


def test_a_folded_figure_unfolds_by_a_click_by_a_link_and_in_print(browser: Any, small: Any) -> None:
    page = small[0] / "replacement.html"
    drawn = "document.querySelector('#calibration .main-svg') !== null"
    with Visit(browser, page) as visit:
        assert visit.page.locator("#calibration h3").is_visible()  # the finding stands open
        assert visit.page.evaluate(drawn) is False
        visit.page.locator("#calibration summary").first.click()
        visit.page.wait_for_function(drawn)
        assert visit.page.locator("#calibration-chart").bounding_box()["width"] > 500
        assert visit.faults == []
    with Visit(browser, page, link="#calibration") as visit:
        visit.page.wait_for_function(drawn)
    with Visit(browser, page) as visit:
        visit.page.locator(".contents a", has_text="Failures expected and failures that came").click()
        visit.page.wait_for_function(drawn)
    with Visit(browser, page) as visit:
        visit.page.evaluate("dispatchEvent(new Event('beforeprint'))")
        visit.page.wait_for_function(drawn)
        assert visit.page.locator("#loops-table tbody tr").first.is_visible()  # tables are printed too
        assert visit.page.locator(".exhibit details:not([open])").count() == 0
        visit.page.evaluate("dispatchEvent(new Event('afterprint'))")
        assert visit.page.locator(".exhibit details[open]").count() == 0


@pytest.mark.parametrize(("name", "table"), [("settings", "#general table"), ("rules", "#reject table")])
def test_a_reference_is_read_on_a_narrow_screen_without_moving_sideways(
    browser: Any, small: Any, name: str, table: str
) -> None:
    fits_a_narrow_screen(browser, small[0] / f"{name}.html", table)


def fits_a_narrow_screen(browser: Any, page: Path, table: str) -> None:
    """Every value of a table's rows has its heading beside it and lies within 390 px."""
    with Visit(browser, page, width=390) as visit:
        box = visit.page.locator(table).bounding_box()
        heads = (
            visit.page.locator(f"{table} tbody tr")
            .first.locator("td")
            .evaluate_all("cells => cells.map((c) => [c.dataset.h, c.getBoundingClientRect().right])")
        )
    assert box["width"] <= 390 - 28
    assert all(head and right <= 390 for head, right in heads)


def test_the_map_fits_a_narrow_screen(browser: Any, demo_space: Workspace) -> None:
    with Visit(browser, demo_space.reports / "replacement.html", width=390) as visit:
        wide = visit.page.evaluate(
            "(() => { const m = document.querySelector('.map').parentElement;"
            " return m.scrollWidth - m.clientWidth; })()"
        )
    assert wide == 0


def test_sheets_are_light(demo_space: Workspace) -> None:
    sheets = [path.read_text(encoding="utf-8") for path in demo_space.reports.glob("loop-*.html")]
    assert len(sheets) == 25
    assert all('<svg class="strip"' in sheet and "<title" in sheet and "<desc" in sheet for sheet in sheets)
    drawn = "".join(found for sheet in sheets for found in re.findall(r'<svg class="strip".*?</svg>', sheet, re.DOTALL))
    assert len(drawn.encode()) < 400_000
    assert max(len(sheet.encode()) for sheet in sheets) < 60_000


PAPERS = {
    paper: ((width_mm - 36) / 25.4 * 96, (height_mm - 38) / 25.4 * 96)
    for paper, width_mm, height_mm in (("A4", 210, 297), ("Letter", 215.9, 279.4))
}
"""Between the margins of 18, 18 and 18, 20 mm by the style sheet, 96 CSS pixels an inch."""


def test_sheets_and_the_map_print_within_the_margins(browser: Any, demo_space: Workspace) -> None:
    """Drawings and tables are no wider than the paper between its margins; a page's end does not cut a drawing."""
    for name in (*sorted(path.stem for path in demo_space.reports.glob("loop-*.html")), "replacement"):
        with Visit(browser, demo_space.reports / f"{name}.html") as visit:
            visit.page.emulate_media(media="print")
            visit.page.evaluate("for (const d of document.querySelectorAll('details')) d.open = true")
            for paper, (wide, high) in PAPERS.items():
                visit.page.set_viewport_size({"width": int(wide), "height": 900})
                drawings = visit.page.evaluate(
                    "[...document.querySelectorAll('.strip, .map')].map((s) => [s.getBoundingClientRect().width, "
                    "s.getBoundingClientRect().height, getComputedStyle(s.parentElement).breakInside])"
                )
                tables = visit.page.evaluate("[...document.querySelectorAll('table')].map((t) => t.scrollWidth)")
                assert len(drawings) == 1, (name, paper)
                assert drawings[0][0] <= wide and drawings[0][1] <= high and drawings[0][2] == "avoid", (name, paper)
                assert max(tables) <= wide, (name, paper)


def test_the_dark_scheme_redraws_charts_in_its_own_inks(browser: Any, small: Any) -> None:
    from reports.style import DARK_INKS

    with Visit(browser, small[0] / "restoration.html", color_scheme="dark") as visit:
        ink = visit.page.evaluate("document.getElementById('stages-chart')._fullData[0].marker.color")
        paper = visit.page.evaluate("getComputedStyle(document.body).backgroundColor")
    assert ink == DARK_INKS["first"]
    assert paper == "rgb({}, {}, {})".format(*(int(DARK_INKS["paper"][i : i + 2], 16) for i in (1, 3, 5)))


PIXELS = """async (png) => {
    const image = new Image();
    image.src = "data:image/png;base64," + png;
    await image.decode();
    const { width, height } = image;
    const pen = Object.assign(document.createElement("canvas"), {width, height}).getContext("2d");
    pen.drawImage(image, 0, 0);
    const data = pen.getImageData(0, 0, width, height).data;
    const inkAt = (i) => "#" + [0, 1, 2].map((n) => data[i + n].toString(16).padStart(2, "0")).join("");
    const seen = new Set();
    for (let i = 0; i < data.length; i += 4) seen.add(inkAt(i));
    return [width, height, inkAt(0), [...seen]];
}"""
"""Width, height, the colour of the first corner and every colour of a picture."""


def save_figure(page: Any, exhibit: str, kind: str) -> tuple[str, bytes]:
    """Save a figure by keyboard: the name of the file and its bytes."""
    with page.expect_download() as saved:
        page.locator(f"#{exhibit} .save button", has_text=kind).press("Enter")
    return saved.value.suggested_filename, Path(saved.value.path()).read_bytes()


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize(("name", "exhibit", "file"), [
    ("replacement", "loops", "Replacement-loops"), ("restoration", "stages", "Restoration-stages"),
    ("locating", "errors", "Locating-errors"), ("replacement", "age-rates", "Replacement-age-rates"),
    ("replacement", "map", "Replacement-map"), ("loop-L-000004", "strip", "Loop-L-000004-strip"),
    ("index", "replacement", "In-short-replacement"),
])  # fmt: skip
def test_a_figure_is_saved_with_its_words_counts_and_day_on_white(
    browser: Any, small: Any, name: str, exhibit: str, file: str, scheme: str
) -> None:
    from reports.style import DARK_INKS, INKS

    with Visit(browser, small[0] / f"{name}.html", width=390, color_scheme=scheme, accept_downloads=True) as visit:
        page = visit.page
        host = page.locator(f"#{exhibit}")
        said = [
            host.locator("h2, h3").first,
            *host.locator(".caution dd, p.caution").all(),
            *host.locator("dt:text-is('Count') + dd").all(),
        ]
        words = [re.sub(r"[ \n]+", " ", part.text_content()).strip() for part in said]
        svg_name, svg = save_figure(page, exhibit, "SVG")
        png_name, png = save_figure(page, exhibit, "PNG")
        # read back by a parser of XML; a line ends where the next text begins
        read = ElementTree.fromstring(svg)
        lines = " ".join(part.text or "" for part in read.findall("{http://www.w3.org/2000/svg}text"))
        wide, tall, corner, colours = page.evaluate(PIXELS, base64.b64encode(png).decode())
        assert visit.faults == []
    assert (svg_name, png_name) == (f"{file}-2025-12-31.svg", f"{file}-2025-12-31.png")
    assert words and all(text in lines for text in words)
    assert "31 December 2025" in lines
    assert (wide, tall) == (3 * int(read.get("width")), 3 * int(read.get("height")))
    assert wide == 3 * (640 + 2 * 24)  # whatever the screen's width
    assert corner == "#ffffff"
    assert INKS["text"] in colours and not set(DARK_INKS.values()) & set(colours)


def test_a_saved_figure_keeps_the_unit_and_the_series_chosen(browser: Any, small: Any) -> None:
    with Visit(browser, small[0] / "locating.html", link="#units=imperial", accept_downloads=True) as visit:
        names = [trace["name"] for trace in visit.traces("errors-chart")]
        whole = save_figure(visit.page, "errors", "SVG")[1].decode()
        visit.page.locator("#errors-chart .legendtoggle").first.click()
        visit.page.wait_for_function(
            "document.getElementById('errors-chart')._fullData.some((t) => t.visible === 'legendonly')"
        )
        part = save_figure(visit.page, "errors", "SVG")[1].decode()
        assert visit.page.locator(".away").count() == 0
    assert len(names) > 1 and "Dug distance [ft]" in whole and "Estimated minus dug [ft]" in whole
    assert 0 < len(re.findall(r'class="point[ "]', part)) < len(re.findall(r'class="point[ "]', whole))


def test_without_a_script_a_page_offers_no_picture(browser: Any, small: Any) -> None:
    page = browser.new_page(java_script_enabled=False)
    page.goto((small[0] / "locating.html").as_uri())
    assert page.get_by_role("button", name="Save").count() == 0
    assert page.locator("#errors h3").is_visible()
    page.close()


@pytest.mark.parametrize("link", ["#units=imperial", "?units=imperial", "?units=metric#errors&units=imperial"])
def test_a_link_keeps_the_unit(browser: Any, small: Any, link: str) -> None:
    with Visit(browser, small[0] / "locating.html", link=link) as visit:
        assert visit.page.get_by_label("feet and miles").is_checked()
        assert (visit.page.locator("#errors h3 .q").first.text_content() or "").endswith("ft")
        visit.page.get_by_label("metres and kilometres").check()
        visit.page.reload()
        assert visit.page.get_by_label("metres and kilometres").is_checked()


def test_a_chart_is_drawn_when_it_comes_into_view_and_before_printing(browser: Any, small: Any) -> None:
    drawn = "document.querySelectorAll('.chart .main-svg:first-child').length"
    page = browser.new_page(viewport={"width": 1280, "height": 900})
    page.goto((small[0] / "restoration.html").as_uri())
    page.wait_for_function("document.querySelector('.chart .main-svg')")
    every = page.locator(".chart").count()
    assert 0 < page.evaluate(drawn) < every / 2
    page.evaluate("dispatchEvent(new Event('beforeprint'))")
    page.wait_for_function("[...document.querySelectorAll('.chart')].every((c) => c.querySelector('.main-svg'))")
    assert page.evaluate("document.getElementById('stages-chart').getBoundingClientRect().height") > 100
    page.close()


POLICY = "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; base-uri 'none'"


@pytest.fixture(scope="module")
def served(small: Any) -> Iterator[str]:
    """The same pages from a server on the loopback under a strict content policy, every id with a sheet."""
    con = open_warehouse(Workspace(small[0].parent), read_only=True)
    settings, marts = Settings().override("general", as_of=dt.date(2025, 12, 31)), Marts(con)
    frame = shell.Frame(
        settings.general.as_of,
        0.9,
        5.0,
        "USD",
        PAGES,
        base="/static/",
        links=Links(is_served=True, query="units=metric"),
    )
    texts = {module.build(marts, settings).key: shell.render(module.build(marts, settings), frame)
             for module in (replacement, restoration, locating, data_quality)}  # fmt: skip
    con.close()

    class Handler(BaseHTTPRequestHandler):
        def do_GET(self) -> None:
            name = self.path.split("?")[0].removeprefix("/")
            found = shared_files().get(name.removeprefix("static/")) if name.startswith("static/") else None
            body = found if found is not None else texts.get(name, f"sheet {name}").encode()
            kind = {"css": "text/css", "js": "text/javascript"}.get(name.rpartition(".")[2], "text/html")
            self.send_response(200)
            self.send_header("Content-Type", f"{kind}; charset=utf-8")
            self.send_header("Content-Security-Policy", POLICY)
            self.end_headers()
            self.wfile.write(body)

        def log_message(self, *_: Any) -> None:
            pass

    server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
    threading.Thread(target=server.serve_forever, daemon=True).start()
    yield f"http://127.0.0.1:{server.server_port}"
    server.shutdown()
    server.server_close()


def open_served(browser: Any, address: str) -> tuple[Any, list[str]]:
    page = browser.new_page(viewport={"width": 1280, "height": 900})
    faults: list[str] = []
    page.on("console", lambda m: faults.append(m.text) if m.type in ("error", "warning") else None)
    page.on("pageerror", lambda e: faults.append(str(e)))
    page.goto(address)
    return page, faults


@pytest.mark.parametrize("name", ["replacement", "restoration", "locating", "data_quality"])
def test_a_strict_content_policy_forbids_nothing_a_page_needs(browser: Any, served: str, name: str) -> None:
    page, faults = open_served(browser, f"{served}/{name}?paper=A4")
    page.wait_for_function("[...document.querySelectorAll('.chart')].every((c) => c.querySelector('.main-svg'))")
    page.locator(".chart .nsewdrag").first.hover(force=True)
    page.wait_for_timeout(200)
    first = page.locator(".exhibit:has(.save)").first.get_attribute("id")
    assert [save_figure(page, first, kind)[1][:4] for kind in ("SVG", "PNG")] == [b"<svg", b"\x89PNG"]
    assert page.evaluate("document.adoptedStyleSheets.length") == 1
    page.close()
    assert faults == []


def test_names_marks_and_cells_lead_to_sheets(browser: Any, served: str, small: Any) -> None:
    first = small[1]["loop_ranking"].sort_values("rank")["loop_id"].iloc[0]
    page, faults = open_served(browser, f"{served}/replacement")
    name = page.locator("#loops-chart .ytick text", has_text=first)
    assert name.evaluate("(t) => getComputedStyle(t).cursor") == "pointer"
    for place in (name, page.locator("#loops-chart .scatterlayer .trace").last.locator(".point").first):
        place.click(force=True)
        page.wait_for_url(f"**/loop/{first}")
        page.go_back()
    page.locator("#loops details summary").first.click()
    page.locator("#loops-table a", has_text=first).press("Enter")
    page.wait_for_url(f"**/loop/{first}")
    page.goto(f"{served}/locating")
    page.locator("#errors-chart").scroll_into_view_if_needed()  # drawn when it comes into view
    mark = page.locator("#errors-chart .scatterlayer .trace").first.locator(".point").first
    mark.scroll_into_view_if_needed()
    box = mark.bounding_box()
    page.mouse.click(box["x"] + box["width"] / 2, box["y"] + box["height"] / 2)
    page.wait_for_url("**/job/*")
    assert page.url.rpartition("/")[2] in set(small[1]["locating_errors"]["job_id"])
    page.close()
    assert faults == []


def test_everything_can_be_reached_by_keyboard(browser: Any, small: Any) -> None:
    with Visit(browser, small[0] / "replacement.html") as visit:
        visit.page.keyboard.press("Tab")
        assert visit.page.evaluate("document.activeElement.className") == "skip"
        reached: set[str] = set()
        for _ in range(80):
            visit.page.keyboard.press("Tab")
            if visit.page.evaluate("document.activeElement.matches('details:not([open]) > summary')"):
                visit.page.keyboard.press("Enter")
            reached.add(visit.page.evaluate("document.activeElement.tagName"))
    assert {"A", "INPUT", "SELECT", "SUMMARY", "BUTTON"} <= reached


def test_pages_print_without_a_cut_figure(browser: Any, small: Any) -> None:
    """No chart is wider than the paper between its margins, and none is taller than a sheet."""
    for name in ("replacement", "restoration", "locating"):
        with Visit(browser, small[0] / f"{name}.html") as visit:
            visit.page.emulate_media(media="print")
            boxes = visit.page.evaluate(
                "[...document.querySelectorAll('.chart .main-svg')].map((c) => [c.getBoundingClientRect().width, "
                "c.getBoundingClientRect().height])"
            )
            for paper, (wide, high) in PAPERS.items():
                pdf = visit.page.pdf(format=paper, prefer_css_page_size=False, print_background=True)
                assert max(w for w, _ in boxes) <= wide and max(h for _, h in boxes) <= high, (name, paper)
                assert pdf.startswith(b"%PDF") and len(pdf) > 20_000, (name, paper)


@pytest.mark.parametrize("name", ["locating", "replacement", "restoration", "data_quality", "settings"])
def test_tables_print_within_the_margins(browser: Any, demo_space: Workspace, name: str) -> None:
    """On A4 between its margins, 657 px; tables that are folded away are not printed."""
    wide = int(PAPERS["A4"][0])
    with Visit(browser, demo_space.reports / f"{name}.html", width=wide) as visit:
        visit.page.emulate_media(media="print")
        visit.page.evaluate("dispatchEvent(new Event('beforeprint'))")
        too_wide = visit.page.evaluate(
            "(wide) => [...document.querySelectorAll('.scroller table')]"
            ".filter((t) => !t.closest('details:not([open])') && t.scrollWidth > wide).map((t) => t.id)",
            wide,
        )
    assert too_wide == []


@pytest.mark.usefixtures("browser")
def test_the_command_line_browser_prints_both_papers(small: Any, tmp_path: Path) -> None:
    from reports.pdf import write_pdfs

    for page in ("index.html", "methods.html", *shared_files()):
        shutil.copy(small[0] / page, tmp_path / page)
    sizes = []
    for paper in ("A4", "Letter"):
        made = write_pdfs(tmp_path, paper)
        assert [p.name for p in made] == ["index.pdf", "methods.pdf"]
        sizes.append(re.findall(rb"/MediaBox\s*\[\s*0 0 ([\d.]+) ([\d.]+)", made[0].read_bytes())[0])
    # points of 1/72 inch: A4 is 595 x 842, Letter 612 x 792 (ISO 216; ANSI/ASME Y14.1)
    assert [(round(float(w)), round(float(h))) for w, h in sizes] == [(595, 842), (612, 792)]
