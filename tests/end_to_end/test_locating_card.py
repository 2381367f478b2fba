"""The field card in a browser: the command's answers, and what a crew does to it."""

from __future__ import annotations

import json
import re
import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import duckdb
import pytest

from reports.browse import HEADERS
from shared.store import Workspace
from shared.units import M_PER_FT, VELOCITY_PCT
from tests.simulated import card_study

pytestmark = [pytest.mark.browser, pytest.mark.xdist_group("browser")]

PHONE = {"width": 390, "height": 844}


@pytest.fixture
def card(browser, demo_space) -> Iterator[Any]:
    """A district's card on a phone; whatever it complains of or fetches fails the test."""
    page = browser.new_context(viewport=PHONE).new_page()
    faults: list[str] = []
    page.on("console", lambda m: faults.append(m.text))
    page.on("pageerror", lambda e: faults.append(str(e)))
    page.on("request", lambda r: None if r.url.startswith(("file:", "data:")) else faults.append(r.url))
    page.goto((demo_space.reports / "card-OB.html").as_uri())
    yield page
    page.context.close()
    assert faults == []


def fill(page: Any, *, place: int = 0, distance: str = "60", setting: str = "53") -> Any:
    """A reading from the first terminal of a loop; returns the loop as the card has it."""
    loop = page.evaluate(f"facts.loops[{place}]")
    page.fill("#loop", loop[0])
    page.select_option("#from", "0")
    page.select_option("#instrument", page.evaluate("Object.keys(facts.instruments).find((name) => name)"))
    page.fill("#setting", setting)
    page.fill("#distance", distance)
    return loop


def open_again(page: Any) -> None:
    """Reload once what the page keeps is kept: a second page, of another process of the browser, reads the same."""
    ask = "JSON.stringify(Object.entries(localStorage).sort())"
    kept, second = page.evaluate(ask), page.context.new_page()
    for _ in range(600):
        second.goto(page.url.replace("card-OB.html", "card.html"))
        if second.evaluate(ask) == kept:
            break
        second.wait_for_timeout(50)
    else:
        pytest.fail(f"the browser has not kept {kept}")
    second.close()
    page.reload()


def corrected(page: Any) -> float:
    return float(page.get_attribute(".found", "data-corrected"))


@pytest.mark.parametrize("with_pieces", [False, True])
def test_the_card_agrees_with_the_command(demo_space, tmp_path, with_pieces: bool) -> None:
    space = Workspace(tmp_path)
    shutil.copy(demo_space.results, space.results)
    if (
        with_pieces
    ):  # other cable in the middle of every third section, of a class that no reading passed in every sixth
        with duckdb.connect(str(space.results)) as con:
            con.execute("""
                insert into staging.section_pieces (section_id, from_m, to_m, cable_class)
                select section_id, 0.2 * length_m, 0.5 * length_m, if(hash(section_id) % 2 = 0, 'none', known)
                from staging.sections, (select min(cable_class) as known from staging.sections)
                where hash(section_id) % 3 = 0
            """)
    found, worst, searches, apart = card_study.run(tmp_path, tmp_path, cases=40, seed=8)
    assert found["answered"] > 25 and found["refused"] > 0
    assert worst < 0.001
    assert searches["weighed"] > 1 and searches["planned"] > 1
    assert apart < 0.001  # chances are written to four digits


def test_it_opens_empty_and_says_what_is_missing(card) -> None:
    assert card.eval_on_selector_all("input:not([type=radio])", "boxes => boxes.map((b) => b.value).join('')") == ""
    assert card.eval_on_selector_all("#from, #toward, #instrument", "s => s.map((b) => b.value).join('')") == ""
    assert card.is_checked("[name=by][value=loop]")
    for step, said in (
        (lambda: None, "Give the loop."),
        (lambda: card.fill("#loop", "no such loop"), "No loop of this card"),
        (lambda: card.fill("#loop", card.evaluate("facts.loops[0][0].toLowerCase()")), "Give the terminal tested from"),
        (lambda: card.select_option("#from", "0"), "Give the distance shown."),  # there is one way to go
        (lambda: card.fill("#distance", "60"), "Give the setting"),
        (lambda: card.fill("#setting", "10"), "Give the setting: 30 to 80 % of c"),
    ):
        step()
        assert said in card.inner_text("#answer")
    card.fill("#setting", "53")
    assert corrected(card) > 0


