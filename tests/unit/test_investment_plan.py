"""The plan of several years: cases worked by hand."""

from __future__ import annotations

import dataclasses
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from pipelines.investment.options import Budget, can_be_injected, list_options, read_budget
from pipelines.investment.plan import Plan, forecast_years, plan_years
from pipelines.investment.tables import _list_injected, _list_paying, _list_plan, _list_prices, _list_without_injection
from pipelines.ranking.costs import FailureCosts, NewCable, annuity_factor
from pipelines.survival.model import fit_failure_model
from shared.settings import Settings
from tests.replacement_fleets import FAILURE, PLAIN, make_sections
from tests.survival_fleets import make_fleet


def forecasts(sections: pd.DataFrame, *columns: list[float]) -> pd.DataFrame:
    return pd.DataFrame(dict(enumerate(columns)), index=pd.Index(sections["section_id"]))


def test_only_buried_polyethylene_not_solid_and_not_injected_before_is_offered() -> None:
    sections = pd.DataFrame(
        [
            ("XLPE", "buried", "1/0 AL", None, True),
            ("HMWPE", "buried", None, None, True),
            ("XLPE", "duct", "1/0 AL", None, False),
            ("EPR", "buried", "1/0 AL", None, False),
            ("PILC", "buried", "350 CU", None, False),
            ("XLPE", "buried", "#2 AL Solid", None, False),
            ("XLPE", "buried", "1/0 AL", "2019-05-01", False),
            ("XLPE", "unknown", "1/0 AL", None, False),
        ],
        columns=["insulation", "installation", "conductor", "rejuvenated_on", "offered"],
    )
    assert can_be_injected(sections).tolist() == sections["offered"].tolist()


def test_an_option_by_hand() -> None:
    sections = make_sections([("a", "L", 0.2, 1.0, "XLPE")])
    found = list_options(sections, 0.5, PLAIN, 5.0).set_index("action")
    # Replacing: 1 less 0.5 / 100 x 0.2 km x 5 years = 0.995 over five years, for forty years.
    assert found.loc["replace", "avoided_failures"] == pytest.approx(0.995)
    assert found.loc["replace", "avoided_cost"] == pytest.approx(0.995 / 5 * FAILURE * 40)
    assert found.loc["replace", "cost"] == 20_000
    # Injecting leaves three tenths of the failures, for twenty years.
    assert found.loc["inject", "avoided_failures"] == pytest.approx(0.7)
    assert found.loc["inject", "avoided_customer_minutes"] == pytest.approx(0.7 * 2000)
    assert found.loc["inject", "avoided_cost"] == pytest.approx(0.7 / 5 * FAILURE * 20)
    assert found.loc["inject", "net_benefit"] == pytest.approx(0.7 / 5 * FAILURE * 20 - 8_000)
    assert found["is_paying"].to_dict() == {"inject": True, "replace": True}


def test_an_injection_shorter_than_the_horizon_avoids_failures_only_while_it_lasts() -> None:
    sections = make_sections([("a", "L", 0.2, 1.0, "XLPE")])
    short = dataclasses.replace(PLAIN, injection_years=2.0)
    found = list_options(sections, 0.5, short, 5.0).set_index("action").loc["inject"]
    assert found["avoided_failures"] == pytest.approx(0.7 * 2 / 5)


def test_a_later_year_is_discounted() -> None:
    sections = make_sections([("a", "L", 0.2, 1.0, "EPR")])
    terms = dataclasses.replace(PLAIN, discount_rate_pct=5.0)
    now, later = (list_options(sections, 0.5, terms, 5.0, year=year).iloc[0] for year in (0, 3))
    assert later["net_benefit"] == pytest.approx(now["net_benefit"] / 1.05**3)
    assert later["cost"] == now["cost"] == 20_000
    assert later["avoided_failures"] == now["avoided_failures"]


