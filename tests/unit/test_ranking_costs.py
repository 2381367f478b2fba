"""What a failure costs and what replacing buys: cases worked by hand."""

from __future__ import annotations

import dataclasses

import numpy as np
import pandas as pd
import pytest

from pipelines.ranking.costs import (
    KINDS,
    add_consequences,
    annuity_factor,
    find_new_cable,
    learn_failure_costs,
    value_sections,
)
from shared.settings import Replacement

TERMS = Replacement()


def jobs_of(rows: list[tuple[str, str, float | None, float | None, float | None]]) -> pd.DataFrame:
    return pd.DataFrame(
        rows, columns=["district_id", "configuration", "customers_interrupted", "customer_minutes", "repair_cost"]
    )


def test_minutes_a_customer_are_a_ratio_of_sums() -> None:
    jobs = jobs_of([("D", "loop", 10, 1000, 5000), ("D", "loop", 90, 3000, 7000)])
    costs = learn_failure_costs(jobs, TERMS, small_group=2)
    assert costs.fleet_minutes_per_customer == (1000 + 3000) / (10 + 90)
    assert costs.repair_cost == (5000 + 7000) / 2
    assert costs.repair_cost_jobs == 2
    assert costs.fleet_customers_interrupted == (10 + 90) / 2


def test_only_jobs_with_customers_and_no_negative_minutes_say_how_long_one_is_out() -> None:
    # one customer counts, nobody out does not; no minutes at all count, minutes below nought do not
    jobs = jobs_of([("D", None, 1, 60, None), ("D", "loop", 0, 900, None), ("D", "loop", 9, -0.5, None)])
    costs = learn_failure_costs(jobs, TERMS, small_group=1)
    assert (costs.fleet_minutes_per_customer, costs.fleet_customers_interrupted) == (60, 1)
    assert costs.minutes_per_customer.to_numpy().tolist() == [["D", "unknown", 1, 60]]
    also = learn_failure_costs(pd.concat([jobs, jobs_of([(None, "loop", 3, 0, None)])]), TERMS, small_group=1)
    assert (also.fleet_minutes_per_customer, also.fleet_customers_interrupted) == (60 / (1 + 3), (1 + 3) / 2)
    # a job without a district is a group of its own
    assert also.minutes_per_customer["minutes_per_customer"].tolist() == [60, 0]
    none = learn_failure_costs(jobs[1:], TERMS, small_group=1)
    assert (none.fleet_minutes_per_customer, none.fleet_customers_interrupted) == (0, 0)


def test_a_small_group_takes_its_configuration_s_figure_then_the_fleet_s() -> None:
    few = [("E", "loop", 10, 9000, None), ("E", "radial", 10, 4000, None)]
    jobs = jobs_of([("D", "loop", 10, 1000, None)] * 5 + few)
    costs = learn_failure_costs(jobs, TERMS, small_group=3)
    found = costs.minutes_per_customer.set_index(["district_id", "configuration"])["minutes_per_customer"]
    assert found["D", "loop"] == 5000 / 50
    assert found["E", "loop"] == (5000 + 9000) / 60
    assert found["E", "radial"] == (5000 + 9000 + 4000) / 70
    assert costs.repair_cost == TERMS.repair_cost
    assert costs.repair_cost_jobs == 0


def test_a_failure_interrupts_the_half_loop() -> None:
    jobs = jobs_of([("D", "loop", 10, 1000, None)] * 3)
    costs = learn_failure_costs(jobs, TERMS, small_group=3)
    sections = pd.DataFrame(
        {
            "section_id": ["s1", "s2", "s3", "s4", "s5"],
            "loop_id": ["L", "L", "L", "M", "N"],
            "half_loop_id": ["L/A", "L/A", "L/B", "M", "N"],
            "district_id": "D",
            "configuration": ["loop", "loop", "loop", "radial", "loop"],
            "customers": [6.0, 8.0, 5.0, None, None],
            "loop_customers": [19.0, 19.0, 19.0, 30.0, None],
        }
    )
    found = add_consequences(sections, costs)
    # Half-loop A has 6 + 8; the radial all of its 30; nothing is known of N but the fleet's mean of 10.
    assert found["customers_interrupted_per_failure"].tolist() == [14, 14, 5, 30, 10]
    assert found["customer_minutes_per_failure"].tolist() == [1400, 1400, 500, 30 * 100, 1000]
    # one customer is a customer; a half-loop without any takes half the loop's; an unknown configuration is a loop
    few = sections.assign(customers=[0.0, 0.0, 1.0, None, None], configuration=None).iloc[[0, 1, 2, 3]]
    assert add_consequences(few, costs)["customers_interrupted_per_failure"].tolist() == [9.5, 9.5, 1, 15]
    slow = dataclasses.replace(
        costs,
        minutes_per_customer=pd.DataFrame(
            {"district_id": ["D"], "configuration": ["unknown"], "minutes_per_customer": [7.0]}
        ),
    )
    assert add_consequences(few, slow)["customer_minutes_per_failure"].tolist() == [9.5 * 7, 9.5 * 7, 7, 15 * 7]
    assert add_consequences(few, slow)["repair_cost_per_failure"].eq(costs.repair_cost).all()
    # as the warehouse has them: whole numbers with gaps; N then takes a mean that is no whole number
    whole = sections.astype({"customers": "Int64", "loop_customers": "Int64"})
    mean = dataclasses.replace(costs, fleet_customers_interrupted=10.5)
    assert add_consequences(whole, mean)["customers_interrupted_per_failure"].tolist() == [14, 14, 5, 30, 10.5]
    assert add_consequences(whole.assign(loop_customers=19), mean)["customers_interrupted_per_failure"].iloc[4] == 9.5


