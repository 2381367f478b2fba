"""Failures over a life, year by year, and what is made of them: cases worked by hand."""

from __future__ import annotations

import dataclasses

import numpy as np
import pandas as pd
import pytest

from pipelines.investment.lifetime import Lifetime, find_best_year, find_waits, look_ahead, weigh_years
from pipelines.investment.options import is_due, list_options
from pipelines.investment.plan import plan_years
from pipelines.ranking.costs import NewCable, annuity_factor
from pipelines.survival.model import fit_failure_model
from shared.settings import Settings
from tests.replacement_fleets import FAILURE, PLAIN, make_sections
from tests.survival_fleets import make_fleet


@pytest.fixture(scope="module")
def model():
    return fit_failure_model(make_fleet(4, loops=30).history, Settings())


def test_the_years_ahead_add_up_to_the_forecast(model) -> None:
    known = model.forecast(7.0)
    found = look_ahead(model, known["section_id"], NewCable(0.5, None, 0, 0.0), PLAIN, 5.0)
    assert found.old[:7].sum(axis=0) == pytest.approx(known["expected_failures"].to_numpy())
    later = model.forecast(30.0)["expected_failures"] - known["expected_failures"]
    assert found.old[7:30].sum(axis=0) == pytest.approx(later.to_numpy())
    # without a class of its own new cable fails as the settings say, at every age
    assert found.new == pytest.approx(0.005)
    assert found.new_km == pytest.approx(known["length_km"].to_numpy())


def test_new_cable_follows_the_curve_of_its_class_from_its_first_year(model) -> None:
    known = model.forecast(5.0)
    name = "XLPE/bare/buried"
    found = look_ahead(model, known["section_id"], NewCable(9.0, name, 50, 100.0), PLAIN, 5.0)
    sections = model.windows.sections
    mine = sections["cable_class"].eq(name).to_numpy()
    # by plain sums: each window of the class laid anew, weighed by its length
    total, length = np.zeros(40), 0.0
    for window in np.flatnonzero(mine[model.windows.owner]):
        code = np.full(41, model.codes[window])
        km = model.windows.km[window]
        total += km * np.diff(model.curves.cumulative(code, np.arange(41.0)))
        length += km
    level = model.class_level[mine].mean()
    assert found.new[:40] == pytest.approx(level * total / length)
    assert found.new[30] > 2 * found.new[2]
    place = pd.Index(sections["section_id"]).get_indexer(known["section_id"])
    assert found.new_km == pytest.approx(known["length_km"].to_numpy() * model.end_factor[place])


def flat(sections: pd.DataFrame, years: int = 60, new: float = 0.005) -> Lifetime:
    yearly = sections["expected_failures"].to_numpy() / 5.0
    return Lifetime(np.tile(yearly, (years, 1)), np.full(years, new), sections["length_km"].to_numpy(), 5.0)


def test_a_rate_that_does_not_grow_is_the_flat_reading() -> None:
    sections = make_sections([("a", "L", 0.2, 1.0, "XLPE"), ("b", "M", 0.1, 0.3, "EPR")])
    terms = dataclasses.replace(PLAIN, discount_rate_pct=5.0)
    grown = flat(sections).add_life(sections, terms, 3)
    pd.testing.assert_frame_equal(
        list_options(grown, 99.0, terms, 5.0, year=3), list_options(sections, 0.5, terms, 5.0, year=3)
    )


def test_a_rate_that_grows_is_summed_year_by_year() -> None:
    # 0.1 a year at first, 0.01 more each year; new cable 0.001 a km more each year, 0.3 km with its ends
    sections = make_sections([("a", "L", 0.2, 1.0, "XLPE")])
    old = 0.1 + 0.01 * np.arange(60.0)
    lifetime = Lifetime(old[:, None], 0.001 * np.arange(60.0), np.array([0.3]), 5.0)
    found = list_options(lifetime.add_life(sections, PLAIN, 2), 0.5, PLAIN, 5.0, year=2).set_index("action")
    # years 2 to 41 of the old cable, 0 to 39 of the new
    replaced = 40 * 0.1 + 0.01 * (41 * 42 / 2 - 1) - 0.3 * 0.001 * 39 * 40 / 2
    assert found.loc["replace", "avoided_cost"] == pytest.approx(replaced * FAILURE)
    assert found.loc["replace", "avoided_failures"] == pytest.approx(1.0 - 0.3 * 0.001 * (1 + 2 + 3 + 4))
    # injected: seven tenths of years 2 to 21
    injected = 0.7 * (20 * 0.1 + 0.01 * (21 * 22 / 2 - 1))
    assert found.loc["inject", "avoided_cost"] == pytest.approx(injected * FAILURE)


def test_beyond_the_last_year_looked_at_the_rate_stays() -> None:
    sections = make_sections([("a", "L", 0.2, 1.0, "EPR")])
    lifetime = Lifetime(np.array([[1.0], [2.0]]), np.array([0.0]), np.ones(1), 5.0)
    assert lifetime.add_life(sections, PLAIN)["life_failures"].item() == pytest.approx(1 + 39 * 2)


