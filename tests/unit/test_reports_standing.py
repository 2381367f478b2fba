"""All pages together: without data they say what to load; with data their findings are the marts' numbers."""

from __future__ import annotations

import dataclasses
import datetime as dt
import html
import math
import os
import re
from pathlib import Path

import pandas as pd
import pytest
from scipy.stats import chi2, nbinom

from pipelines.validation.file_rules import FILE_RULES
from pipelines.validation.rules import RULES
from reports import page as shell
from reports.links import sheet_file
from reports.marts import Marts
from reports.pages import data_quality, locating, methods, replacement, restoration
from reports.render import PAGES, REFERENCES
from reports.results import Results
from reports.standing import standing_sheets, write_reports
from shared import dictionary
from shared.settings import Settings
from shared.store import Workspace, open_warehouse
from tests.report_marts import publish_small, write_pages, write_small_marts

SETTINGS = Settings().override("general", as_of=dt.date(2025, 12, 31))


@pytest.fixture(scope="module")
def pages(tmp_path_factory: pytest.TempPathFactory) -> dict[str, str]:
    """Text of every page over small marts, tags taken out, by name."""
    written = write_pages(tmp_path_factory.mktemp("site"), SETTINGS)
    return {p.stem: p.read_text(encoding="utf-8") for p in written if p.suffix == ".html"}


def text_of(page: str) -> str:
    return html.unescape(re.sub(r"<[^>]+>", " ", page))


def test_every_page_and_standing_sheet_is_written(pages: dict[str, str], tmp_path: Path) -> None:
    with Results(publish_small(tmp_path, SETTINGS)) as results:
        sheets = standing_sheets(results)
    assert [kind for kind, _ in sheets].count("loop") == 25 and ("loop", "L-000001") in sheets
    named = {sheet_file(*sheet).removesuffix(".html") for sheet in sheets}
    assert set(pages) == {key for key, _ in (*PAGES, *REFERENCES)} | named | {"card"}


def test_an_empty_warehouse_gives_pages_that_say_what_to_load(tmp_path: Path) -> None:
    with open_warehouse(Workspace(tmp_path)) as con:
        made = write_pages(tmp_path, SETTINGS, con)
    written = {p.stem: p.read_text(encoding="utf-8") for p in made if p.suffix == ".html"}
    for name in ("replacement", "restoration", "locating"):
        assert "What to do:" in written[name]
        assert "loopwear refresh" in written[name]
        assert 'data-chart="' not in written[name]
    assert text_of(written["index"]).count("To do:") == 3


class Without(Marts):
    """Marts of which one is not built."""

    gone = ""

    def read(self, name: str) -> pd.DataFrame:
        rows = super().read(name)
        return rows.iloc[:0] if name == self.gone else rows


def test_one_missing_table_never_stops_the_pages(tmp_path: Path, request: pytest.FixtureRequest) -> None:
    """Each page is made with each table it read missing in turn; LOOPWEAR_FULL=1: on the demo's warehouse."""
    if os.environ.get("LOOPWEAR_FULL") == "1":
        con = open_warehouse(request.getfixturevalue("demo_space"), read_only=True)
    else:
        con = open_warehouse(Workspace(tmp_path))
        write_small_marts(con)
    marts = Without(con)
    for module in (replacement, restoration, locating, data_quality):
        before = set(marts.names)
        module.build(marts, SETTINGS)
        for gone in sorted(set(marts.names) - before):
            marts.gone = gone
            assert module.build(marts, SETTINGS).exhibits, gone
        marts.gone = ""
    con.close()


def test_the_same_results_give_the_same_bytes(tmp_path: Path) -> None:
    first = {p.name: p.read_bytes() for p in write_pages(tmp_path / "one", SETTINGS)}
    with Results(publish_small(tmp_path, SETTINGS)) as results:
        again = write_reports(results, tmp_path / "other", tmp_path / "none")
    assert first == {p.name: p.read_bytes() for p in again}


def test_no_page_names_an_address_outside(pages: dict[str, str]) -> None:
    for name, text in pages.items():
        outside = set(re.findall(r"https?://[^\s\"'<>)]+", text)) - {"http://www.w3.org/2000/svg"}
        assert not outside, name
        assert re.findall(r'<script src="([^"]+)"', text) in (["loopwear.js"], ["plotly-basic.min.js", "loopwear.js"])


