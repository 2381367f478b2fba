"""The field card in a browser works out what dig-window says."""

from __future__ import annotations

import datetime as dt
import json
import os
import re
import shutil

import pytest

from pipelines.locating.window import find_dig_window
from reports.page import shared_files
from shared.settings import Settings
from shared.store import open_warehouse, read_model

pytestmark = [pytest.mark.browser, pytest.mark.xdist_group("browser")]


@pytest.fixture(scope="module")
def page(demo_space):
    program = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
    if program is None:
        if os.environ.get("LOOPWEAR_REQUIRE_BROWSER") == "1":
            pytest.fail("LOOPWEAR_REQUIRE_BROWSER=1, but there is no chromium: apt-get install chromium")
        pytest.skip("no chromium on this machine (apt-get install chromium)")
    from playwright.sync_api import sync_playwright

    with sync_playwright() as play:
        browser = play.chromium.launch(executable_path=program, args=["--no-sandbox", "--disable-gpu"])
        opened = browser.new_page(viewport={"width": 1280, "height": 900})
        opened.goto((demo_space.reports / "locating.html").as_uri())
        yield opened
        browser.close()


def test_the_card_agrees_with_the_command(page, demo_space) -> None:
    with open_warehouse(demo_space, read_only=True) as con:
        lines = read_model(con, "fitted.locating_lines")
        used = lines[lines["instrument_id"] != ""].sort_values("readings").iloc[-1]
        asked = {"cable_class": used["cable_class"], "instrument_id": used["instrument_id"], "velocity_pct": 55.0}
        ours = find_dig_window(con, Settings(), distance_m=90.0, **asked)
    page.select_option("#card-classes select", label=used["cable_class"])
    page.select_option("#card-instrument", used["instrument_id"])
    page.fill("#card-setting", "55")
    page.fill("#card-distance", "90")
    answer = page.locator(".card-answer")
    assert float(answer.get_attribute("data-corrected")) == pytest.approx(ours.corrected_m, abs=0.02)
    windows = page.locator("#card-result table tr td:nth-child(2)").all_inner_texts()
    for text, (_, low, high) in zip(windows, ours.windows, strict=True):
        shown = [float(number) for number in re.findall(r"([\d.]+) m", text)]
        assert shown == pytest.approx([low, high], abs=0.11)
    # the same distance in feet, and the same velocity as half metres a microsecond
    page.select_option("#card-unit", "ft")
    page.fill("#card-distance", str(90 / 0.3048))
    page.select_option("#card-convention", "half_m_per_us")
    page.fill("#card-setting", str(0.55 * 299.792458 / 2))
    assert float(answer.get_attribute("data-corrected")) == pytest.approx(ours.corrected_m, abs=0.02)


def test_the_day_of_the_reading_takes_the_season_off(page, demo_space) -> None:
    with open_warehouse(demo_space, read_only=True) as con:
        carried = read_model(con, "marts.season").query("is_carried").sort_values("season_pct")
        assert len(carried), "the demo plants a season"
        classes = con.execute(
            """
            select distinct cable_class from staging.sections where insulation = ?
            and cable_class in (select cable_class from fitted.locating_lines) order by cable_class
        """,
            [carried["insulation"].iloc[-1]],
        ).fetchall()
        found = {}
        for day in (None, dt.date(2024, 2, 29), dt.date(2025, 8, 15)):
            asked = {"cable_class": classes[0][0], "velocity_pct": 55.0, "distance_m": 90.0, "on": day}
            found[day] = find_dig_window(con, Settings(), **asked).corrected_m
    page.reload()
    page.select_option("#card-classes select", label=classes[0][0])
    page.fill("#card-setting", "55")
    page.fill("#card-distance", "90")
    answer = page.locator(".card-answer")
    for day, corrected in found.items():
        page.fill("#card-day", day.isoformat() if day else "")
        assert float(answer.get_attribute("data-corrected")) == pytest.approx(corrected, abs=0.02)
        assert ("Season taken off" in page.inner_text("#card-result")) == (day is not None)
    assert len({round(c, 2) for c in found.values()}) == 3


def test_along_a_loop_it_names_the_sections_touched(page, demo_space) -> None:
    with open_warehouse(demo_space, read_only=True) as con:
        row = con.execute("""
            select loop_id, section_id, length_m from staging.sections
            where position = 1 and retired_on is null and length_m > 60 and loop_id in (
                select loop_id from staging.sections where retired_on is null group by loop_id
                having count(*) = count(distinct position)
            )
            order by loop_id
        """).fetchall()
    offered = set(page.evaluate("JSON.parse(document.getElementById('card-facts').textContent).loops.map((l) => l[0])"))
    loop, section, length = next(r for r in row if r[0] in offered)
    page.check("[name=card-way][value=loop]")
    page.fill("#card-loop", loop)
    page.select_option("#card-unit", "m")
    page.select_option("#card-convention", "percent")
    page.fill("#card-setting", "53")
    page.fill("#card-distance", str(round(length / 2, 1)))
    touched = page.locator("#card-result table tr td:nth-child(3)").first.inner_text()
    assert section in touched.split(", ")
    page.fill("#card-setting", "10")
    assert page.inner_text("#card-result").startswith("Give the setting: 30 to 80 % of c")


def test_the_printed_card_is_one_sheet_with_its_cautions(page, demo_space) -> None:
    page.goto((demo_space.reports / "locating.html").as_uri())
    page.evaluate("document.body.classList.add('card-alone')")
    for paper in ("A4", "Letter"):
        sheet = page.pdf(format=paper)
        assert len(re.findall(rb"/Type\s*/Page\b", sheet)) == 1
    first = page.locator("#field-card .caution").first
    assert "no permission to dig" in first.inner_text()
    # the answer stands below the caution
    assert first.bounding_box()["y"] < page.locator(".card-answer").bounding_box()["y"]


def test_the_card_warns_of_a_drift_and_takes_the_instruments_own_setting(page, demo_space, tmp_path) -> None:
    """On a copy of the page in which one instrument is made to drift and to stand on 57 %."""
    for name in shared_files():
        shutil.copy(demo_space.reports / name, tmp_path / name)
    text = (demo_space.reports / "locating.html").read_text(encoding="utf-8")
    start, end = re.search(r'<script type="application/json" id="card-facts">(.*?)</script>', text, re.DOTALL).span(1)
    facts = json.loads(text[start:end])
    instrument, place = next((line[0], line[1]) for line in facts["lines"] if line[0])
    facts["drifts"] = {instrument: [0.6, 2.5, "2019-12-02"]}
    facts["own_settings"] = {f"{instrument}|{place}": 57.0}
    copy = tmp_path / "locating.html"
    copy.write_text(text[:start] + json.dumps(facts) + text[end:], encoding="utf-8")
    page.goto(copy.as_uri())
    page.select_option("#card-classes select", str(place))
    page.select_option("#card-instrument", instrument)
    assert page.input_value("#card-setting") == "57"
    corrected = float(page.locator(".card-answer").get_attribute("data-corrected"))
    assert page.locator("#card-result .caution").inner_text() == (
        f"{instrument} drifts by 0.60 % a year since 2019-12-02: its latest readings are 2.5 % long of this "
        f"correction, {0.025 * corrected:.1f} m ({0.025 * corrected / 0.3048:.0f} ft) here. The windows do not take "
        "that off; have it checked on a run of known length."
    )
    page.fill("#card-setting", "54")
    assert "is 57.0 % of c; here 54.0 is taken." in page.locator("#card-result").inner_text()
    page.goto((demo_space.reports / "locating.html").as_uri())
