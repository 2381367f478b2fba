"""Moved inputs: one section, valued by hand; and which inputs there are."""

from __future__ import annotations

import dataclasses

import numpy as np
import pandas as pd
import pytest

from pipelines.investment.one_way_sensitivity import _share_kept, add_district_limits, vary_inputs
from pipelines.ranking.costs import NewCable, annuity_factor
from shared import dictionary
from tests.replacement_fleets import PLAIN, make_sections

NEW = NewCable(0.5, None, 0, 0.0)
TERMS = dataclasses.replace(PLAIN, discount_rate_pct=5.0, budget=1e6)


def moved_inputs(terms=TERMS, expected: float = 1.0, insulation: str = "EPR") -> pd.DataFrame:
    sections = make_sections([("a", "L", 0.2, expected, insulation)]).assign(
        district_id="D", expected_failures_lo=0.4 * expected, expected_failures_hi=2.0 * expected
    )
    districts = pd.DataFrame(
        {
            "district_id": ["D"],
            "expected_failures": [10.0],
            "expected_failures_lo": [9.0],
            "expected_failures_hi": [12.0],
        }
    )
    found = vary_inputs(add_district_limits(sections, districts), terms, NEW, 6500.0, 5.0)
    return found.set_index("input")


def net(expected=1.0, failure=7100.0, rate=0.5, years=40.0, discount=5.0, cost=20_000.0, loop=1000.0) -> float:
    return (expected - rate / 100 * 0.2 * 5) / 5 * failure * annuity_factor(years, discount) - cost - loop


def test_every_input_by_hand() -> None:
    found = moved_inputs()
    assert found["net_benefit"].to_numpy() == pytest.approx(net())
    by_hand = {
        "cost_per_m_buried": (net(cost=14_000), net(cost=26_000)),
        "cost_per_m_injected": (net(), net()),
        "cost_per_loop": (net(loop=700), net(loop=1300)),
        "repair_cost": (net(failure=0.7 * 6500 + 600), net(failure=1.3 * 6500 + 600)),
        "customer_minute_value": (net(failure=6500 + 300), net(failure=6500 + 1200)),
        "discount_rate_pct": (net(discount=3), net(discount=7)),
        "cable_life_years": (net(years=30), net(years=50)),
        "injection_years": (net(), net()),
        "injection_multiplier": (net(), net()),
        "new_cable_rate_per_100km_year": (net(rate=0.25), net(rate=1.0)),
        "expected_failures_of_sections": (net(expected=0.4), net(expected=2.0)),
        "expected_failures_of_districts": (net(expected=0.9), net(expected=1.2)),
    }
    assert set(found.index) == set(by_hand) == set(dictionary.codes()["input"])
    for name, (low, high) in by_hand.items():
        row = found.loc[name]
        assert (row["net_benefit_at_low"], row["net_benefit_at_high"]) == pytest.approx((low, high)), name
        assert row["swing"] == pytest.approx(max(low, high, net()) - min(low, high, net())), name
    assert found["swing"].is_monotonic_decreasing
    assert found.index[0] == "expected_failures_of_sections"
    # what moves nothing comes last, by name
    assert found.index[-3:].tolist() == ["cost_per_m_injected", "injection_multiplier", "injection_years"]


def test_sections_that_pay_are_counted_anew() -> None:
    # A section that returns 0.9 of its cost: a price three tenths lower makes it pay.
    expected = 0.9 * 20_000 / (7100 / 5 * annuity_factor(40.0, 5.0)) + 0.005
    found = moved_inputs(expected=expected)
    price = found.loc["cost_per_m_buried"]
    assert (price["sections_paying"], price["sections_paying_at_low"], price["sections_paying_at_high"]) == (0, 1, 0)
    assert (price["programme_paying"], price["programme_paying_at_low"]) == (0, 1)
    assert price["share_kept_at_low"] == price["share_kept_at_high"] == 1.0


