"""What a failure avoided costs, by hand."""

from __future__ import annotations

import dataclasses

import numpy as np
import pandas as pd
import pytest

from pipelines.investment.cost_curve import _list_prices, trace_cost_curve
from pipelines.investment.options import list_options
from tests.replacement_fleets import FAILURE, PLAIN, make_sections


def test_the_curve_of_three_loops() -> None:
    # A section each, 100 m: 10,000 and 1,000 for mobilising; two, one and half a failure in five years.
    sections = make_sections([("a", "L", 0.1, 2.0, "EPR"), ("b", "M", 0.1, 1.0, "EPR"), ("c", "N", 0.1, 0.5, "EPR")])
    curve = trace_cost_curve(list_options(sections, 0.0, PLAIN, 5.0), PLAIN)
    assert curve["curve_point"].tolist() == [1, 2]
    assert curve["spent"].tolist() == [11_000, 22_000]
    assert curve["avoided_failures"].tolist() == [2.0, 3.0]
    assert curve["cost_per_failure_avoided"].tolist() == pytest.approx([11_000 / 2, 22_000 / 3])
    assert curve["marginal_cost_per_failure_avoided"].tolist() == pytest.approx([11_000 / 2, 11_000 / 1])
    assert curve["marginal_return"].tolist() == pytest.approx(
        [2 / 5 * FAILURE * 40 / 11_000, 1 / 5 * FAILURE * 40 / 11_000]
    )
    assert curve["net_benefit"].tolist() == pytest.approx(
        [2 / 5 * FAILURE * 40 - 11_000, 3 / 5 * FAILURE * 40 - 22_000]
    )


def test_it_ends_at_twice_what_the_plan_may_spend() -> None:
    sections = make_sections([(f"s{i:02d}", f"L{i:02d}", 0.1, 2.0 - i / 30, "EPR") for i in range(30)])
    options = list_options(sections, 0.0, PLAIN, 5.0)
    one_year = dataclasses.replace(PLAIN, programme_years=1)
    # Eleven thousand a section: twice the budget of 21,000 pays for three.
    assert trace_cost_curve(options, one_year)["spent"].max() == 33_000
    assert trace_cost_curve(options, PLAIN)["spent"].max() > 100_000


def test_without_a_gain_or_a_budget_there_is_no_curve() -> None:
    sections = make_sections([("a", "L", 0.1, 0.0, "EPR")])
    assert trace_cost_curve(list_options(sections, 0.5, PLAIN, 5.0), PLAIN).empty
    broke = dataclasses.replace(PLAIN, budget=0.0)
    sections = sections.assign(expected_failures=1.0)
    assert trace_cost_curve(list_options(sections, 0.5, broke, 5.0), broke).empty
    failing = make_sections([("a", "L", 0.1, 2.0, "EPR"), ("b", "M", 0.1, 1.0, "EPR")])
    curve = trace_cost_curve(list_options(failing, 0.0, PLAIN, 5.0), PLAIN)
    assert curve[["spent", "avoided_failures"]].to_numpy().tolist() == [[11_000, 2]]


def test_it_does_not_depend_on_the_order_of_the_loops() -> None:
    sections = make_sections([(f"s{i}", f"L{i % 4}", 0.05 + i / 100, (i * 7 % 5) / 3, "XLPE") for i in range(12)])
    one, other = (
        trace_cost_curve(list_options(each, 0.5, PLAIN, 5.0), PLAIN)
        for each in (sections, sections.iloc[::-1].reset_index(drop=True))
    )
    assert one["avoided_cost"].to_numpy() == pytest.approx(other["avoided_cost"].to_numpy())
    assert np.all(one["spent"].to_numpy() == pytest.approx(other["spent"].to_numpy()))


@pytest.mark.parametrize(("budget", "years", "most"), [(10.0, 1, 40.0), (10.0, 3, 60.0), (0.1, 1, 1.0), (0.1, 3, 1.2)])
def test_prices_are_those_at_which_money_evenly_spread_is_used_up(budget: float, years: int, most: float) -> None:
    # Two thousand options of 0.03 each, 60 in all: from a twentieth of a year's budget to four times all years'.
    options = pd.DataFrame({"weight": 0.03, "gain": 0.03 * np.random.default_rng(1).permutation(np.arange(1.0, 2001))})
    terms = dataclasses.replace(PLAIN, budget=budget, programme_years=years)
    wanted = [0.05 * budget * (most / (0.05 * budget)) ** (k / 39) for k in range(40)]
    ranks = [min(int(np.ceil(money / 0.03 - 1e-9)), 2000) for money in wanted]
    found = _list_prices(options, terms)
    assert found == pytest.approx(sorted({2001.0 - rank for rank in ranks}, reverse=True), rel=1e-8)
    assert (found < np.round(found)).all()


def test_points_that_avoid_no_failure_have_no_price_of_one() -> None:
    options = pd.DataFrame(
        {
            "section_id": ["a", "b", "c", "d"],
            "loop_id": ["L", "M", "N", "O"],
            "action": ["replace", "inject", "replace", "inject"],
            "is_offered": [True, True, True, False],
            "weight": 10.0,
            "gain": [40.0, 30.0, 20.0, 90.0],
            "avoided_failures": [0.0, 0.5, 0.0, 1.0],
            "avoided_customer_minutes": [1.0, 2.0, 4.0, 8.0],
            "avoided_cost": [40.0, 30.0, 20.0, 90.0],
        }
    )
    curve = trace_cost_curve(options, dataclasses.replace(PLAIN, budget=5.0, cost_per_loop=0.0))
    assert curve["spent"].tolist() == [10, 20, 30]  # twice three years of 5
    assert curve["sections_replaced"].tolist() == [1, 1, 2]
    assert curve["sections_injected"].tolist() == [0, 1, 1]
    assert curve["loops"].tolist() == [1, 2, 3]
    assert curve["avoided_customer_minutes"].tolist() == [1, 3, 7]
    np.testing.assert_allclose(curve["cost_per_failure_avoided"], [np.nan, 20 / 0.5, 30 / 0.5])
    np.testing.assert_allclose(curve["marginal_cost_per_failure_avoided"], [np.nan, 10 / 0.5, np.nan])
    assert curve["marginal_return"].tolist() == [4, 3, 2]
    dear = dataclasses.replace(PLAIN, budget=1.0, cost_per_loop=0.0, programme_years=1)
    assert trace_cost_curve(options, dear)["spent"].tolist() == [10]  # the first point is told, however dear