def test_the_whole_answer_is_said(card) -> None:
    loop = fill(card)
    short, more = card.inner_text("#short"), card.inner_text("#more")
    first, second = (name.replace("~", loop[0]) for name in (loop[1][0], loop[2][3]))
    assert "along the cable" in short and f"from {first} toward {second}" in short
    assert "80 % window:" in short and "One in five digs lies outside an 80 % window." in short
    assert "no permission to dig" in short
    assert re.findall(r"(\d+) %\s", more)[:1] == ["50"] and all(f"{level} %" in more for level in (50, 80, 95))
    assert loop[2][0].replace("~", loop[0]) in more
    assert re.search(r"Register as of \d+ \w+ \d{4}", more) and "53.0 % of c" in more
    assert "(100 %)" not in more


def test_a_number_is_converted_when_its_unit_changes(card) -> None:
    fill(card, distance="93.4")
    before = corrected(card)
    card.select_option("#convention", "half_m_per_us")
    assert float(card.input_value("#setting")) == pytest.approx(53 / VELOCITY_PCT["half_m_per_us"], abs=0.0006)
    assert "53 became 79.445" in card.inner_text("#said")
    card.select_option("#unit", "ft")
    assert float(card.input_value("#distance")) == pytest.approx(93.4 / M_PER_FT, abs=0.0006)
    assert corrected(card) == before and card.inner_text(".found").startswith(f"{before / M_PER_FT:.0f} ft")
    card.select_option("#convention", "percent")
    card.select_option("#unit", "m")
    assert (card.input_value("#setting"), card.input_value("#distance")) == ("53", "93.4")
    # what made no sense in the unit before was typed for the next
    card.fill("#setting", "260.5")
    card.select_option("#convention", "half_ft_per_us")
    assert card.input_value("#setting") == "260.5" and corrected(card) == pytest.approx(before, rel=0.01)


@pytest.mark.parametrize(("typed", "same"), [("93,4", "93.4"), (" 93.40 ", "93.4"), ("1.234,5", "1234.5")])
def test_a_decimal_comma_is_read(card, typed: str, same: str) -> None:
    fill(card, distance=typed)
    found = corrected(card)
    card.fill("#distance", same)
    assert corrected(card) == found


@pytest.mark.parametrize("typed", ["1,234", "-5", "ten", "0", "1.2.3", "1e3"])
def test_what_is_no_distance_gets_no_answer(card, typed: str) -> None:
    fill(card, distance=typed)
    assert "write 93.4 or 93,4" in card.inner_text("#answer") and card.inner_text("#more") == ""


def test_a_reading_in_the_blind_zone_is_called_so(card) -> None:
    fill(card, distance="6")
    assert "Inside the blind zone of a pulse of" in card.inner_text("#answer .caution >> nth=0")


def test_a_reading_in_the_blind_zone_of_the_pulse_stated_gets_no_window(card) -> None:
    fill(card, distance="30")
    width = float(card.get_attribute(".found", "data-error"))
    card.click("summary")
    assert card.get_attribute("#pulse", "placeholder") == "usual: 100"
    card.fill("#pulse", "500")
    assert "Inside the blind zone of a pulse of 500 ns" in card.inner_text("#answer")
    assert card.locator(".found").count() == 0
    card.fill("#pulse", "20 ns")
    assert "The pulse is no number from 1 to 100000 ns" in card.inner_text("#answer")
    card.fill("#pulse", "")
    card.fill("#sampling", "6")
    assert float(card.get_attribute(".found", "data-error")) > width
    open_again(card)
    assert card.is_visible("#sampling") and card.input_value("#sampling") == "6"
    card.click("#clear")
    assert card.input_value("#sampling") == "" and not card.is_visible("#sampling")