def test_work_that_no_longer_gains_is_not_kept() -> None:
    # New cable that fails half as often as the old one at first, and as often when its rate is doubled.
    sections = 0.5 / 100 * 0.2 * 5
    found = moved_inputs(expected=1.9 * sections)
    assert found.loc["new_cable_rate_per_100km_year", "share_kept_at_high"] == 0.0
    assert found.loc["new_cable_rate_per_100km_year", "net_benefit_at_high"] == 0.0


def test_what_injection_leaves_can_turn_the_choice() -> None:
    tight = dataclasses.replace(TERMS, budget=9_000.0)
    found = moved_inputs(tight, insulation="XLPE")
    yearly = annuity_factor(20.0, 5.0) * 7100 / 5
    assert found.loc["injection_multiplier", "net_benefit_at_low"] == pytest.approx(0.85 * yearly - 9_000)
    assert found.loc["injection_multiplier", "net_benefit_at_high"] == pytest.approx(0.4 * yearly - 9_000)
    # Dearer by three tenths it no longer fits into the budget.
    assert found.loc["cost_per_m_injected", "share_kept_at_high"] == 0.0
    assert found.loc["cost_per_m_injected", "input_high"] == pytest.approx(52.0)


def test_without_a_programme_the_share_kept_is_unknown() -> None:
    found = moved_inputs(dataclasses.replace(TERMS, budget=0.0))
    assert found["share_kept_at_low"].isna().all()
    assert found["swing"].eq(0.0).all()


def test_every_input_s_values_are_told_and_held_where_they_can_be_used() -> None:
    found = moved_inputs()[["input_standing", "input_low", "input_high"]]
    by_hand = {
        "cost_per_m_buried": [100, 70, 130],
        "cost_per_m_injected": [40, 28, 52],
        "cost_per_loop": [1000, 700, 1300],
        "repair_cost": [6500, 4550, 8450],
        "customer_minute_value": [0.3, 0.15, 0.6],
        "discount_rate_pct": [5, 3, 7],
        "cable_life_years": [40, 30, 50],
        "injection_years": [20, 10, 30],
        "injection_multiplier": [0.3, 0.15, 0.6],
        "new_cable_rate_per_100km_year": [0.5, 0.25, 1],
        "expected_failures_of_sections": [1, 0.4, 2],
        "expected_failures_of_districts": [1, 0.9, 1.2],
    }
    for name, values in by_hand.items():
        assert found.loc[name].tolist() == pytest.approx(values), name
    near = dataclasses.replace(TERMS, discount_rate_pct=1.5, injection_years=10.5, injection_multiplier=0.6)
    held = moved_inputs(near)
    assert held.loc["discount_rate_pct", ["input_low", "input_high"]].tolist() == [0, 3.5]
    assert held.loc["injection_years", ["input_low", "input_high"]].tolist() == [1, 20.5]
    assert held.loc["injection_multiplier", ["input_low", "input_high"]].tolist() == [0.3, 1]


def test_prices_of_cable_in_duct_move_with_those_of_buried_cable() -> None:
    sections = make_sections([("a", "L", 0.2, 1.0, "EPR")]).assign(
        installation="duct", district_id="D", expected_failures_lo=0.4, expected_failures_hi=2.0
    )
    none = pd.DataFrame({f"expected_failures{end}": [0.0, 0.5] for end in ("", "_lo", "_hi")}).assign(
        district_id=["D", "E"], expected_failures_hi=[1.0, 2.0]
    )
    limits = add_district_limits(pd.concat([sections, sections.assign(district_id="E")]), none)
    # of a district that expects nothing there is no share, and its sections stay
    assert limits["district_expected_hi"].tolist() == [1, 2 / 0.5]
    found = vary_inputs(limits[:1], TERMS, NEW, 6500.0, 5.0).set_index("input").loc["cost_per_m_buried"]
    assert found["net_benefit_at_low"] == pytest.approx(net(cost=7_000))


def test_the_share_kept_is_of_the_length() -> None:
    standing = pd.DataFrame({"section_id": [1, 2], "length_m": [0.25, 0.5]})
    assert _share_kept(standing, standing[1:]) == pytest.approx(0.5 / 0.75)
    assert np.isnan(_share_kept(standing[:0], standing))