def test_a_horizon_of_part_of_a_year_counts_that_part() -> None:
    lifetime = Lifetime(np.ones((9, 1)), np.array([0.1, 0.2, 0.4]), np.ones(1), 2.5)
    assert lifetime.new_in_horizon == pytest.approx(0.1 + 0.2 + 0.5 * 0.4)
    assert weigh_years(2.5, 0.0).tolist() == [1.0, 1.0, 0.5]


def test_sections_that_never_pay_are_told_without_looking_at_each_year() -> None:
    rng = np.random.default_rng(5)
    lifetime = Lifetime(
        np.cumsum(rng.gamma(0.1, 0.05, (60, 200)), axis=0), 1e-4 * np.arange(60), rng.uniform(0.1, 0.3, 200), 5.0
    )
    cost, each = rng.uniform(1e4, 6e4, 200), rng.uniform(5e3, 3e4, 200)
    terms = dataclasses.replace(PLAIN, discount_rate_pct=5.0)
    waits = find_waits(lifetime, cost, each, dataclasses.replace(terms, least_benefit_cost_ratio=1.0))
    assert waits.tolist() == find_best_year(lifetime, cost, each, terms).wait_years.tolist()
    # a plan of three years that spends its budget need only know who is best replaced within it
    soon = find_waits(lifetime, cost, each, terms)
    known = (waits >= 0) & (waits < terms.programme_years)
    assert soon[known].tolist() == waits[known].tolist()
    assert not ((soon >= 0) & (soon < terms.programme_years))[~known].any()
    assert known.any()
    assert (waits == -1).any()
    assert (waits == 0).any()
    assert (waits > 5).any()


def growing(rates: list[tuple[float, float]]) -> Lifetime:
    """Sections whose failures a year begin at one number and jump to another after two years."""
    old = np.array([[first] * 2 + [then] * 58 for first, then in rates]).T
    return Lifetime(old, np.zeros(60), np.full(len(rates), 0.2), 5.0)


def test_a_section_waits_for_its_best_year_if_the_plan_reaches_it() -> None:
    # Each costs 20,000, 500 a year over forty years; a failure 7,100: it pays from 0.0704 a year.
    sections = make_sections([("a", "L", 0.2, 0.5, "EPR"), ("b", "L", 0.2, 0.25, "EPR"), ("c", "L", 0.2, 0.2, "EPR")])
    lifetime = growing([(0.1, 0.1), (0.05, 0.2), (0.04, 0.04)])
    terms = dataclasses.replace(PLAIN, budget=100_000.0)
    costs = np.full(3, 20_000.0), np.full(3, FAILURE)
    assert find_waits(lifetime, *costs, terms).tolist() == [0, 2, -1]
    expected = pd.DataFrame({year: [0.5, 0.25, 0.2] for year in range(3)}, index=sections["section_id"])
    plan = plan_years(sections, expected, 0.0, terms, 5.0, lifetime).programme.set_index("section_id")
    # c never pays, but the budget is there; b waits for the third year though it would gain most.
    assert plan["plan_year"].to_dict() == {"a": 1, "c": 1, "b": 3}
    assert plan.loc["b", "avoided_cost"] == pytest.approx(0.2 * 40 * FAILURE)
    only = dataclasses.replace(terms, least_benefit_cost_ratio=1.0, programme_years=2)
    short = plan_years(sections, expected[[0, 1]], 0.0, only, 5.0, lifetime).programme
    assert short["section_id"].tolist() == ["a"]
    # in a plan of two years that spends its budget, b is work like any other
    spent = plan_years(
        sections, expected[[0, 1]], 0.0, dataclasses.replace(only, least_benefit_cost_ratio=0.0), 5.0, lifetime
    )
    assert set(spent.programme["section_id"]) == {"a", "b", "c"}


def test_an_injection_waits_for_nothing() -> None:
    options = pd.DataFrame({"action": ["inject", "replace", "replace", "replace"]})
    waits = np.array([2, 2, -1, 0])
    assert is_due(options, waits, PLAIN, 0).tolist() == [True, False, True, True]
    assert is_due(options, waits, PLAIN, 2).all()
    assert is_due(options, None, PLAIN, 0).all()


def test_present_values_are_at_the_discount_rate() -> None:
    sections = make_sections([("a", "L", 0.2, 1.0, "EPR")])
    terms = dataclasses.replace(PLAIN, discount_rate_pct=5.0)
    found = flat(sections).add_life(sections, terms)
    assert found["life_failures"].item() == pytest.approx(0.2 * annuity_factor(40.0, 5.0))
    assert found["new_life_failures"].item() == pytest.approx(0.005 * 0.2 * annuity_factor(40.0, 5.0))
    assert found["injected_failures"].item() == pytest.approx(0.2 * annuity_factor(20.0, 5.0))