def test_the_years_are_chosen_together() -> None:
    # Money for one section a year. A is worst now; C grows worst, and is best done in the last year.
    sections = make_sections([("a", "L", 0.2, 1.0, "EPR"), ("b", "L", 0.2, 0.9, "EPR"), ("c", "M", 0.2, 0.8, "EPR")])
    expected = forecasts(sections, [1.0, 0.9, 0.8], [1.1, 1.0, 2.0], [1.2, 1.1, 3.0])
    plan = plan_years(sections, expected, 0.0, PLAIN, 5.0)
    gains = [e / 5 * FAILURE * 40 for e in (1.0, 1.0, 3.0)]  # a, b, c; b, a, c gains as much
    assert plan.programme["plan_year"].tolist() == [1, 2, 3]
    assert plan.programme["section_id"].iloc[2] == "c"
    assert plan.programme["programme_order"].tolist() == [1, 2, 3]
    # Loop L is opened in the first and in the second year, and bears its mobilising in both.
    assert plan.programme["mobilising_cost"].tolist() == [1000, 1000, 1000]
    assert plan.programme["avoided_cost"].sum() == pytest.approx(sum(gains))
    assert plan.years["spent"].tolist() == [21_000, 21_000, 21_000]
    assert plan.years["sections_waiting"].tolist() == [2, 1, 0]
    assert plan.years["waiting_km"].tolist() == pytest.approx([0.4, 0.2, 0.0])
    # All that wait return their cost of 20,000: 0.8 / 5 x 7100 x 40 = 45,440.
    assert plan.years["waiting_paying"].tolist() == [2, 1, 0]
    assert plan.years["net_benefit"].sum() == pytest.approx(sum(gains) - 3 * 21_000)
    assert plan.gain == pytest.approx(sum(gains))
    assert plan.bound == pytest.approx(plan.gain)


def test_the_better_of_replacing_and_injecting_is_taken_for_the_money_there_is() -> None:
    sections = make_sections([("a", "L", 0.2, 1.0, "XLPE")])
    expected = forecasts(sections, [1.0])
    poor, rich = (
        plan_years(sections, expected, 0.0, dataclasses.replace(PLAIN, budget=budget), 5.0) for budget in (9e3, 21e3)
    )
    # 9,000 is just enough to inject 200 m and to mobilise; with 21,000 replacing avoids twice as long and more.
    assert poor.programme["action"].tolist() == ["inject"]
    assert poor.years["injected_km"].tolist() == [0.2]
    assert poor.years["spent"].tolist() == [9_000]
    assert rich.programme["action"].tolist() == ["replace"]
    assert rich.years["replaced_km"].tolist() == [0.2]


def test_a_section_is_not_injected_in_a_year_if_the_plan_can_replace_it() -> None:
    # Two equal sections on a loop. A year of 21,000 pays for both injections (16,000 and mobilising) or for one
    # replacement; with 17,000 no replacement fits.
    sections = make_sections([("a", "L", 0.2, 1.0, "XLPE"), ("b", "L", 0.2, 1.0, "XLPE")])
    once, twice = forecasts(sections, [1.0, 1.0]), forecasts(sections, [1.0, 1.0], [1.0, 1.0])
    both = dataclasses.replace(PLAIN, budget=21_000.0, injection_years=30.0)
    # Injected for 30 years 2 x 0.7 x 30 = 42 beat 40: a year for itself injects both, two years replace both.
    alone = plan_years(sections, once, 0.0, both, 5.0)
    together = plan_years(sections, twice, 0.0, both, 5.0)
    assert alone.programme["action"].tolist() == ["inject", "inject"]
    assert together.programme["action"].tolist() == ["replace", "replace"]
    assert together.programme["plan_year"].tolist() == [1, 2]
    assert together.gain == pytest.approx(2 / 5 * FAILURE * 40)
    small = plan_years(sections, twice, 0.0, dataclasses.replace(both, budget=17_000.0), 5.0)
    assert small.programme["action"].tolist() == ["inject", "inject"]


def test_sections_are_injected_where_money_is_short_over_all_years() -> None:
    # Eight sections: two years of 21,000 replace two of them (2 x 40 years) or inject four (4 x 0.7 x 30 years).
    sections = make_sections([(f"s{place}", "L", 0.2, 1.0, "XLPE") for place in range(8)])
    terms = dataclasses.replace(PLAIN, injection_years=30.0)
    plan = plan_years(sections, forecasts(sections, [1.0] * 8, [1.0] * 8), 0.0, terms, 5.0)
    assert plan.programme["action"].tolist() == ["inject"] * 4
    assert plan.programme["plan_year"].tolist() == [1, 1, 2, 2]


