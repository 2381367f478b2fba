"""The committee's brief and its appendix: two printed sides, and every number is in the figure that it leads to."""

from __future__ import annotations

import html
import re
from pathlib import Path
from typing import Any

import duckdb
import pandas as pd
import pytest

from reports.pages import appendix, brief, data_quality, replacement
from reports.pages.reference import Reference, build_settings
from reports.pdf import PAPERS, find_browser, print_page
from reports.results import Results
from reports.standing import read_comparisons, write_pages
from shared.store import Workspace

NUMBER = re.compile(r"−?\d[\d,]*(?:\.\d+)?")
SCALES = (1, 100, 1e-6)
"""A number may be said as a percentage or in millions."""


@pytest.fixture(scope="module")
def results(demo_space: Workspace) -> Results:
    return Results(demo_space.results)


def compared(n: int) -> pd.DataFrame:
    """The base and n scenarios of two settings each, as compare writes them."""
    plan = {"replaced_km": 10.7, "injected_km": 4.25, "spent": 3.1e6, "avoided_failures": 41.4, "sections_paying": 12}
    rows: list[dict[str, Any]] = [{"scenario": "base", **plan, "sections_changed": 0}]
    for k in range(n):
        rows.append({"scenario": f"dearer{k}", **plan, "replaced_km": 0.7 + k, "sections_changed": 71 + k})
        for name in ("replacement.cost_per_m_buried", "replacement.budget"):
            ends = {"changed_setting": name, "from_value": "190", "to_value": str(310 + k)}
            rows.append({"scenario": f"dearer{k}", **ends, **plan, "sections_changed": 5})
    return pd.DataFrame(rows)


def keep_compared(folder: Path, rows: pd.DataFrame, run: str) -> None:
    """Write rows as a comparison of a run."""
    folder.mkdir(parents=True)
    with duckdb.connect() as con:
        con.register("compared", rows)
        place = folder / "scenario_comparison.parquet"
        con.execute(f"copy compared to '{place}' (format parquet, kv_metadata {{run: '{run}'}})")