def test_it_says_where_to_test_first(card) -> None:
    place = card.evaluate("facts.halves.findIndex((halves) => halves.length === 2 && halves[0][3].length > 3)")
    loop, (a, b) = card.evaluate(f"[facts.loops[{place}], facts.halves[{place}]]")
    stops = [name.replace("~", loop[0]) for name in (loop[1][0], *(section[3] for section in loop[2:]))]
    card.check("[name=by][value=search]")
    card.fill("#loop", loop[0])
    assert card.inner_text("#answer") == "Give the half-loop that is isolated."
    card.select_option("#half", "1")  # from its own source, the far end of the loop
    assert card.locator("#tripped option").all_inner_texts() == ["not looked at", *stops[: b[2] - 1 : -1]]
    card.select_option("#half", "0")
    first, tests = card.inner_text(".found strong"), float(card.get_attribute(".found", "data-tests"))
    assert first in stops[1 : len(a[3])]
    assert card.locator("#more tbody tr").count() == len(a[3]) - 1
    assert "no permission to open or close anything" in card.inner_text("#answer .caution")
    assert "past failures of each section." in card.inner_text("#more")
    card.select_option("#tripped", "1")
    card.select_option("#untripped", "2")
    assert float(card.get_attribute(".found", "data-tests")) < tests
    assert f"{stops[1]} tripped; {stops[2]} not tripped." in card.inner_text("#more")
    card.check("[name=by][value=loop]")
    fill(card, place=place, distance="40")
    card.check("[name=by][value=search]")
    assert f"the reading of 40.0 m (131 ft) from {stops[0]} toward {stops[1]}, which puts" in card.inner_text("#more")
    said = card.inner_text("#short")
    open_again(card)
    assert card.inner_text("#short") == said


def test_a_reading_longer_than_the_cable_is_called_so(card) -> None:
    fill(card)
    run = card.evaluate("answer(readForm(), facts).run")
    assert "Longer than the cable" not in card.inner_text("#answer")
    card.fill("#distance", str(round(1.3 * run)))
    assert f"Longer than the cable on that side, which ends at {run:.1f} m" in card.inner_text("#answer")


def test_the_setting_offered_is_the_instruments_own(card) -> None:
    instruments, classes = card.evaluate("[facts.instruments, facts.classes]")
    instrument, settings = next((name, each["settings"]) for name, each in instruments.items() if each["settings"])
    place, own = next(iter(settings.items()))
    unset = next(k for k in range(len(classes)) if str(k) not in settings)
    card.check("[name=by][value=class]")
    card.select_option("#passed select", place)
    assert card.input_value("#setting") == ""  # no instrument, no setting
    card.select_option("#instrument", instrument)
    assert float(card.input_value("#setting")) == own
    card.select_option("#passed select", str(unset))
    assert card.input_value("#setting") == ""  # never the class's
    card.fill("#setting", str(round(1.2 * own, 1)))
    card.select_option("#passed select", place)
    assert float(card.input_value("#setting")) == round(1.2 * own, 1)
    card.fill("#distance", "60")
    assert f"Setting far from {instrument}'s usual {own:.1f} % of c" in card.inner_text("#answer")


def test_lengths_of_classes_are_in_the_unit_of_the_distance(card) -> None:
    card.check("[name=by][value=class]")
    card.click("#add")
    for place in (0, 1):
        card.locator("#passed select").nth(place).select_option(str(place))
    card.fill("#setting", "53")
    card.fill("#distance", "400")
    assert "Give the length of each class but the last." in card.inner_text("#answer")
    card.locator("#passed input").first.fill("100")
    found = corrected(card)
    card.select_option("#unit", "ft")
    assert float(card.locator("#passed input").first.input_value()) == pytest.approx(100 / M_PER_FT, abs=0.0006)
    assert "in feet" in card.inner_text("#passed") and corrected(card) == found


