"""Would the ranking have caught more of the failures that followed for the same money, not only for the same length?"""

import datetime as dt

import numpy as np
import pandas as pd

from pipelines.evaluation.backtest import COUNTED, Orders, capture_rows
from pipelines.evaluation.backtest_summary import Tally
from pipelines.evaluation.capture import Draws, measure_capture, sum_drawn
from pipelines.evaluation.rule_orders import RULES, order_by_rule
from pipelines.ranking.costs import price_per_km
from shared.settings import Replacement

COST_FRACTIONS = (0.01, 0.05, 0.10, 0.20)

MONEY_RULE = "model_per_cost"
"""Failures the model expects per unit of money: the order for a budget, where the others keep their own."""


def price_sections(sections: pd.DataFrame, terms: Replacement) -> pd.Series:
    """Cost of replacing each section, by section_code, at the prices of the settings.

    Parameters
    ----------
    sections
        section_code (history.code_names), length_km, installation.
    terms
        Prices per metre, buried and in duct.
    """
    cost = sections["length_km"].to_numpy() * price_per_km(sections, terms)
    return pd.Series(cost, index=sections["section_code"].to_numpy())


class CaptureByMoney:
    """Failures captured by each rule until shares of the cost of replacing everything are spent.

    Parameters
    ----------
    section_costs
        price_sections.
    cost_per_loop
        Mobilising on a loop, once; it counts where whole loops are picked.
    coverage
        Coverage of the limits.

    Notes
    -----
    Given to backtest.run_backtest as further_measure. Rules pick in their own order; model_per_cost orders by failures
    expected per unit of money. Prices are those of the settings, at every date. Limits, by resampling loops, are given
    where loops are picked; sections have none here, for their sake alone would cost more than all else. tally: all
    dates together, of loops.

    Checked by: tests/unit/test_evaluation_backtest_money.py
    """

    def __init__(self, section_costs: pd.Series, cost_per_loop: float, coverage: float) -> None:
        self.section_costs = section_costs
        self.cost_per_loop = cost_per_loop
        self.coverage = coverage
        self.tally = Tally()
        self._cost_of_loop: pd.Series | None = None

    def __call__(
        self, units: pd.DataFrame, origin: dt.date, horizon_years: float, grain: str, orders: Orders, draws: Draws
    ) -> pd.DataFrame:
        """Rows of backtest_money at one origin and level; sections come before loops."""
        if grain == "section":
            cost = units["section_code"].map(self.section_costs).astype(float)
            self._cost_of_loop = cost.groupby(units["loop_code"]).sum() + self.cost_per_loop
            draws = draws[:0]
        else:
            if self._cost_of_loop is None:
                raise ValueError("loops are priced by their sections, which come first")
            cost = units["loop_code"].map(self._cost_of_loop).astype(float)
        priced = units[["length_km", "loop_code", *COUNTED]].assign(
            cost=cost, **{MONEY_RULE: units["expected"] / cost.clip(lower=1e-9)}
        )
        totals = sum_drawn(priced, draws, "cost", COUNTED)
        orders = {rule: orders[rule] for rule in RULES} | {MONEY_RULE: order_by_rule(priced, MONEY_RULE)}
        spent, rows = priced["cost"].sum() * np.array(COST_FRACTIONS), []
        if grain == "loop":
            self.tally.count(grain, priced, totals, draws.shape[1], "cost")
            self.tally.origins += 1
        for rule, (order, groups) in orders.items():
            found, drawn = measure_capture(
                priced, order, groups, draws, COST_FRACTIONS, "cost", counted=COUNTED, drawn_totals=totals
            )
            if grain == "loop":
                self.tally.add(grain, rule, "", spent, found[1], drawn[:, 1])
            shares = drawn[:, 0] / np.maximum(totals[1][0], 1e-9)[:, None]
            rows.append(capture_rows(priced, found[0], shares, self.coverage).assign(rule=rule, money_spent=spent))
        return pd.concat(rows, ignore_index=True).assign(
            origin=pd.Timestamp(origin),
            horizon_years=horizon_years,
            level=grain,
            cost_fraction=np.tile(COST_FRACTIONS, len(rows)),
        )

    def summarise(self) -> pd.DataFrame:
        """Rows of backtest_money_summary: all dates together, each failure counted once, against model_per_cost."""
        found = self.tally.tabulate(self.coverage, MONEY_RULE).rename(columns={"picked_fraction": "cost_fraction"})
        if found.empty:
            return found
        spent = np.concatenate([np.atleast_1d(one.picked) for _, one in sorted(self.tally.sums.items())])
        return found.assign(money_spent=spent / self.tally.origins)
