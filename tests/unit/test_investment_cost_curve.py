"""What a failure avoided costs, by hand."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from pipelines.investment.cost_curve import trace_cost_curve
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