def test_a_reading_is_kept_with_its_time_and_cleared_at_one_tap(card) -> None:
    fill(card, distance="93,4")
    found, said = corrected(card), card.inner_text("#when")
    assert "Distance typed" in said
    open_again(card)
    assert (corrected(card), card.inner_text("#when"), card.input_value("#distance")) == (found, said, "93.4")
    # two days later
    key = card.evaluate("Object.keys(localStorage)[0]")
    card.evaluate(
        "(key) => { const kept = JSON.parse(localStorage[key]); kept.typed -= 49 * 3600000;"
        " localStorage[key] = JSON.stringify(kept); }",
        key,
    )
    open_again(card)
    assert "2 days ago: is it this dig's?" in card.inner_text("#when")
    card.click("#clear")
    assert card.inner_text("#answer") == "Give the loop." and card.evaluate("localStorage.length") == 0
    open_again(card)
    assert card.input_value("#distance") == card.input_value("#loop") == ""
    # what another run's card kept is not this one's
    card.evaluate('([key, other]) => localStorage.setItem(other, \'{"loop": "X"}\')', [key, key[:-3] + "abc"])
    open_again(card)
    assert card.input_value("#loop") == "" and card.evaluate("localStorage.length") == 0


def test_a_browser_that_keeps_nothing_still_answers(card) -> None:
    card.add_init_script("Object.defineProperty(window, 'localStorage', { get() { throw new Error('forbidden'); } });")
    card.reload()
    fill(card)
    card.click("#clear")
    fill(card)
    assert corrected(card) > 0


@pytest.mark.parametrize("by", ["loop", "class", "search"])
def test_on_a_phone_the_answer_is_in_sight_beside_its_caution(card, by: str) -> None:
    card.check(f"[name=by][value={by}]")
    if by == "loop":
        fill(card)
    elif by == "search":
        card.fill("#loop", card.evaluate("facts.loops[0][0]"))
        card.select_option("#half", "0")
    else:
        card.select_option("#passed select", "0")
        card.fill("#setting", "53")
        card.fill("#distance", "60")
    for height in (844, 664):  # with the bars of a phone's browser
        card.set_viewport_size({"width": 390, "height": height})
        for part in (".found", "#answer .caution", "#clear"):
            box = card.locator(part).last.bounding_box()
            assert box["y"] >= 0 and box["y"] + box["height"] <= height, (part, height)
    small = "e => e.filter((c) => c.offsetParent && c.getBoundingClientRect().height < 44).map((c) => c.outerHTML)"
    assert card.eval_on_selector_all("button, select, input:not([type=radio]), fieldset label, summary, a", small) == []
    assert card.evaluate("document.documentElement.scrollWidth") <= 390


def test_the_keyboard_alone_gets_an_answer(card) -> None:
    loop, keys = card.evaluate("facts.loops[0][0]"), card.keyboard
    keys.press("Tab")  # by terminals
    keys.press("Tab")
    keys.type(loop)
    keys.press("Escape")
    keys.press("Tab")
    keys.press("ArrowDown")  # from the first terminal; there is one way to go
    for _ in range(2):
        keys.press("Tab")
    keys.press("ArrowDown")  # an instrument
    while card.evaluate("document.activeElement.id") != "distance":
        keys.press("Tab")
    keys.type("60")
    for _ in range(2):
        keys.press("Tab")
    keys.type("53")
    assert corrected(card) > 0


