"""Capture for the same money on cases worked by hand, and beside the capture for the same length."""

from __future__ import annotations

import datetime as dt

import numpy as np
import pandas as pd
import pytest

from pipelines.evaluation.backtest import RULES
from pipelines.evaluation.backtest_money import COST_FRACTIONS, CaptureByMoney, price_sections
from pipelines.evaluation.capture import measure_capture
from pipelines.evaluation.rule_orders import order_by_rule
from pipelines.ranking.costs import value_sections
from shared.settings import Replacement

ORIGIN = dt.date(2020, 12, 31)


def make_units(sections: list[tuple]) -> pd.DataFrame:
    """Sections as (id, loop, km, expected, observed, failures)."""
    units = pd.DataFrame(sections, columns=["section_id", "loop_id", "length_km", "expected", "observed", "failures"])
    return units.assign(
        failures_recent=0.0,
        failures_five_years=0.0,
        class_rate=1.0,
        class_age_rate=1.0,
        observed_distinct=units["observed"] // 2,
        age_years=10.0,
        section_code=np.arange(len(units)),
        loop_code=pd.factorize(units["loop_id"])[0],
    )


def loops_of(units: pd.DataFrame) -> pd.DataFrame:
    sums = units.groupby("loop_code").sum(numeric_only=True).reset_index()
    return sums.assign(age_years=10.0)


def measured(costs: dict[str, float], units: pd.DataFrame, per_loop: float = 0.0) -> pd.DataFrame:
    measure = CaptureByMoney(units.set_index("section_code")["section_id"].map(costs), per_loop, 0.9)
    draws = np.ones((10, units["loop_id"].nunique()))
    found = [
        measure(part, ORIGIN, 5.0, grain, {rule: order_by_rule(part, rule) for rule in RULES}, draws)
        for part, grain in ((units, "section"), (loops_of(units), "loop"))
    ]
    return pd.concat(found).set_index(["level", "rule", "cost_fraction"]).sort_index()


def test_cheap_cable_comes_first_by_money() -> None:
    # by km the first section is worse; by money the second buys more
    units = make_units([("a", "A", 1.0, 4.0, 3, 2), ("b", "B", 1.0, 3.0, 2, 1), ("c", "C", 8.0, 1.0, 5, 0)])
    found = measured({"a": 20.0, "b": 5.0, "c": 75.0}, units)
    # 20 % of 100: a alone by km; by money first b whole (5), then 15 of the 20 of a
    assert found.loc[("loop", "model", 0.20), "failures_captured"] == pytest.approx(3.0)
    assert found.loc[("loop", "model_per_cost", 0.20), "failures_captured"] == pytest.approx(2.0 + 15 / 20 * 3.0)
    assert found.loc[("loop", "model", 0.20), "money_spent"] == pytest.approx(20.0)


def test_mobilising_counts_for_loops_and_not_for_sections() -> None:
    units = make_units([("a", "A", 1.0, 4.0, 3, 2), ("b", "B", 1.0, 3.0, 2, 1)])
    found = measured({"a": 30.0, "b": 30.0}, units, per_loop=20.0)
    assert found.loc[("section", "model", 0.10), "money_spent"] == pytest.approx(6.0)
    assert found.loc[("loop", "model", 0.10), "money_spent"] == pytest.approx(10.0)


def test_at_one_price_money_and_length_capture_the_same() -> None:
    rng = np.random.default_rng(5)
    units = make_units(
        [
            (
                f"s{k}",
                f"L{k // 4}",
                float(rng.uniform(0.05, 0.3)),
                float(rng.gamma(1.0)),
                int(rng.poisson(1.0)),
                int(rng.poisson(1.0)),
            )
            for k in range(80)
        ]
    )
    found = measured(dict(zip(units["section_id"], 190_000 * units["length_km"], strict=True)), units)
    for grain, part in (("section", units), ("loop", loops_of(units))):
        for rule in ("model", "most_failures", "random"):
            order, groups = order_by_rule(part, rule)
            by_length, _ = measure_capture(part, order, groups, np.ones((0, 20)), COST_FRACTIONS)
            by_money = found.loc[(grain, rule), "failures_captured"].to_numpy()
            assert by_money == pytest.approx(by_length[0]), (grain, rule)


def test_prices_are_those_of_the_ranking() -> None:
    sections = pd.DataFrame(
        {
            "section_id": ["a", "b"],
            "section_code": [0, 1],
            "length_km": [0.1, 0.2],
            "installation": ["duct", "buried"],
            "repair_cost_per_failure": 1.0,
            "customer_minutes_per_failure": 1.0,
            "customers_interrupted_per_failure": 1.0,
            "expected_failures": 1.0,
        }
    )
    valued = value_sections(sections, 0.5, Replacement(), 5.0)
    assert price_sections(sections, Replacement()).tolist() == valued["replacement_cost"].tolist()


def test_limits_are_given_for_loops_alone() -> None:
    units = make_units([("a", "A", 1.0, 4.0, 3, 2), ("b", "B", 1.0, 3.0, 2, 1)])
    found = measured({"a": 30.0, "b": 30.0}, units)
    assert found.loc["section", "capture_lo"].isna().all()
    assert found.loc["loop", "capture_lo"].notna().all()
    assert found["capture_fraction"].tolist() == pytest.approx((found["failures_captured"] / 5).tolist())
    quiet = measured({"a": 30.0, "b": 30.0}, units.assign(observed=[1, 0])).loc[("loop", "most_failures")]
    # one failure, on the first half of the money
    assert quiet["failures_total"].eq(1).all()
    assert quiet["capture_fraction"].tolist() == pytest.approx([2 * share for share in COST_FRACTIONS])
    assert measured({"a": 30.0, "b": 30.0}, units.assign(observed=0))["capture_fraction"].isna().all()


def test_limits_are_quantiles_of_the_replicates() -> None:
    units = make_units([("a", "A", 1.0, 4.0, 3, 2), ("b", "B", 1.0, 3.0, 2, 1)])
    measure = CaptureByMoney(pd.Series([30.0, 30.0]), 0.0, 0.8)
    draws = np.array([[k, 10 - k] for k in range(1, 10)] + [[5, 5]] * 2)
    orders = {rule: order_by_rule(units, rule) for rule in RULES}
    measure(units, ORIGIN, 5.0, "section", orders, draws)
    row = measure(units.assign(section_code=[0, 1]), ORIGIN, 5.0, "loop", orders, draws)
    found = row[row["rule"].eq("model") & row["cost_fraction"].eq(0.1)].iloc[0]
    # a tenth of the money is one of ten draws of 30, all on a: 3 of 3 k + 2 (10 - k) failures
    shares = [3 / (3 * k + 2 * (10 - k)) for k, _ in draws]
    assert (found["capture_lo"], found["capture_hi"]) == pytest.approx(tuple(np.quantile(shares, [0.1, 0.9])))


def test_loops_are_priced_by_the_sections_that_come_first() -> None:
    units = make_units([("a", "A", 1.0, 4.0, 3, 2)])
    with pytest.raises(ValueError, match="sections, which come first"):
        CaptureByMoney(pd.Series([1.0]), 0.0, 0.9)(units, ORIGIN, 5.0, "loop", {}, np.ones((1, 1)))