def one_section(expected_failures: float, installation: str = "buried") -> pd.DataFrame:
    return pd.DataFrame(
        {
            "section_id": ["s"],
            "length_km": [0.2],
            "installation": [installation],
            "expected_failures": [expected_failures],
            "customer_minutes_per_failure": [2000.0],
            "customers_interrupted_per_failure": [20.0],
            "repair_cost_per_failure": [6500.0],
        }
    )


def test_customers_of_a_kind_cost_its_price_and_the_others_their_minutes() -> None:
    costs = learn_failure_costs(jobs_of([("D", "loop", 10, 1000, None)] * 3), TERMS, small_group=3)
    sections = pd.DataFrame(
        {
            "section_id": ["s1", "s2", "s3", "s4"],
            "loop_id": "L",
            "half_loop_id": ["L/A", "L/A", "L/B", "M"],
            "district_id": "D",
            "configuration": "loop",
            "customers": [6.0, 4.0, 5.0, None],
            "loop_customers": [15.0, 15.0, 15.0, None],
            "length_km": 0.2, "installation": "buried", "expected_failures": 1.0,
            # as the warehouse has them; A leaves 2 of its 10 unknown, B counts more than its customers, M none
            "customers_residential": pd.array([4, 2, 5, None], dtype="Int64"),
            "customers_business": pd.array([None, 2, 1, None], dtype="Int64"),
            "customers_critical": pd.array([None] * 4, dtype="Int64"),
        }
    )  # fmt: skip
    terms = dataclasses.replace(TERMS, customer_event_value=10.0)
    priced = dataclasses.replace(terms, residential_interruption_cost=5.0, business_interruption_cost=650.0)
    homes = dataclasses.replace(terms, residential_interruption_cost=5.0)
    known = add_consequences(sections, costs)
    # a minute is worth 0.30 and a customer is out for 100 of them: 30 and 10 for each whose kind has no price
    for settings, wanted in (
        (priced, [6 * 5 + 2 * 650 + 2 * 40] * 2 + [5 * 5 + 650, 10 * 40]),
        (homes, [6 * 5 + 4 * 40] * 2 + [5 * 5, 10 * 40]),
        (terms, [10 * 40, 10 * 40, 5 * 40, 10 * 40]),
    ):
        found = value_sections(known, 0.5, settings, 5.0)["cost_per_failure"] - TERMS.repair_cost
        assert found.tolist() == pytest.approx(wanted)
    # without the columns, the prices of kinds change nothing
    bare = add_consequences(sections.drop(columns=[f"customers_{kind}" for kind in KINDS]), costs)
    assert value_sections(bare, 0.5, priced, 5.0).equals(value_sections(bare, 0.5, terms, 5.0))


def test_benefit_by_hand() -> None:
    found = value_sections(one_section(1.0), 0.5, TERMS, 5.0).iloc[0]
    avoided = 1.0 - 0.5 / 100 * 0.2 * 5
    worth = avoided / 5 * (6500 + 0.30 * 2000) * annuity_factor(40, 5)
    assert found["avoided_failures"] == pytest.approx(avoided)
    assert found["avoided_cost"] == pytest.approx(worth)
    assert found["replacement_cost"] == 200 * 190
    assert found["net_benefit"] == pytest.approx(worth - 38_000)
    assert found["customer_minutes_at_risk"] == 2000
    assert found["avoided_customer_minutes"] == pytest.approx(avoided * 2000)
    assert found["cost_per_failure"] == 6500 + 0.30 * 2000
    assert found["expected_rate_per_100km_year"] == pytest.approx(100 * 1.0 / (0.2 * 5))
    assert found["pays_above_per_100km_year"] == pytest.approx(
        0.5 + 100 * 190_000 / ((6500 + 0.30 * 2000) * annuity_factor(40, 5))
    )
    with_events = dataclasses.replace(TERMS, customer_event_value=10.0)
    dearer = value_sections(one_section(1.0), 0.5, with_events, 5.0).iloc[0]
    assert dearer["cost_per_failure"] == 6500 + 0.30 * 2000 + 10 * 20
    assert value_sections(one_section(1.0, "duct"), 0.5, TERMS, 5.0)["replacement_cost"].item() == 200 * 95


