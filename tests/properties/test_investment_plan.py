"""The plan on random small fleets: against every possible plan, and what must hold of any."""

from __future__ import annotations

import dataclasses
import itertools

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipelines.investment.cost_curve import trace_cost_curve
from pipelines.investment.options import list_options, read_budget
from pipelines.investment.plan import Plan, plan_years, settle_actions
from pipelines.investment.programme import arrange_fleet, choose_at_prices, find_prices
from shared.settings import Replacement
from tests.replacement_fleets import PLAIN, make_sections

RATE = 0.5


@st.composite
def fleets(draw, sections: int = 4, years: int = 2):
    rows = [
        (
            f"s{place}",
            draw(st.sampled_from(["L", "M"])),
            draw(st.integers(5, 30)) / 100,
            1.0,
            draw(st.sampled_from(["XLPE", "EPR"])),
        )
        for place in range(draw(st.integers(1, sections)))
    ]
    frame = make_sections(rows)
    expected = pd.DataFrame(
        {year: [draw(st.integers(0, 40)) / 20 for _ in rows] for year in range(years)}, index=frame["section_id"]
    )
    terms = dataclasses.replace(
        PLAIN,
        budget=1000.0 * draw(st.integers(0, 60)),
        discount_rate_pct=draw(st.sampled_from([0.0, 5.0])),
        cost_per_loop=1000.0 * draw(st.integers(0, 6)),
        programme_years=years,
        budget_km=draw(st.sampled_from([0.0, 0.0, 0.25])),
    )
    return frame, expected, terms


def best_of_all_plans(frame: pd.DataFrame, expected: pd.DataFrame, terms: Replacement) -> float:
    """Largest gain over every way to give each section at most one action in one year."""
    offers = [
        list_options(frame.assign(expected_failures=expected[year].to_numpy()), RATE, terms, 5.0, year=year)
        for year in expected.columns
    ]
    per_section = [
        [None, *((y, row) for y, offer in enumerate(offers) for row in offer.index[offer["section_id"].eq(section)])]
        for section in frame["section_id"]
    ]
    is_km, best = terms.budget_km > 0, 0.0
    for picks in itertools.product(*per_section):
        gain = 0.0
        for year, offer in enumerate(offers):
            work = offer.loc[[row for pick in picks if pick is not None for y, row in [pick] if y == year]]
            mobilising = terms.cost_per_loop * work["loop_id"].nunique()
            spent = work["length_m"].sum() / 1000 if is_km else work["cost"].sum() + mobilising
            if spent > (terms.budget_km if is_km else terms.budget) + 1e-9:
                break
            gain += work["gain"].sum() - (mobilising / (1 + terms.discount_rate_pct / 100) ** year if is_km else 0.0)
        else:
            best = max(best, gain)
    return best


def plan_of(frame: pd.DataFrame, expected: pd.DataFrame, terms: Replacement) -> Plan:
    return plan_years(frame, expected, RATE, terms, 5.0)


@given(fleets(sections=3))
@settings(max_examples=40, deadline=None, derandomize=True)
def test_no_plan_gains_more_and_the_limit_is_above(fleet) -> None:
    plan, best = plan_of(*fleet), best_of_all_plans(*fleet)
    assert plan.gain == pytest.approx(best, rel=1e-6, abs=1e-6)
    assert plan.bound >= best - 1e-6 * max(best, 1.0)


@given(fleets(sections=5, years=1))
@settings(max_examples=40, deadline=None, derandomize=True)
def test_a_plan_of_one_year_is_the_best_there_is(fleet) -> None:
    assert plan_of(*fleet).gain == pytest.approx(best_of_all_plans(*fleet), rel=1e-9, abs=1e-6)