def test_the_limit_counts_mobilising_on_a_loop_once() -> None:
    # Two loops, a section each, 20,000 and 6,000 for mobilising; 26,000 a year do one in each year.
    sections = make_sections([("a", "L", 0.2, 1.0, "EPR"), ("b", "M", 0.2, 1.0, "EPR")])
    terms = dataclasses.replace(PLAIN, budget=26_000.0, cost_per_loop=6_000.0)
    plan = plan_years(sections, forecasts(sections, [1.0, 1.0], [1.0, 1.0]), 0.0, terms, 5.0)
    assert plan.gain == pytest.approx(2 / 5 * FAILURE * 40)
    assert plan.bound == pytest.approx(plan.gain)


def test_nothing_is_injected_where_injection_is_said_to_do_nothing() -> None:
    sections = make_sections([("a", "L", 0.2, 1.0, "XLPE")])
    useless = dataclasses.replace(PLAIN, injection_multiplier=1.0, budget=9e3)
    plan = plan_years(sections, forecasts(sections, [1.0]), 0.0, useless, 5.0)
    assert plan.programme.empty
    assert plan.years["sections_waiting"].tolist() == [1]


def test_a_budget_in_km_counts_length_and_takes_mobilising_from_the_gain() -> None:
    sections = make_sections([("a", "L", 0.2, 1.0, "XLPE"), ("b", "M", 0.3, 1.2, "EPR"), ("c", "N", 0.1, 0.001, "EPR")])
    terms = dataclasses.replace(PLAIN, budget_km=0.6)
    plan = plan_years(sections, forecasts(sections, [1.0, 1.2, 0.001]), 0.0, terms, 5.0)
    # c would avoid 57 and mobilising on its loop costs 1,000; a is replaced, as money is not scarce.
    assert plan.programme["section_id"].tolist() == ["a", "b"]
    assert set(plan.programme["action"]) == {"replace"}
    assert plan.years["budget_km"].tolist() == [0.6]
    assert plan.years["budget"].isna().all()
    assert plan.years["spent"].tolist() == [20_000 + 30_000 + 2 * 1000]
    assert plan.gain == pytest.approx((1.0 + 1.2) / 5 * FAILURE * 40 - 2000)


def test_sections_that_return_too_little_are_not_offered() -> None:
    sections = make_sections([("a", "L", 0.2, 0.3, "EPR"), ("b", "L", 0.2, 1.0, "EPR")])
    terms = dataclasses.replace(PLAIN, least_benefit_cost_ratio=1.0, budget=1e6)
    # a returns 0.3 / 5 x 7100 x 40 = 17,040 of its 20,000.
    plan = plan_years(sections, forecasts(sections, [0.3, 1.0]), 0.0, terms, 5.0)
    assert plan.programme["section_id"].tolist() == ["b"]


def test_a_forecast_growing_at_a_steady_rate_adds_up_to_a_growing_annuity() -> None:
    # Present value of n payments growing at g, discounted at r, the first one today (any text of finance):
    # C x (1 - ((1 + g) / (1 + r))^n) / (1 - (1 + g) / (1 + r)).
    sections = make_sections([("a", "L", 0.2, 1.0, "EPR")])
    terms, growth, years = dataclasses.replace(PLAIN, discount_rate_pct=5.0), 0.03, 6
    grown = [sections.assign(expected_failures=(1 + growth) ** year) for year in range(years)]
    total = sum(list_options(each, 0.0, terms, 5.0, year=year)["avoided_cost"].sum() for year, each in enumerate(grown))
    first = 1.0 / 5 * FAILURE * annuity_factor(40.0, 5.0)
    ratio = (1 + growth) / 1.05
    assert total == pytest.approx(first * (1 - ratio**years) / (1 - ratio))


def test_without_any_gain_there_is_no_plan() -> None:
    sections = make_sections([("a", "L", 0.2, 0.0, "EPR")])
    plan = plan_years(sections, forecasts(sections, [0.0], [0.0]), 0.5, PLAIN, 5.0)
    assert plan.programme.empty
    assert (plan.gain, plan.bound, plan.gap) == (0.0, 0.0, 0.0)
    assert plan.years["plan_year"].tolist() == [1, 2]


def test_the_first_year_s_forecast_is_the_ranking_s_and_later_ones_follow_the_curve() -> None:
    history = make_fleet(4, loops=30).history
    model = fit_failure_model(history, Settings())
    years = forecast_years(model, 5.0, 3)
    known = model.forecast(5.0).set_index("section_id")["expected_failures"]
    assert years[0].loc[known.index].to_numpy() == pytest.approx(known.to_numpy())
    # Years 2 to 7 and 0 to 2 make up 0 to 7.
    both = model.forecast(7.0).set_index("section_id")["expected_failures"]
    first = model.forecast(2.0).set_index("section_id")["expected_failures"]
    assert years[2].loc[known.index].to_numpy() == pytest.approx((both - first).loc[known.index].to_numpy())


