"""A picked list served, in a browser, by command, and as files that open offline."""

from __future__ import annotations

import asyncio
import html
import re
from pathlib import Path
from urllib.parse import parse_qsl, urlsplit

import httpx
import numpy as np
import pandas as pd
import pytest
from axe_playwright_python.sync_playwright import Axe
from typer.testing import CliRunner

from pipelines import cli
from pipelines.investment.weigh import weigh
from reports.browse import make_app
from reports.pages.pick import build, gather, make_asked, resolve, sections_of
from reports.results import Results
from shared.store import Workspace
from tests.simulated.tasks_study import served

pytestmark = pytest.mark.filterwarnings("ignore:.*httpx.*")


def ask(space: Workspace, *addresses: str) -> list[httpx.Response]:
    async def all_of_them() -> list[httpx.Response]:
        transport = httpx.ASGITransport(make_app(space), raise_app_exceptions=False)
        async with httpx.AsyncClient(transport=transport, base_url="http://127.0.0.1:8410", timeout=60) as client:
            return [await client.get(address) for address in addresses]

    return asyncio.run(all_of_them())


def words_of(page: str) -> str:
    inline = re.sub(r"</?(?:a|span)\b[^>]*>", "", page)
    return re.sub(r"\s+", " ", html.unescape(re.sub(r"<[^>]+>", " ", inline)))


@pytest.fixture(scope="module")
def picked(demo_space: Workspace) -> tuple[str, str, str, str]:
    """A loop, a section of another, one retired, and another section of the loop."""
    with Results(demo_space.results) as results:
        options = results.whole.read("marts.section_options")
        gone = results.whole.read("core.section_exposure").dropna(subset=["retired_on"])["section_id"].iloc[0]
    loop, other = options["loop_id"].drop_duplicates().iloc[[0, 5]]
    sections = options.groupby("loop_id")["section_id"].first()
    return loop, sections[other], gone, sections[loop]


def test_the_page_says_the_list_and_what_does_not_count(demo_space: Workspace, picked) -> None:
    loop, section, gone, twice = picked
    empty, page, ticked = ask(
        demo_space,
        "/pick",
        f"/pick?items={loop},{section},{gone},{twice},XX&years=10",
        f"/pick?find=&years=10&items={loop}&items={section}",
    )
    assert "The list is empty." in empty.text
    said = words_of(page.text)
    options = pd.read_csv(demo_space.exports / "section_options.csv")
    rows = options[options["loop_id"].eq(loop) | options["section_id"].eq(section)]
    assert f"{len(rows)} sections on 2 loops" in said
    assert f"{gone} left service on" in said and "There is no loop or section XX" in said
    assert f"{twice} is in {loop}, which is on the list: it counts once." in said
    assert page.text.count('name="items"') == 2 and "Wait is no finding that cable is sound" in said
    cost = rows["replace_cost"].sum() + 2 * 6000  # the settings' cost of mobilising on a loop
    assert f"{cost:,.0f}" in said
    assert (ticked.status_code, ticked.headers["location"]) == (303, f"/pick?items={loop},{section}&years=10")


def test_a_search_adds_the_id_that_it_names_and_offers_others(demo_space: Workspace, picked) -> None:
    loop, section, *_ = picked
    exact, several, none, wrong = ask(
        demo_space,
        f"/pick?items={section}&find={loop.lower()}",
        f"/pick?items={section}&find={loop[:-1]}",
        f"/pick?items={section}&find=nothing-like-it",
        "/pick?items=A&years=99",
    )
    assert exact.headers["location"] == f"/pick?items={section},{loop}"
    assert several.status_code == 200 and f'name="items" value="{loop}">' in several.text
    assert "has 'nothing-like-it' in its id" in words_of(none.text)
    assert wrong.status_code == 400 and "give whole years from 1 to 40" in wrong.text


def test_every_loop_of_the_utility_is_weighed(demo_space: Workspace) -> None:
    """150 loops at once: the sums are those of the exported rows."""
    options = pd.read_csv(demo_space.exports / "section_options.csv")
    with Results(demo_space.results) as results:
        asked = make_asked(options["loop_id"].unique(), "5")
        listed = gather(results.whole, results.settings, resolve(results.whole, asked.items))
        found = weigh(listed, 5).set_index("action")
        assert "sections" in sections_of(listed, 5).finding
    assert found["avoided_cost"]["replace"] == pytest.approx(options["replace_avoided_cost"].sum(), rel=1e-6)
    assert found["avoided_cost"]["inject"] == pytest.approx(options["inject_avoided_cost"].sum(), rel=1e-6)
    ranked = pd.read_csv(demo_space.exports / "section_ranking.csv")
    assert found["expected_failures"]["wait"] == pytest.approx(ranked["expected_failures"].sum(), rel=1e-6)
    (page,) = ask(demo_space, f"/pick?{asked.query}")
    assert page.status_code == 200 and len(page.content) < 1.5e6


