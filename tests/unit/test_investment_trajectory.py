"""Failures a year by budget: small fleets worked by hand."""

from __future__ import annotations

import dataclasses

import numpy as np
import pandas as pd
import pytest

from pipelines.investment import trajectory
from pipelines.investment.fleet_draws import DRAWS, FleetDraws
from pipelines.investment.lifetime import Lifetime
from pipelines.investment.options import list_options, read_budget
from pipelines.investment.trajectory import YEARS, order_work_by_return, trace_budgets
from shared.settings import Replacement
from tests.replacement_fleets import PLAIN, make_sections


def trace(sections: pd.DataFrame, lifetime: Lifetime, terms: Replacement) -> pd.DataFrame:
    size = len(sections)
    nothing = FleetDraws(
        classes=["A"],
        own=np.full(size, 1e-9),
        shared=np.zeros(1),
        loop=np.zeros(size, dtype=np.int64),
        kind=np.zeros(size, dtype=np.int64),
        yearly=lifetime.old.sum(axis=1, keepdims=True),
        level=np.zeros(1),
        growth=np.zeros((len(lifetime.old), 1)),
        standard=np.zeros((2, 1, DRAWS)),
    )
    options = list_options(lifetime.add_life(sections, terms), 0.0, terms, 5.0)
    found = trace_budgets(options, lifetime, nothing, 0.0, read_budget(terms), terms, 0.9, np.random.default_rng(1))
    return found.pivot_table(index="years_of_plan", columns="budget_share", values="failures_per_year_with"), found


def test_each_year_does_what_its_money_pays_for() -> None:
    # A section a year for 21,000 (mobilising on the loop once: 20,000 afterwards); the worst first.
    sections = make_sections([("a", "L", 0.2, 1.0, "EPR"), ("b", "L", 0.2, 2.0, "EPR"), ("c", "L", 0.2, 0.5, "EPR")])
    old = np.tile([0.2, 0.4, 0.1], (60, 1))
    by_budget, rows = trace(sections, Lifetime(old, np.full(60, 0.05), np.full(3, 0.2), 5.0), PLAIN)
    assert by_budget[0.0].tolist() == pytest.approx([0.7] * YEARS)
    # b in the first year, a in the second, c in the third; a new section fails 0.2 x 0.05 = 0.01
    assert by_budget[1.0].tolist()[:4] == pytest.approx([0.31, 0.12, 0.03, 0.03])
    # half the money: b is paid for by the second year, a by the fourth, c by the sixth
    assert by_budget[0.5].tolist()[:6] == pytest.approx([0.7, 0.31, 0.31, 0.12, 0.12, 0.03])
    assert by_budget[2.0].tolist()[:3] == pytest.approx([0.12, 0.03, 0.03])
    assert set(rows["failures_per_year_without"].round(9)) == {0.7}
    assert rows["budget"].drop_duplicates().tolist() == [0.0, 10_500.0, 21_000.0, 31_500.0, 42_000.0]
    # nothing is uncertain here but what was put in for the sections
    assert rows["lo"].to_numpy() == pytest.approx(rows["failures_per_year_with"].to_numpy(), rel=1e-3)


def test_an_injection_wears_off_and_the_rate_grows() -> None:
    sections = make_sections([("a", "L", 0.2, 1.0, "XLPE")])
    old = (0.2 + 0.01 * np.arange(60.0))[:, None]
    # 9,000 a year inject it and never replace it
    terms = dataclasses.replace(PLAIN, budget=9_000.0, injection_years=10.0)
    by_budget, _ = trace(sections, Lifetime(old, np.zeros(60), np.full(1, 0.2), 5.0), terms)
    wanted = old[:YEARS, 0].copy()
    wanted[:10] *= 0.3
    assert by_budget[1.0].tolist() == pytest.approx(wanted.tolist())
    assert by_budget[0.0].tolist() == pytest.approx(old[:YEARS, 0].tolist())


def test_the_order_opens_a_loop_where_it_returns_most_and_keeps_one_action_a_section() -> None:
    sections = make_sections([("a", "L", 0.2, 1.0, "XLPE"), ("b", "M", 0.2, 3.0, "EPR"), ("c", "L", 0.1, 0.0, "EPR")])
    options = list_options(sections, 0.0, PLAIN, 5.0)
    order = order_work_by_return(options, read_budget(PLAIN), PLAIN)
    assert order.section.tolist() == [1, 0]
    # 20,000 and 1,000 for b; a, replaced or injected, and its mobilising
    assert order.spent[0] == 21_000
    assert order.spent[1] - order.spent[0] == (9_000 if order.is_injected[1] else 21_000)
    none = order_work_by_return(list_options(sections.assign(expected_failures=0.0), 0.0, PLAIN, 5.0),
                                read_budget(PLAIN), PLAIN)  # fmt: skip
    assert len(none.section) == 0
    year, _ = none.first_years(1e6, 3)
    assert (year == YEARS).all()


def test_work_that_no_budget_reaches_need_not_be_in_order(monkeypatch: pytest.MonkeyPatch) -> None:
    expected = np.random.default_rng(3).uniform(2.0, 9.0, 200)
    rows = [(f"s{k:03}", f"L{k // 2:03}", 0.1, float(each), "EPR") for k, each in enumerate(expected)]
    options, budget = list_options(make_sections(rows), 0.0, PLAIN, 5.0), read_budget(PLAIN)
    stopped = order_work_by_return(options, budget, PLAIN)
    monkeypatch.setattr(trajectory, "SHARES", (1e6,))
    whole = order_work_by_return(options, budget, PLAIN)
    assert not np.array_equal(stopped.section, whole.section)
    for share in (0.5, 2.0):
        year, _ = stopped.first_years(share * budget.amount, 200)
        assert year.tolist() == whole.first_years(share * budget.amount, 200)[0].tolist()
        assert 0 < (year < YEARS).sum() < 200