def test_what_the_first_year_buys_without_injection_is_said_beside_it() -> None:
    # Three sections that could be injected, a failure each: 21,000 replace one of 200 m with its mobilising.
    sections = make_sections([("a", "L", 0.2, 1.0, "XLPE"), ("b", "L", 0.2, 0.9, "XLPE"), ("c", "M", 0.2, 0.8, "XLPE")])
    found = {name: value for name, value, _ in _list_without_injection(sections, 0.0, PLAIN, 5.0)}
    assert found == {
        "replaced_only_gain": pytest.approx(1 / 5 * FAILURE * 40),
        "replaced_only_failures": pytest.approx(1.0),
        "replaced_only_km": pytest.approx(0.2),
    }


def test_a_year_of_the_plan_by_hand() -> None:
    sections = make_sections([("a", "L", 0.2, 1.0, "EPR"), ("b", "L", 0.1, 0.5, "XLPE"), ("c", "M", 0.25, 1, "EPR")])
    terms = dataclasses.replace(
        PLAIN, discount_rate_pct=5.0, injection_years=40.0, injection_multiplier=0.1, budget=26e3
    )
    # a replaced and b injected cost 20,000 + 4,000 + 1,000; then c, 25,000 and 1,000.
    plan = plan_years(sections, forecasts(sections, [1.0, 0.5, 0.3], [1.0, 0.5, 0.6]), 0.0, terms, 5.0)
    worth = FAILURE / 5 * annuity_factor(40.0, 5.0)
    first, second = plan.years.to_dict("records")
    assert (first["loops"], first["sections_replaced"], first["sections_injected"]) == (1, 1, 1)
    assert (first["replaced_km"], first["injected_km"], first["spent"], first["budget"]) == (0.2, 0.1, 25e3, 26e3)
    assert first["avoided_failures"] == pytest.approx(1.0 + 0.9 * 0.5)
    assert first["avoided_customer_minutes"] == pytest.approx(2000 * (1.0 + 0.9 * 0.5))
    assert first["avoided_cost"] == pytest.approx(worth * 1.45)
    assert first["net_benefit"] == pytest.approx(worth * 1.45 - 25e3)
    # c in its first year avoids less than it costs
    assert (first["sections_waiting"], first["waiting_km"], first["waiting_paying"]) == (1, 0.25, 0)
    assert second["net_benefit"] == pytest.approx((worth * 0.6 - 26e3) / 1.05)
    assert np.isnan(first["budget_km"])
    assert first["price"] >= 0 and second["price"] >= 0
    assert plan.gain == pytest.approx(worth * (1.45 + 0.6 / 1.05))
    assert plan.gap == pytest.approx(1 - plan.gain / plan.bound, abs=1e-12)
    in_km = plan_years(
        sections[::2],
        forecasts(sections[::2], [1.0, 0.3], [1.0, 0.9]),
        0.0,
        dataclasses.replace(terms, budget_km=0.25),
        5.0,
    )
    # mobilising of a later year is discounted as its gain is
    assert in_km.gain == pytest.approx(worth - 1000 + (worth * 0.9 - 1000) / 1.05)
    assert in_km.years["net_benefit"].tolist() == pytest.approx([worth - 21e3, (worth * 0.9 - 26e3) / 1.05])
    assert in_km.years["budget_km"].tolist() == [0.25, 0.25]