@given(fleets(sections=6, years=3))
@settings(max_examples=60, deadline=None, derandomize=True)
def test_no_year_spends_above_its_budget_and_no_section_is_worked_on_twice(fleet) -> None:
    frame, expected, terms = fleet
    plan = plan_of(frame, expected, terms)
    work = plan.programme
    assert work["section_id"].is_unique
    assert work["programme_order"].tolist() == list(range(1, len(work) + 1))
    by_year = work.groupby("plan_year")
    if terms.budget_km > 0:
        assert (by_year["length_m"].sum() <= 1000 * terms.budget_km + 1e-6).all()
    else:
        assert (by_year["cost"].sum() + by_year["mobilising_cost"].sum() <= terms.budget + 1e-6).all()
    assert work.groupby(["plan_year", "loop_id"])["mobilising_cost"].sum().eq(terms.cost_per_loop).all()
    assert (
        not work.loc[work["action"].eq("inject"), "section_id"]
        .isin(frame.loc[frame["insulation"].eq("EPR"), "section_id"])
        .any()
    )
    chosen = plan.years[["sections_replaced", "sections_injected"]].sum(axis=1).cumsum()
    assert (chosen + plan.years["sections_waiting"]).eq(len(frame)).all()
    assert plan.years["avoided_cost"].sum() == pytest.approx(work["avoided_cost"].sum())


@given(fleets(sections=6, years=3), st.integers(1, 40))
@settings(max_examples=40, deadline=None, derandomize=True)
def test_more_budget_never_avoids_less_by_more_than_the_gap(fleet, more: int) -> None:
    frame, expected, terms = fleet
    terms = dataclasses.replace(terms, budget_km=0.0)
    richer = dataclasses.replace(terms, budget=terms.budget + 1000.0 * more)
    small, large = plan_of(frame, expected, terms), plan_of(frame, expected, richer)
    slack = 1e-6 * max(small.gain, 1.0)
    assert large.gain >= small.gain - (large.bound - large.gain) - slack
    assert large.bound >= small.gain - slack


@given(fleets(sections=6, years=3))
@settings(max_examples=40, deadline=None, derandomize=True)
def test_settled_actions_are_those_worth_most_at_the_price_of_the_whole_plan(fleet) -> None:
    frame, expected, terms = fleet
    budget = read_budget(terms)
    options = list_options(frame.assign(expected_failures=expected[0].to_numpy()), RATE, terms, 5.0)
    settled = settle_actions(options, budget, 3)
    assert not (settled.worthwhile & ~settled.best).any()
    fits = options["is_offered"] & (options["weight"] + budget.loop_weight <= budget.amount)
    assert not settled.best[~fits].any()
    # Every section that can be worked on keeps an action, and both only where they are worth the same.
    assert options.loc[fits, "section_id"].isin(options.loc[settled.best, "section_id"]).all()
    gain = options["gain"].where(fits, 0.0).to_numpy(dtype=float)[None, :]
    of_all = arrange_fleet(
        options, gain, [3 * budget.amount], loop_weight=budget.loop_weight, loop_penalty=budget.loop_penalty
    )
    price = float(find_prices(of_all)[0][0]) if len(of_all.row) else 0.0
    worth = (options["gain"] - price * options["weight"]).where(fits)
    best = worth.groupby(options["section_id"]).transform("max")
    assert (worth == best)[settled.best].all()
    # At that price about all years' budgets are spent: a little less spends more, a little more does not.
    if price > 0 and not budget.is_km:
        for factor, fit in ((1.02, True), (0.98, False)):
            ((_, spent),) = choose_at_prices(options[fits], np.array([factor * price]), loop_weight=budget.loop_weight)
            assert (spent <= 3 * budget.amount + 1e-6) == fit


@given(fleets(sections=5, years=1))
@settings(max_examples=30, deadline=None, derandomize=True)
def test_each_point_of_the_cost_curve_is_the_best_for_its_money(fleet) -> None:
    frame, expected, terms = fleet
    terms = dataclasses.replace(terms, budget=20_000.0, budget_km=0.0)
    options = list_options(frame.assign(expected_failures=expected[0].to_numpy()), RATE, terms, 5.0)
    curve = trace_cost_curve(options, terms)
    for spent, avoided in zip(curve["spent"], curve["avoided_cost"], strict=True):
        best = best_of_all_plans(frame, expected, dataclasses.replace(terms, budget=spent))
        assert avoided == pytest.approx(best)
    assert curve["spent"].is_monotonic_increasing
    assert (np.diff(curve["marginal_return"]) <= 1e-9).all()
    assert curve["avoided_cost"].to_numpy() == pytest.approx(
        (curve["marginal_return"] * curve["spent"].diff().fillna(curve["spent"])).cumsum().to_numpy()
    )