def test_the_unit_of_the_page_goes_along_to_the_card(browser, demo_space) -> None:
    page = browser.new_context().new_page()
    faults: list[str] = []
    page.on("pageerror", lambda e: faults.append(str(e)))
    page.goto((demo_space.reports / "locating.html").as_uri())
    page.get_by_label("feet and miles").check()
    page.click("text=Field card for the phone")
    page.wait_for_url("**/card.html*")
    page.locator("ul.cards a[href*='units=imperial']", has_text="OB").click()  # once the page's script has run
    page.wait_for_url("**/card-OB.html*")
    assert page.input_value("#unit") == "ft"
    page.select_option("#unit", "m")
    open_again(page)
    assert page.input_value("#unit") == "m"  # chosen here since
    page.context.close()
    assert faults == []


def test_served_under_the_strict_policy_it_is_the_same(browser, demo_space) -> None:
    """The file as browse answers with it: its own script and style are let in by their hashes, nothing else is."""
    text = (demo_space.reports / "card-OB.html").read_text(encoding="utf-8")
    other = text.replace("<h1>", "<script>document.title = 'let in';</script><h1>")
    page = browser.new_page()
    page.route(
        "http://loopwear.test/*",
        lambda route: route.fulfill(
            body=other if route.request.url.endswith("other") else text, headers=HEADERS, content_type="text/html"
        ),
    )
    page.goto("http://loopwear.test/card")
    fill(page)
    assert corrected(page) > 0
    assert page.evaluate("getComputedStyle(document.querySelector('#short')).position") == "sticky"
    page.goto("http://loopwear.test/other")
    assert page.title() != "let in"
    page.close()


@pytest.mark.parametrize("paper", ["A4", "Letter"])
def test_the_printed_card_is_one_sheet_with_its_cautions(card, paper: str) -> None:
    fill(card)
    assert len(re.findall(rb"/Type\s*/Page\b", card.pdf(format=paper))) == 1


def test_it_warns_of_a_drift_and_quotes_the_back_test_of_its_own_way_class_and_band(card, demo_space, tmp_path) -> None:
    """On a copy in which an instrument is made to drift, and past digs to have been tried."""
    text = (demo_space.reports / "card-OB.html").read_text(encoding="utf-8")
    start, end = re.search(r'<script type="application/json" id="facts">(.*?)</script>', text, re.DOTALL).span(1)
    facts = json.loads(text[start:end])
    instrument, own_class = (
        next(name for name in facts["instruments"] if name),
        facts["classes"][facts["loops"][0][2][1]],
    )
    facts["instruments"][instrument]["drift"] = [[0.6, "2019-12-02"]]
    facts["tested"] = {
        "by_class|all|all|0.8": [900, 0.11, 0.1, 0.12],
        "along_loop|all|all|0.8": [200, 0.79, 0.74, 0.83],
        "along_loop|distance_band|30 to 60 m|0.5": [60, 0.52, 0.41, 0.62],
        f"along_loop|cable_class|{own_class}|0.8": [80, 0.81, 0.73, 0.87],
        f"along_loop|class_and_band|{own_class}, 30 to 60 m|0.8": [50, 0.82, 0.72, 0.89],
    }
    copy = Path(tmp_path, "card.html")
    copy.write_text(text[:start] + json.dumps(facts) + text[end:], encoding="utf-8")
    card.goto(copy.as_uri())
    fill(card, distance="50")
    assert 30 < corrected(card) < 60
    assert card.inner_text("#more .caution") == (
        f"{instrument} drifts by 0.60 % a year since 2019-12-02: the correction follows the drift to "
        f"{card.input_value('#day')}; have it checked on a run of known length."
    )
    assert card.locator("#more tbody td:nth-child(3)").all_inner_texts() == [
        "held 52 % of 60 past digs at 30 to 60 m, all classes (90 % limits 41 to 62 %)",
        f"held 82 % of 50 past digs over {own_class} at 30 to 60 m (90 % limits 72 to 89 %)",
        "fewer than 30 past digs to try it on",
    ]