def test_what_is_offered_gains_and_costs() -> None:
    sections = make_sections(
        [("a", "L", 0.0, 0.5, "EPR"), ("b", "L", 0.001, 0.0, "EPR"), ("c", "L", 0.005, 1e-4, "EPR")]
    )
    assert list_options(sections, 0.0, PLAIN, 5.0)["is_offered"].tolist() == [False, False, True]
    cheap = dataclasses.replace(PLAIN, cost_per_m_buried=0.01)
    # 1e-5 / 5 x 7100 x 40 = 0.568 for 0.05
    little = sections.assign(expected_failures=1e-5)
    found = list_options(little, 0.0, cheap, 5.0)
    assert found["is_offered"].tolist() == [False, True, True]
    assert found["avoided_cost"].iloc[2] == pytest.approx(0.568)
    assert found["length_m"].tolist() == [0, 1, 5]
    ratio = found["avoided_cost"].iloc[2] / found["cost"].iloc[2]
    at, above = (dataclasses.replace(cheap, least_benefit_cost_ratio=r) for r in (ratio * (1 - 1e-12), ratio * 1.01))
    assert [list_options(little, 0.0, t, 5.0)["is_offered"].iloc[2] for t in (at, above)] == [True, False]
    even = sections.assign(length_km=0.0, expected_failures=0.0)
    assert not list_options(even, 0.0, PLAIN, 5.0)["is_paying"].any()
    assert (read_budget(PLAIN).loop_weight, read_budget(PLAIN).loop_penalty) == (1000, 0)
    in_km = read_budget(dataclasses.replace(PLAIN, budget_km=0.5))
    assert (in_km.amount, in_km.is_km, in_km.loop_weight, in_km.loop_penalty) == (0.5, True, 0, 1000)


def test_single_figures_by_hand() -> None:
    terms = dataclasses.replace(PLAIN, discount_rate_pct=5.0)
    costs = FailureCosts(pd.DataFrame(), 90.0, 14.0, 6000.0, 12)
    learned = SimpleNamespace(costs=costs, new_cable=NewCable(0.7, "P", 7, 1000.4))
    said = {name: (value, words) for name, value, words in _list_prices(learned, terms)}
    assert {name: value for name, (value, _) in said.items()} == {
        "new_cable_rate_per_100km_year": 0.7,
        "repair_cost": 6000.0,
        "minutes_per_customer": 90.0,
        "annuity_years": annuity_factor(40.0, 5.0),
        "annuity_years_injected": annuity_factor(20.0, 5.0),
    }
    assert said["new_cable_rate_per_100km_year"][1] == "7 failures in 1000 km-years of P, the class now laid most"
    assert said["repair_cost"][1] == "mean of 12 jobs that state it"
    set_ = SimpleNamespace(costs=dataclasses.replace(costs, repair_cost_jobs=0), new_cable=NewCable(0.5, None, 1, 9.0))
    assert [words.split(":")[0] for _, _, words in _list_prices(set_, terms)[:2]] == ["from the settings"] * 2

    sections = pd.DataFrame({"is_paying": [True, True, False]})
    options = pd.DataFrame(
        {"action": ["inject", "replace", "inject", "inject"], "is_paying": [True, True, False, False]}
    )
    # one replacement pays as cable grows older, two with the rate held
    assert [value for _, value, _ in _list_paying(sections, options)] == [3, 1, 2, 3, 1]

    work = pd.DataFrame(
        {
            "plan_year": [1, 1, 2],
            "loop_id": ["L", "L", "M"],
            "cost": [10.0, 20.0, 40.0],
            "mobilising_cost": [5.0, 0.0, 5.0],
        }
    )
    work["gain"] = [50.0, 40.0, 60.0]
    years = pd.DataFrame({"price": [2.5, 2.0]})
    plan = Plan(work, years, 150.0, 200.0)
    figures = _list_plan(plan, Budget(40.0, False, 5.0))
    assert [value for _, value, _ in figures] == [2, 1, 35, 90, 2.5, 150, 200, 0.25, 0, 0]
    assert _list_plan(plan, Budget(1.0, True, 5.0))[3][1] == 85
    assert not any("less mobilising" in words for _, _, words in figures)
    assert sum("less mobilising" in words for _, _, words in _list_plan(plan, Budget(1.0, True, 5.0))) == 2
    assert Plan(work, years, 0.0, 0.0).gap == Plan(work, years, 9.0, 8.0).gap == 0

    left = SimpleNamespace(factor=0.4, variation=0.5, failures=3, expected=7.5)
    found = [value for _, value, _ in _list_injected(SimpleNamespace(treatment=left, coverage=0.9))]
    # a gamma with mean 0.4 and coefficient of variation one half: shape 4
    assert found == pytest.approx([0.4, *stats.gamma.ppf([0.05, 0.95], 4, scale=0.1), 3, 7.5])
    gone = SimpleNamespace(factor=0.0, variation=0.5, failures=0, expected=0.0)
    assert [value for _, value, _ in _list_injected(SimpleNamespace(treatment=gone, coverage=0.9))][:3] == [0, 0, 0]
