"""What the replacement page says of money: findings are written from the numbers, and the figures hold them."""

from __future__ import annotations

import pandas as pd
import pytest

from reports import page as shell
from reports.page import Exhibit
from reports.pages import replacement_money as money
from shared.settings import Settings
from tests.report_marts import Given, filled, money_marts

SETTINGS = Settings().override("replacement", budget=500_000.0)


def given(tables: dict[str, pd.DataFrame], settings: Settings) -> Given:
    whole = money_marts() | tables
    return Given({name: filled(name, frame) for name, frame in whole.items()}, settings)


def said(exhibit: Exhibit) -> str:
    """A finding in plain text and plain spaces."""
    return shell.plain(exhibit.finding).replace("\u00a0", " ").replace("\u202f", " ")


def ranking() -> pd.DataFrame:
    return pd.DataFrame(
        {
            "section_id": ["a", "b", "c"],
            "loop_id": "L",
            "length_km": [0.2, 0.3, 0.5],
            "rank": [1, 2, 3],
            "expected_rate_per_100km_year": [150.0, 60.0, 5.0],
            "pays_above_per_100km_year": [100.0, 100.0, 50.0],
            "benefit_cost_ratio": [1.5, 0.6, 0.1],
        }
    )


def work() -> pd.DataFrame:
    return pd.DataFrame(
        {
            "section_id": ["a", "b", "c"],
            "loop_id": ["L", "L", "M"],
            "length_m": [200.0, 300.0, 100.0],
            "cost": [38_000.0, 16_500.0, 19_000.0],
            "mobilising_cost": [6_000.0, 0.0, 6_000.0],
            "avoided_failures": [1.5, 0.9, 0.2],
            "net_benefit": [2_000.0, 1_000.0, -9_000.0],
            "plan_year": [1, 1, 2],
            "programme_order": [1, 2, 3],
            "action": ["replace", "inject", "replace"],
        }
    )


@pytest.fixture
def exhibits() -> dict[str, Exhibit]:
    tables = given({money.SECTIONS: ranking(), money.PROGRAMME: work()}, SETTINGS)
    return {exhibit.key: exhibit for exhibit in money.section(tables, SETTINGS).exhibits}


def test_without_data_every_exhibit_says_what_to_do() -> None:
    for exhibit in money.section(Given({}), SETTINGS).exhibits:
        assert exhibit.is_absent, exhibit.key
        assert "run: loopwear refresh" in exhibit.remedy


def test_the_sections_that_pass_their_rate_are_counted(exhibits) -> None:
    text = said(exhibits["benefit"])
    assert text.startswith(
        "As cable grows older, replacing returns its cost over 40 years on 2 sections (0.5 km); the best section "
        "returns 2.00 of its cost. With the failure rate of the next 5 years held instead, it returns its cost "
        "on 1 section of 3 (0.2 km of 1.0 km); the best returns 1.50 of it."
    )
    # 150 of 100, 60 of 100 and 5 of 50: one passes, two reach half, the median is 60 %.
    assert "1 section is above, 2 reach half of it; the median section reaches 60 %." in text
    assert "Of 250 sections that can be injected, injecting returns its cost on 7." in text


def test_what_present_values_rest_on_is_said(exhibits) -> None:
    (text,) = exhibits["benefit"].more
    text = shell.plain(text).replace("\u00a0", " ").replace("\u202f", " ")
    for part in ("5 years for the failures counted", "5 % a year", "a life of 40 years", "Growth:", "Prices: USD 190"):
        assert part in text, part


def test_best_years_are_counted_and_what_waits_has_its_reason(exhibits) -> None:
    assert said(exhibits["best_year"]) == (
        "Replacing is best now on 1 section, in a later year on 1, and not within 40 years on 1. 2 sections return "
        "their cost over the life of the work and are not in the first year's work: 1 because the budget does not "
        "reach them, 1 because a later year is better."
    )
    (bars,) = exhibits["best_year"].chart.data
    assert list(bars.y) == [1, 0, 1, 0, 0, 0, 1]
    assert exhibits["best_year"].tables[0].frame["section_id"].tolist() == ["a", "b", "c"]