def run(space: Workspace, *arguments: str) -> tuple[int, str, str]:
    found = CliRunner().invoke(cli.app, [*arguments, "--workspace", str(space.folder)], catch_exceptions=True)
    return found.exit_code, found.stdout, f"{found.stderr}{found.exception or ''}"


def test_the_command_says_the_same_and_writes_it(demo_space: Workspace, picked, tmp_path: Path) -> None:
    loop, section, gone, _ = picked
    book, table = tmp_path / "list.xlsx", tmp_path / "list.csv"
    code, said, aside = run(demo_space, "weigh", loop, section, gone, "--years", "10", "--to", str(book))
    assert code == 0 and "Failures expected in 10 years" in said and f"{gone} left service" in aside
    assert "Wait is no finding that cable is sound" in said
    assert run(demo_space, "weigh", f"{loop},{section}", "--years", "10", "--to", str(table))[0] == 0
    written = pd.read_csv(table).set_index("action")
    sheets = pd.read_excel(book, sheet_name=None, engine="calamine")
    assert list(sheets) == ["actions", "waiting", "items", "sections"]
    in_book = sheets["actions"].set_index("action")
    for name in ("cost", "expected_failures_hi", "avoided_cost_lo"):
        assert in_book[name].to_numpy() == pytest.approx(written[name].to_numpy())
    assert sheets["sections"]["replace_cost"].sum() == pytest.approx(sheets["items"]["replace_cost"].sum())
    assert all(frame["caution"].str.contains("planning aid").all() for frame in sheets.values())
    assert np.isfinite(written.drop(columns=["caution", "as_of"]).loc["replace"].astype(float)).all()
    with Results(demo_space.results) as results:
        from reports.links import NOWHERE

        page = build(results.whole, results.settings, make_asked([loop, section], "10"), NOWHERE)
    lines = page.exhibits[1].tables[0].frame.set_index("measure")
    assert lines.loc["Cost, with mobilising [USD]", "replace"] == f"{written['cost']['replace']:,.0f}"
    code, _, fault = run(demo_space, "weigh", "XX")
    assert code == 1 and "none of the list is in service" in fault
    code, _, fault = run(demo_space, "weigh", loop, "--to", str(tmp_path / "list.txt"))
    assert code == 1 and "end the name in .csv or .xlsx" in fault


def test_the_page_is_written_as_a_file(demo_space: Workspace, picked, tmp_path: Path) -> None:
    loop, *_ = picked
    code, said, _ = run(demo_space, "report", "--for", f"pick?items={loop}&years=7", "--to", str(tmp_path))
    file = tmp_path / f"pick-{loop}_7-years.html"
    assert (code, said.split()) == (0, [str(file)])
    text = file.read_text("utf-8")
    assert "Failures expected in 7 years" in text and "<form" not in text and "checkbox" not in text


def test_search_tick_untick_sum_and_reload_in_a_browser(demo_space: Workspace, picked, browser) -> None:
    loop, section, *_ = picked
    with served(demo_space.folder) as base:
        for width in (1280, 390):
            context = browser.new_context(viewport={"width": width, "height": 900})
            page = context.new_page()
            faults: list[str] = []
            page.on("console", lambda said, faults=faults: faults.append(said.text) if said.type == "error" else None)
            page.on("pageerror", lambda fault, faults=faults: faults.append(str(fault)))
            page.goto(f"{base}replacement")
            page.click("a[href='/pick']")
            page.fill("#pick [name=find]", loop)  # its whole id: it is on the list at once
            with page.expect_navigation():
                page.keyboard.press("Enter")
            assert page.url == f"{base}pick?items={loop}&years=5"
            page.fill("#pick [name=find]", section.rpartition("-")[0] + "-")
            page.fill("#pick [name=years]", "12")
            with page.expect_navigation():
                page.click("#pick button")
            with page.expect_navigation():
                page.click(f"#pick .found [value='{section}']")
            page.wait_for_load_state()
            asked = dict(parse_qsl(urlsplit(page.url).query))
            assert {*asked["items"].split(",")} == {loop, section} and asked["years"] == "12"
            both = page.inner_text("#pick-items-finding")
            assert both.startswith("Sum of 2 items") and "in 12 years" in both
            page.reload()
            assert page.inner_text("#pick-items-finding") == both
            assert Axe().run(page).response["violations"] == []
            room = "document.documentElement.scrollWidth - document.documentElement.clientWidth"
            assert page.evaluate(room) <= 0
            with page.expect_navigation():
                page.click(f"#pick-items [value='{loop}']")
            page.wait_for_load_state()
            assert page.inner_text("#pick-items-finding").startswith("Sum of 1 item:")
            assert dict(parse_qsl(urlsplit(page.url).query))["items"] == section
            assert faults == []
            context.close()