def test_every_exhibit_has_what_must_be_read_beside_it(tmp_path: Path) -> None:
    con = open_warehouse(Workspace(tmp_path))
    write_small_marts(con)
    marts = Marts(con)
    keys = []
    for module in (replacement, restoration, locating, data_quality):
        for exhibit in module.build(marts, SETTINGS).exhibits:
            keys.append((module.__name__, exhibit.key))
            if exhibit.is_absent:
                continue
            assert exhibit.finding, exhibit.key
            if exhibit.chart is not None:
                assert exhibit.tables and exhibit.definition and exhibit.count and exhibit.interval, exhibit.key
    assert len(keys) == len(set(keys))


def test_the_dictionary_page_has_every_table_and_column(pages: dict[str, str]) -> None:
    for table in dictionary.tables().values():
        assert f'id="{table.name.replace(".", "-")}"' in pages["dictionary"]
        for name in table.columns:
            assert f"<th scope=row>{name}</th>" in pages["dictionary"]


def test_the_rules_page_has_every_rule(pages: dict[str, str]) -> None:
    for rule in (*RULES, *FILE_RULES):
        assert f"<th scope=row>{rule.name}</th>" in pages["rules"]
        assert rule.example in html.unescape(pages["rules"]), rule.name


def test_the_settings_page_has_every_setting_with_the_value_in_use(tmp_path: Path) -> None:
    changed = SETTINGS.override("general", horizon_years=7.0)
    with open_warehouse(Workspace(tmp_path)) as con:
        write_pages(tmp_path, changed, con)
    made = (tmp_path / "reports" / "settings.html").read_text(encoding="utf-8")
    for section in dataclasses.fields(changed):
        for setting in dataclasses.fields(getattr(changed, section.name)):
            assert f"<th scope=row>{setting.name}</th>" in made
    assert "7.0 (set)" in made


def example(key: str) -> str:
    part = next(p for p in methods.build(SETTINGS).parts if p.key == key)
    return " ".join(part.example)


def test_the_worked_examples_are_right() -> None:
    """Each redone here another way: scipy.stats, or arithmetic written out."""
    lo, hi = chi2.ppf(0.05, 24) / 2, chi2.ppf(0.95, 26) / 2
    assert f"{lo:.2f} and" in example("rates") and f"{lo / 1.5:.1f} to {hi / 1.5:.1f}" in example("rates")
    assert "0.343 − 0.216 = 0.127" in example("power-law")
    # 1/2 x 1 + 1/4 x 2 + 1/4 x 3; 1/8 x 1 + 1/8 x 2 + 3/4 x 3; two each
    told = "= 1.75 tests; outward 2.625, halving the number of sections 2; entropy 1.75"
    assert told in example("search-order")
    assert "= 1.65 times" in example("multipliers")  # (2.857 + 4) / (2.857 + 1.3) = 6.857 / 4.157
    assert "= 10,800" in example("customer-minutes") and "= 16,800" in example("customer-minutes")
    assert "SAIDI 120 × 90 / 1,000 = 10.8" in example("indices")
    assert "= 106.2 m" in example("velocity")  # 112 x 53.1 / 56
    assert "= 5 are to be expected" in example("by-itself")  # (2 + 8) / (2 + 2) x 2
    chance = nbinom(10, 10 / (10 + 1.96 * 5))  # at the upper limit of the ratio, 3 or fewer have 5 %
    assert chance.cdf(3) == pytest.approx(0.05, abs=0.001) and "0.60 (0.15 to 1.96 at 90 %)" in example("by-itself")
    told = 2 * (2 * math.log(2 / 1.5) - 0.5 + 0.5)
    assert f"Deviance {told:.2f} against {2 * (2 * math.log(2) - 1 + 1):.2f}" in example("past-forecast")
    assert "mean step 17; limits 157.5 ± 2.66 × 17 = 112 to 203" in example("months")


def test_sentences_of_the_index_are_those_of_the_pages(pages: dict[str, str]) -> None:
    index = text_of(pages["index"])
    assert all(question in index for question in (replacement.QUESTION, restoration.QUESTION, locating.QUESTION))
    assert shell.plain("2025") in index


def test_a_page_grows_no_more_beyond_the_rows_it_shows(tmp_path: Path) -> None:
    """Without the map, which has a circle a loop up to its own bound."""
    sizes = []
    for loops in (3_400, 4_400):
        made = write_pages(tmp_path / str(loops), SETTINGS, loops=loops)
        page = next(p for p in made if p.name == "replacement.html").read_text(encoding="utf-8")
        sizes.append(len(re.sub(r"<circle[^>]*>", "", page).encode()))
    assert sizes[1] - sizes[0] < 2_000 and sizes[1] < 1e6, sizes
