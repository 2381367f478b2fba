"""Decisions laid on sections: which comes before which, what is done, and what a plan cannot keep to."""

import dataclasses
import datetime as dt

import numpy as np
import pandas as pd
import pytest

from pipelines.investment.decisions import DECISION, list_decisions, settle_decisions
from pipelines.investment.plan import plan_years
from tests.replacement_fleets import PLAIN, make_sections

SECTIONS = make_sections(
    [("a1", "A", 0.1, 1.0, "XLPE"), ("a2", "A", 0.1, 1.0, "EPR"), ("b1", "B", 0.1, 1.0, "XLPE")]
).assign(installed_on=pd.to_datetime(["1980-01-01", "2027-03-01", "1980-01-01"]), district_id=["N", "N", "S"])


def decide(*rows: str) -> pd.DataFrame:
    """Decisions from 'id loop section decision year day', - for what is empty."""
    cells = [[None if cell == "-" else cell for cell in row.split()] for row in rows]
    frame = pd.DataFrame(cells, columns=["decision_id", "loop_id", "section_id", "decision", "year", "decided_on"])
    frame["year"] = frame["year"].astype("Int64")
    return frame.assign(project_id=None, reason=None, decided_on=pd.to_datetime(frame["decided_on"]))[list(DECISION)]


def problems(found) -> dict[tuple[str, int], str]:
    return {(row.decision_id, row.place): row.problem for row in found.pairs.itertuples()}


def test_a_section_comes_before_its_loop_and_the_later_decision_before_the_earlier() -> None:
    found = settle_decisions(
        decide(
            "D1 A - replace - 2026-01-01",
            "D2 A a1 exclude - 2026-01-01",
            "D3 B - exclude - 2026-02-01",
            "D4 B - replace 2 2026-01-01",
        ),
        SECTIONS.assign(installed_on=pd.Timestamp("1980-01-01")),
        2026,
        3,
    )
    assert found.decided == ["excluded", "committed", "excluded"]
    assert problems(found) == {
        ("D2", 0): "",
        ("D1", 0): "decision D2 comes before it",
        ("D1", 1): "",
        ("D3", 2): "",
        ("D4", 2): "decision D3 comes before it",
    }


def test_years_are_of_the_calendar_or_of_the_plan() -> None:
    for year in ("2027", "2"):
        found = settle_decisions(decide(f"D1 B b1 inject {year} 2025-01-01"), SECTIONS, 2026, 3)
        assert np.argwhere(found.may[:, 2]).tolist() == [[1, 0]]
    waits = settle_decisions(decide("D1 B b1 wait 2028 2025-01-01"), SECTIONS, 2026, 3)
    assert np.argwhere(waits.may[:, 2]).tolist() == [[2, 0], [2, 1]]
    left_out = settle_decisions(decide("D1 B b1 exclude 2 2025-01-01"), SECTIONS, 2026, 3)
    assert sorted({year for year, _ in np.argwhere(left_out.may[:, 2])}) == [0, 2]
    later = settle_decisions(decide("D1 B b1 replace 2031 2025-01-01"), SECTIONS, 2026, 3)
    assert later.decided == ["free", "free", "excluded"] and set(problems(later).values()) == {""}


def test_what_cannot_be_honoured_is_said() -> None:
    found = settle_decisions(
        decide(
            "D1 A - inject - 2026-01-01",  # a2 is rubber
            "D2 A a2 replace - 2026-06-01",  # and was laid in 2027
            "D3 B b9 replace - 2026-01-01",
            "D4 B b1 replace 2024 2023-01-01",
        ),
        SECTIONS,
        2026,
        2,
    )
    assert problems(found) == {
        ("D1", 0): "",
        ("D1", 1): "the register says that it cannot be injected",
        ("D2", 1): "done",
        ("D3", -1): "no cable is in service under this id: retired, or not in the register",
        ("D4", 2): "its year is over, and the register does not show the work",
    }


def plan_with(decisions: pd.DataFrame, **terms: object):
    expected = pd.DataFrame({0: [0.5, 0.4, 1.5], 1: [0.6, 0.5, 1.6]}, index=SECTIONS["section_id"])
    some = SECTIONS.assign(installed_on=pd.Timestamp("1980-01-01"))
    settings = dataclasses.replace(PLAIN, programme_years=2, budget=30_000.0, cost_per_loop=1000.0, **terms)
    return plan_years(some, expected, 0.0, settings, 5.0, None, decisions, 2026)


def test_a_commitment_is_honoured_priced_and_what_does_not_fit_is_planned_like_any_other() -> None:
    free = plan_with(decide())
    forced = plan_with(decide("D1 A a2 replace 1 2025-01-01"))
    assert forced.programme.loc[forced.programme["decided"].eq("committed"), "section_id"].tolist() == ["a2"]
    assert forced.gain <= free.gain and forced.free_gain == pytest.approx(free.gain)
    assert 0 <= forced.prices["cost_of_it"][0] <= free.bound
    both = plan_with(decide("D1 A - replace 1 2025-01-01", "D2 B - replace 1 2025-01-01"))
    told = list_decisions(
        decide("D1 A - replace 1 2025-01-01", "D2 B - replace 1 2025-01-01"),
        both.decided,
        both.prices,
        SECTIONS,
        pd.Series([1, pd.NA, 1], dtype="Int64"),
        dt.date(2025, 12, 31),
    )
    assert "conflict" in told["outcome"].tolist() and told["conflict"].dropna().str.contains("does not fit").all()
    assert told["district_id"].tolist() == ["N", "S"]


def test_sections_decided_on_as_a_project_share_one_mobilising() -> None:
    apart = plan_with(decide("D1 A a1 replace 1 2025-01-01", "D2 B b1 inject 1 2025-01-01"))
    assert apart.programme.loc[apart.programme["plan_year"].eq(1), "mobilising_cost"].sum() == 2000.0
    shared = decide("D1 A a1 replace 1 2025-01-01", "D2 B b1 inject 1 2025-01-01").assign(project_id="P1")
    together = plan_with(shared).programme
    assert together.loc[together["plan_year"].eq(1), "mobilising_cost"].sum() == 1000.0


def test_limits_of_years_and_districts_are_kept() -> None:
    for terms in (
        {"budget_by_year": {"2026": 0.0}},
        {"most_km": 0.1},
        {"district_most": {"S": 0.0}},
        {"district_most_km": {"S": 0.0}},
        {"crew_weeks": 0.1},
        {"district_least_share": {"S": 0.15}},
    ):
        limits = plan_with(decide(), **terms).limits
        over = np.where(limits["is_least"], limits["amount"] - limits["taken"], limits["taken"] - limits["amount"])
        assert (over <= 1e-6).all(), terms
    assert plan_with(decide(), budget_by_year={"1": 0.0}).programme["plan_year"].eq(2).all()