def test_the_years_ahead_are_said_by_budget(exhibits) -> None:
    assert said(exhibits["trajectory"]) == (
        "With nothing done, failures go from 13.0 in the first year to 14.0 (12.0 to 17.0) in year 2. With USD 500,000 "
        "every year it is 10.0 (8.0 to 13.0) then, with half of that 12.0 (10.0 to 15.0), with twice 6.0 (4.0 to 9.0)."
    )
    lines = {line.name: list(line.y) for line in exhibits["trajectory"].chart.data if line.name}
    assert lines["the budget"] == [9.0, 10.0]
    assert len(lines) == 5


def test_the_first_year_alone_is_added_up(exhibits) -> None:
    text = said(exhibits["programme"])
    # 38,000 + 16,500 + 6,000 spent; 2,000 + 1,000 less 6,000 for mobilising.
    assert text.startswith("USD 60,500 replaces 0.2 km and injects 0.3 km on 1 loop and avoids 2.4 failures")
    assert "it returns USD 3,000 less than it costs" in text
    assert (
        "The failures it avoids are worth 0.42 of its cost (0.30 to 0.60); of the whole plan 0.31 (0.20 to 0.45)."
        in text
    )
    assert "Without injection the same budget would replace 0.4 km and avoid 1.9 failures:" in text
    assert "what injection leaves, 0.20 (0.05 to 0.40) of the failures: learnt from 2 failures" in text
    assert exhibits["programme"].tables[0].extra == 1
    assert exhibits["programme"].chart.data[0].x[-1] == pytest.approx(0.0605)


def test_the_plan_adds_up_its_years(exhibits) -> None:
    text = said(exhibits["plan"])
    assert text.startswith("In 2 years at USD 500,000 each, 0.4 km are replaced and 0.7 km injected; 40 km wait.")
    assert "The work avoids 7 failures" in text
    assert "5.0 by the first year's work, 2.0 by the last's" in text
    assert "On none of the 387 sections that wait" in text
    bars = {bar.name: list(bar.y) for bar in exhibits["plan"].chart.data}
    assert bars == {"replaced": [0.3, 0.1], "injected": [0.5, 0.2]}


def test_work_that_avoids_less_than_replacing_alone_is_not_said_to_rest_on_injection() -> None:
    # the first year leaves to later years what a year for itself would replace
    figures = money_marts()["marts.replacement_figures"]
    for only, is_said in ((2.3, True), (2.5, False)):
        figures.loc[figures["figure"] == "replaced_only_failures", "amount"] = only
        made = money.section(given({money.PROGRAMME: work(), "marts.replacement_figures": figures}, SETTINGS), SETTINGS)
        (programme,) = (exhibit for exhibit in made.exhibits if exhibit.key == "programme")
        assert ("Without injection" in said(programme)) == is_said


def test_a_budget_in_km_is_said_in_km() -> None:
    settings = SETTINGS.override("replacement", budget_km=12.0)
    made = money.section(given({money.PROGRAMME: work()}, settings), settings)
    texts = {exhibit.key: said(exhibit) for exhibit in made.exhibits}
    assert texts["plan"].startswith("In 2 years at 12.0 km each, 0.4 km are replaced")
    assert "The budget is 12.0 km a year" in texts["programme"]


def test_the_cost_of_one_more_is_read_where_the_first_year_spends(exhibits) -> None:
    text = said(exhibits["cost_curve"])
    # The point at 480,000: 126,667 each, of which four tenths come back.
    assert text.startswith(
        "At about USD 480,000, one more failure avoided costs USD 126,667 and is worth USD 50,667. The first 2.0 "
        "avoided cost USD 50,000 each; at USD 900,000, where the curve ends, one more costs USD 420,000. Up to "
        "USD 100,000 the work returns its cost or more"
    )
    costs, worth, mean, first = exhibits["cost_curve"].chart.data
    assert list(costs.y) == pytest.approx([50.0, 126.667, 420.0])
    assert list(worth.y) == pytest.approx([60.0, 50.6668, 42.0])
    assert list(mean.y) == pytest.approx([50.0, 96.0, 150.0])
    assert (first.x[0], first.y[0]) == (5.0, 96.0)
