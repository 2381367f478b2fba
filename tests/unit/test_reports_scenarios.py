"""The page of scenarios: sentences and charts follow the rows."""

from __future__ import annotations

import pandas as pd
import pytest

from pipelines.investment.scenarios import Comparison, list_changed
from reports import page as shell
from reports.pages.scenarios import build
from shared.settings import Settings
from tests.report_marts import filled

SETTINGS = Settings()


def comparison(moved: float = -9.9) -> Comparison:
    rows = pd.DataFrame(
        {
            "scenario": ["base", *["dear"] * 3],
            "changed_setting": ["", "", "replacement.cost_per_m_buried", "replacement.budget"],
            "from_value": ["", "", "200", "3000000"],
            "to_value": ["", "", "310", "2000000"],
            "replaced_km": [10.0, 10.0 + moved, 10.0 + moved / 2, 9.0],
            "injected_km": [30.0, 36.0, 34.0, 29.0],
            "spent": [9e6, 6e6, 9e6, 6e6],
            "avoided_failures": [143.4, 120.2, 130.0, 128.0],
            "sections_changed": [0, 2, 1, 1],
            "first_year_replaced_km": [2.0, 0.1, 0.2, 1.8],
            "plan_gap": [0.001, 0.0025, 0.001, 0.001],
        }
    )
    work = pd.DataFrame({"section_id": ["a", "b"], "loop_id": "L", "length_m": [700.0, 50.0], "action": "replace"})
    work = work.assign(plan_year=[1, 2])
    sections = list_changed(work.assign(action="inject", plan_year=[2, 2]).iloc[:1], work).assign(scenario="dear")
    return Comparison(filled("scenarios.scenario_comparison", rows).fillna(0), sections)


def said(text: str) -> str:
    return shell.plain(text).replace("\u00a0", " ").replace("\u202f", " ")


def test_the_page_says_what_moved_and_which_setting_moved_it() -> None:
    page = build(comparison(), {"dear": ["general.seed"]}, 1234, SETTINGS)
    plans, changes, first, sections = page.exhibits
    assert page.summary == (
        "Set otherwise in dear, without effect on the plan: general.seed (loopwear refresh shows what they change).",
    )
    assert said(plans.finding) == (
        "dear changes the plan most: it replaces 0.1 km in place of 10.0 km and injects 36.0 km in place of 30.0 km."
    )
    assert said(plans.more[0]) == (
        "dear: 0.1 km replaced, 36.0 km injected; 120 failures avoided (143 in the base) for USD 6.00 million "
        "(USD 9.00 million); 2 sections with another action, 0 only with another year."
    )
    assert "below 0.25 % of it means nothing" in said(plans.interval) and "1,234 sections" in plans.count
    replaced, injected = plans.chart.data
    assert list(replaced.x) == pytest.approx([10.0, 0.1]) and list(injected.x) == [30.0, 36.0]
    assert list(replaced.y) == ["base<br>avoids 143 failures", "dear<br>avoids 120 failures"]
    assert said(changes.finding) == (
        "Of the settings moved alone, replacement.cost_per_m_buried (200 to 310) changes the lengths most: "
        "replaced by −5.0 km, injected by 4.0 km."
    )
    # 36 less 30 is 6: 4 and minus 1 alone, and 3 only together
    assert said(changes.more[0]).endswith("replaced by −4.0 km, injected by 3.0 km.")
    assert list(changes.chart.data[1].x) == [4.0, -1.0, 3.0]
    assert changes.chart.data[0].y[0] == "dear<br>cost per m buried<br>200 to 310"
    assert (
        said(first.finding)
        == "Replaced and injected in the first year: base 2.0 km and 0.0 km; dear 0.1 km and 0.0 km."
    )
    assert said(sections.finding) == (
        "dear: 2 sections with another action (0.8 km): 0 come in, 1 drops out, 1 has another action; "
        "0 only another year."
    )
    assert page.cautions and all(e.cautions for e in (plans, changes, sections))


def test_scenarios_that_move_nothing_say_so() -> None:
    rows = comparison().rows
    rows = pd.concat([rows.head(1), rows.head(1).assign(scenario="same")], ignore_index=True)
    page = build(Comparison(rows, comparison().sections.head(0)), {"same": []}, 5, SETTINGS)
    assert [said(exhibit.finding) for exhibit in page.exhibits if exhibit.key != "first_year"] == [
        "No scenario changes the plan."
    ] * 3
    assert page.summary == ()