def test_replacing_pays_exactly_above_the_rate_printed() -> None:
    rate = value_sections(one_section(1.0), 0.5, TERMS, 5.0)["pays_above_per_100km_year"].item()
    expected = rate / 100 * 0.2 * 5
    at, above, below = (value_sections(one_section(expected * f), 0.5, TERMS, 5.0).iloc[0] for f in (1.0, 1.001, 0.999))
    assert at["benefit_cost_ratio"] == pytest.approx(1.0)
    assert above["is_paying"]
    assert not below["is_paying"]


@pytest.mark.filterwarnings("error")
def test_a_section_of_no_length_or_without_consequences_has_no_ratio() -> None:
    none = one_section(0.0).assign(length_km=0.0)
    found = value_sections(none, 0.5, TERMS, 5.0).iloc[0]
    assert np.isnan([found["benefit_cost_ratio"], found["expected_rate_per_100km_year"]]).all()
    assert not found["is_paying"]
    # for next to nothing: 0.5 of money is a cost
    cheap = dataclasses.replace(TERMS, cost_per_m_buried=0.5 / 200)
    ratio = value_sections(one_section(1.0), 0.0, cheap, 5.0)["benefit_cost_ratio"].item()
    assert ratio == pytest.approx(1 / 5 * 7100 * annuity_factor(40, 5) / 0.5)
    free = one_section(1.0).assign(
        repair_cost_per_failure=0.0, customer_minutes_per_failure=np.nan, customers_interrupted_per_failure=np.nan
    )
    assert value_sections(free, 0.5, TERMS, 5.0)["pays_above_per_100km_year"].item() == np.inf


def test_new_cable_is_the_class_now_laid_most_if_it_has_failed_often_enough() -> None:
    sections = pd.DataFrame(
        {
            "cable_class": ["old", "new", "new", "other"],
            "length_km": [9.0, 1.0, 1.0, 1.5],
            "installed_on": pd.to_datetime(["1975-01-01", "2018-01-01", "1999-01-01", "2019-01-01"]),
            "exposure_km_years": [90.0, 8.0, 12.0, 9.0],
        }
    )
    sections.loc[1, "length_km"] = 2.0
    failures = pd.DataFrame({"cable_class": ["old"] * 30 + ["new"] * 5})
    as_of = pd.Timestamp("2025-12-31")
    found = find_new_cable(sections, failures, TERMS, min_failures=5, as_of=as_of)
    assert (found.cable_class, found.rate_per_100km_year) == ("new", 100 * 5 / (8 + 12))
    few = find_new_cable(sections, failures, TERMS, min_failures=6, as_of=as_of)
    assert (few.cable_class, few.rate_per_100km_year) == (None, TERMS.new_cable_rate_per_100km_year)
    assert (few.failures, few.exposure_km_years) == (5, 20)
    # a little exposure is exposure, none gives no rate, and cable of ten years ago to the day is not new
    for exposure, rate in ((0.5, 100 * 5 / 0.5), (0.0, TERMS.new_cable_rate_per_100km_year)):
        brief = sections.assign(exposure_km_years=exposure / 2)
        assert find_new_cable(brief, failures, TERMS, min_failures=5, as_of=as_of).rate_per_100km_year == rate
    for laid, name in (("2015-12-31", None), ("2016-01-01", "new"), ("2025-12-31", "new"), ("2026-01-01", None)):
        alone = sections.assign(installed_on=pd.Timestamp(laid))[1:3]
        assert find_new_cable(alone, failures, TERMS, min_failures=5, as_of=as_of).cable_class == name
    # the settings may name the class, laid lately or not
    named = dataclasses.replace(TERMS, new_cable_class="old")
    stated = find_new_cable(sections, failures, named, min_failures=5, as_of=as_of)
    assert (stated.cable_class, stated.failures, stated.rate_per_100km_year) == ("old", 30, 100 * 30 / 90)
    never = dataclasses.replace(TERMS, new_cable_class="never laid")
    assert find_new_cable(sections, failures, never, min_failures=5, as_of=as_of).cable_class is None
    nothing = find_new_cable(sections.assign(installed_on=pd.NaT), failures, TERMS, min_failures=5, as_of=as_of)
    assert (nothing.cable_class, nothing.failures, nothing.exposure_km_years) == (None, 0, 0)
