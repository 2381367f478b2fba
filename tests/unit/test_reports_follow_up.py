"""What the page says of committed work."""

from __future__ import annotations

import pandas as pd

from reports import page as shell
from reports.page import Exhibit
from reports.pages import replacement_follow_up as page
from shared.settings import Settings
from tests.report_marts import filled

YEARS = pd.DataFrame(
    {
        "commitment_id": ["c1", "c1", "none"], "year": [2026, 2027, 2026], "sections_planned": [10, 4, 0],
        "planned_km": [1.0, 0.5, 0.0], "planned_cost": [200_000.0, 90_000.0, 0.0], "sections_done": [8, 0, 1],
        "done_km": [0.8, 0.0, 0.1], "planned_cost_of_done": [150_000.0, 0.0, 0.0], "sections_with_cost": [2, 0, 0],
        "planned_cost_where_recorded": [40_000.0, 0.0, 0.0], "cost_recorded": [46_000.0, None, None],
        "sections_done_early": [1, 0, 0], "sections_done_in_its_year": [6, 0, 0], "sections_done_late": [1, 0, 0],
        "sections_not_yet_due": [0, 4, 0], "sections_overdue": [2, 0, 0], "sections_lifted": 0,
        "sections_out_of_service": 0, "sections_regrouped": 0, "sections_done_otherwise": [1, 0, 0],
    }
)  # fmt: skip
EFFECT = pd.DataFrame(
    {
        "commitment_id": "c1", "followed_group": ["cohort", "done", "not_done"], "committed_on": "2026-01-10",
        "sections": [500, 8, 14], "section_years": [900.0, 12.0, 20.0], "seen_after": [90, 4, 3],
        "expected_without": [60.0, 6.0, 2.0], "expected_with": [None, 1.0, None],
        "expected_adjusted": [60.0, 9.0, 3.0], "effect_ratio": [1.5, 0.44, 1.0], "effect_ratio_lo": [1.3, 0.2, 0.4],
        "effect_ratio_hi": [1.7, 0.9, 2.2], "planned_ratio": [None, 0.17, None],
        "follow_verdict": ["more_failures", "less_than_planned", "as_expected"], "power": [None, 0.6, None],
        "can_tell": [None, False, None], "years_to_tell": [None, 2, None], "follow_method": "as agreed",
    }
)  # fmt: skip


def said(exhibit: Exhibit) -> str:
    return shell.plain(exhibit.finding).replace("\u00a0", " ").replace("\u202f", " ")


def test_planned_and_done_are_said_with_what_they_cost() -> None:
    told = said(page.work(filled("marts.programme_follow_up", YEARS), Settings()))
    assert told.startswith(
        "Of 14 sections committed (1.5 km, USD 290,000 estimated), 8 are done (0.8 km): 1 early, 6 in"
    )
    assert "1 section was done in another way than committed." in told
    assert "Not done: 4 not yet due, 2 overdue." in told
    assert "The 2 sections with a cost on record cost USD 46,000; USD 40,000 was estimated for them." in told
    assert "1 section (0.1 km) was worked on without a commitment." in told
    free = YEARS.assign(sections_with_cost=0)
    assert "No cost of the work is on record." in said(page.work(filled("marts.programme_follow_up", free), Settings()))


def test_what_came_of_it_says_whether_it_can_be_told() -> None:
    def told(**changed: object) -> str:
        rows = EFFECT.copy()
        for name, value in changed.items():
            rows.loc[1, name] = value
        return said(page.effect(filled("marts.follow_up_effect", rows), Settings()))

    first = told()
    assert "Since the work on 8 sections, 4 failures have come. 9.0 were to be expected without it (6.0 by" in first
    assert "Seen over expected is 0.44 (0.20 to 0.90), planned 0.17: fewer failures than without the work, but" in first
    assert (
        "cannot yet be told apart from work that does nothing (chance 60 %); at this rate it can in 2 more years."
        in first
    )
    assert "On committed sections not worked on yet, 3 failures came and 3.0 were to be expected" in first
    assert first.endswith("a section left waiting is no finding that its cable is sound.")
    assert "can by now be told apart from work that does nothing (chance 85 %)" in told(can_tell=True, power=0.85)
    assert "nor within fifteen years" in told(years_to_tell=None)
    assert told(sections=0).startswith("No committed work is done yet")


def test_the_chart_shows_ratio_limits_and_plan_and_the_method_stands_beside_it() -> None:
    exhibit = page.effect(filled("marts.follow_up_effect", EFFECT), Settings())
    seen, planned = exhibit.chart.data
    assert list(seen.y) == ["since the work", "not worked on yet", "cohort"]
    assert list(seen.x) == [0.44, 1.0, 1.5]
    assert list(seen.error_x.array) == [0.9 - 0.44, 2.2 - 1.0, 1.7 - 1.5]
    assert planned.x[0] == 0.17
    assert exhibit.definition == "as agreed"


def test_without_a_commitment_the_page_says_how_to_commit() -> None:
    for made, name in ((page.work, "programme_follow_up"), (page.effect, "follow_up_effect")):
        exhibit = made(filled(f"marts.{name}", pd.DataFrame()), Settings())
        assert exhibit.finding.startswith("No work is committed") and "loopwear commit" in exhibit.remedy