@pytest.fixture(scope="module")
def site(results: Results, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The brief with what it leads to, as files, and scenarios on file."""
    folder = tmp_path_factory.mktemp("brief")
    keep_compared(folder / "scenarios" / "ours", compared(2), results.run)
    keep_compared(folder / "scenarios" / "stale", compared(1).replace("dearer0", "of another run"), "0" * 16)
    write_pages(results, folder, [("brief", "")], folder / "scenarios")
    return folder


def text_of(page: str) -> str:
    inline = re.sub(r"</?(?:a|span|small)\b[^>]*>", "", page)
    return " ".join(html.unescape(re.sub(r"<[^>]+>", " ", inline)).split())


def body_of(site: Path) -> str:
    """The brief's own parts, without header, cautions and footer."""
    return " ".join(
        re.findall(r'<section class="chapter reference".*?</section>', (site / "brief.html").read_text(), re.S)
    )


def links_of(site: Path) -> list[tuple[str, str, str]]:
    """Page, figure and text of every link in the brief's parts."""
    found = re.findall(r'<a href="(\w+)\.html#([\w-]+)">(.*?)</a>', body_of(site), re.S)
    return [(page, exhibit, text_of(inside)) for page, exhibit, inside in found]


def test_every_link_leads_to_a_figure_that_is_there(site: Path) -> None:
    led = {(page, exhibit) for page, exhibit, _ in links_of(site)}
    assert {page for page, _ in led} == {"replacement", "data_quality", "settings", "appendix"}
    for page, exhibit in led:
        assert f'id="{exhibit}"' in (site / f"{page}.html").read_text(encoding="utf-8"), (page, exhibit)
        assert "What to do:" not in article_of(site, page, exhibit), (page, exhibit)


def article_of(site: Path, page: str, exhibit: str) -> str:
    text = (site / f"{page}.html").read_text(encoding="utf-8")
    kind = "article" if page in ("replacement", "data_quality") else "section"
    found = re.search(rf'<{kind} [^>]*id="{exhibit}".*?</{kind}>', text, re.DOTALL)
    assert found is not None
    return found[0]


def test_no_number_is_without_its_figure(site: Path) -> None:
    without = re.sub(r"<a [^>]*>.*?</a>", "", body_of(site), flags=re.DOTALL)
    words = re.sub(r"\d{1,2} [A-Z][a-z]+ \d{4}", "", text_of(without))  # days are of the calendar
    words = re.sub(r"dearer\d|cost_per_m|½", "", words)
    assert NUMBER.findall(words) == []
    assert len(links_of(site)) > 60


def test_every_number_is_in_the_figure_that_it_leads_to(site: Path, results: Results) -> None:
    """In its sentences or its table, as a sum of a column, as a percentage or in millions; to the digits said."""
    marts, settings = results.whole, results.settings
    pages = {"replacement": replacement, "data_quality": data_quality}
    exhibits = {(n, e.key): e for n, p in pages.items() for e in p.build(marts, settings).exhibits}
    missed = []
    for page, exhibit, text in links_of(site):
        there = {as_number(n) for n in NUMBER.findall(text_of(article_of(site, page, exhibit)))}
        for table in getattr(exhibits.get((page, exhibit)), "tables", ()):
            numbers = table.frame.select_dtypes("number")
            there |= {*numbers.to_numpy(dtype=float, na_value=0.0).ravel(), *numbers.sum().astype(float)}
        for number in NUMBER.findall(text):
            digits = len(number.partition(".")[2])
            half = 0.5001 * 10**-digits
            if not any(abs(abs(value) * scale - abs(as_number(number))) <= half for value in there for scale in SCALES):
                missed.append((page, exhibit, text, number))
    assert missed == []


def as_number(text: str) -> float:
    return float(text.replace(",", "").replace("−", "-"))


def test_the_answer_is_the_plan_of_the_results(site: Path, results: Results) -> None:
    years = results.whole.read("marts.programme_years")
    amounts = results.whole.read("marts.replacement_figures").set_index("figure")["amount"]
    said = text_of(body_of(site))
    assert (
        f"replaces {years['replaced_km'].sum():.1f} km of cable and injects {years['injected_km'].sum():.1f} km" in said
    )
    assert f"{years['spent'].sum() / 1e6:.2f} million" in said
    low, high = amounts["plan_benefit_cost_lo"], amounts["plan_benefit_cost_hi"]
    assert f"worth {amounts['plan_benefit_cost']:.2f} of what it costs ({low:.2f} to {high:.2f})" in said
    rules = results.whole.read("marts.backtest_summary").query("level == 'loop' and rule == 'most_failures'")
    held = rules[rules["length_fraction"].sub(0.1).abs().lt(1e-9) & ~rules["is_own_length"]].iloc[0]
    assert f"most failures {100 * held['capture_fraction']:.0f} (" in said
    assert str(held["verdict"]).replace("_", " ") in said


def test_scenarios_of_this_run_are_shown_and_those_of_another_are_not(site: Path) -> None:
    said, full = text_of(body_of(site)), text_of((site / "appendix.html").read_text(encoding="utf-8"))
    assert "dearer1 replacement.cost_per_m_buried 190 to 311; replacement.budget 190 to 311 1.70 4.25" in said
    assert "dearer1 replacement.cost_per_m_buried 190 311" in full
    assert "of another run" not in said + full
    assert read_comparisons(site / "scenarios", "none such").empty


@pytest.mark.parametrize("paper", PAPERS)
def test_the_brief_is_two_printed_sides_with_all_its_scenarios(results: Results, tmp_path: Path, paper: str) -> None:
    keep_compared(tmp_path / "scenarios" / "many", compared(20), results.run)
    (page,) = write_pages(results, tmp_path, [("brief", "")], tmp_path / "scenarios")
    printed = print_page(find_browser(), page, page.with_suffix(".pdf"), paper).read_bytes()
    assert len(re.findall(rb"/Type\s*/Page\b", printed)) == 2


def test_the_appendix_defines_every_figure_cited_and_lists_what_was_set(results: Results) -> None:
    cited = brief.build(results.whole, results.settings)
    made = appendix.build(results.whole, results.settings.override("replacement", budget=1.5e6))
    text = " ".join(text for part in made.parts for text in (*part.paragraphs, text_of(part.body)))
    defined = [e for p in (replacement, data_quality) for e in p.build(results.whole, results.settings).exhibits]
    places = {place.partition("#")[2] for place in brief.places_of(*cited.parts)}
    assert len(places) > 10
    for exhibit in defined:
        if exhibit.key in places:
            assert f"{exhibit.title}. {exhibit.definition}" in text
    for row in results.whole.read("marts.count_reconciliation").itertuples():
        assert f"{row.step} {str(f'{row.jobs:,}').replace('-', '−')} {row.why}" in text
    assert "replacement.budget 1500000" in text.replace(".0", "") and "replacement.budget" not in listed_of(results)


def listed_of(results: Results) -> str:
    """The settings that the appendix lists for the run as it was."""
    part = next(p for p in appendix.build(results.whole, results.settings).parts if p.key == "settings")
    return text_of(part.body)


def test_settings_that_are_cited_have_their_place_on_their_page(results: Results) -> None:
    made: Reference = build_settings(results.settings)
    assert "general" in [part.key for part in made.parts]
