"""How many failures a year are to come over twenty years, with nothing done and with more or less money a year?"""

import dataclasses

import numpy as np
import pandas as pd

from pipelines.investment.fleet_draws import FleetDraws
from pipelines.investment.lifetime import Lifetime
from pipelines.investment.options import Budget
from pipelines.investment.plan import settle_actions
from pipelines.investment.programme import choose_at_prices
from shared.arrays import Booleans, Floats, Integers
from shared.settings import Replacement

YEARS = 20
"""Years that the trajectory looks ahead."""

SHARES = (0.0, 0.5, 1.0, 1.5, 2.0)
"""Budgets tried, in times the budget of a year."""

PRICES = 80
"""Prices of money at which the order of the work is cut: about two a year and budget."""


@dataclasses.dataclass(frozen=True)
class Order:
    """Work in the order of what it returns: section (row), whether it is injected, money spent up to and with it."""

    section: Integers
    is_injected: Booleans
    spent: Floats

    def first_years(self, amount: float, sections: int) -> tuple[Integers, Booleans]:
        """Year, from 0, in which each section is worked on with so much a year (YEARS: not in time), and how."""
        year, injected = np.full(sections, YEARS), np.zeros(sections, dtype=bool)
        if amount > 0:
            reached = np.ceil(self.spent / amount - 1e-9).astype(np.int64) - 1
            year[self.section], injected[self.section] = np.clip(reached, 0, YEARS), self.is_injected
        return year, injected


def order_work_by_return(options: pd.DataFrame, budget: Budget, terms: Replacement) -> Order:
    """What is done before what, if money is spent where it returns most.

    Parameters
    ----------
    options
        list_options of the first year, all sections.
    budget
        Of one year.
    terms
        programme_years is used: each section has the action that the plan settles for it.

    Notes
    -----
    As the price of money falls more work is worth it (choose_at_prices); work comes in where the price first lets it,
    within one price by what it returns, and a loop bears its mobilising with the first work on it.

    Checked by: tests/unit/test_investment_trajectory.py
    """
    best = settle_actions(options, budget, max(terms.programme_years, 2)).best
    rows = np.flatnonzero(best & options["is_offered"].to_numpy())
    offered = options.iloc[rows].reset_index(drop=True)
    section = pd.factorize(options["section_id"])[0][rows]
    once = ~pd.Series(section).duplicated().to_numpy()  # of two actions that are worth the same, the first
    offered, section = offered[once].reset_index(drop=True), section[once]
    weight, gain = offered["weight"].to_numpy(dtype=float), offered["gain"].to_numpy(dtype=float)
    if not len(offered):
        return Order(section, np.zeros(0, dtype=bool), np.zeros(0))
    ratio = gain / weight
    prices = np.append(np.quantile(ratio, np.linspace(1.0, 0.0, PRICES)) * (1.0 - 1e-9), 0.0)
    comes_in = np.full(len(offered), len(prices))
    for place, (chosen, spent) in enumerate(choose_at_prices(offered, prices, loop_weight=budget.loop_weight)):
        comes_in[chosen & (comes_in == len(prices))] = place
        if spent > max(SHARES) * YEARS * budget.amount:
            break  # what comes in later does not come within the years
    order = np.lexsort((-ratio, comes_in))
    loop = offered["loop_id"].iloc[order]
    running = np.cumsum(weight[order] + budget.loop_weight * ~loop.duplicated().to_numpy())
    return Order(section[order], offered["action"].eq("inject").to_numpy()[order], running)


def trace_budgets(
    options: pd.DataFrame,
    lifetime: Lifetime,
    draws: FleetDraws,
    new_variation: float,
    budget: Budget,
    terms: Replacement,
    coverage: float,
    rng: np.random.Generator,
) -> pd.DataFrame:
    """Failures of each year, with nothing done and with no, half, one, one and a half and twice the budget a year.

    Parameters
    ----------
    options
        list_options of the first year, all sections in the order of lifetime.
    lifetime, draws
        Failures year by year, and what is uncertain of them.
    new_variation
        Coefficient of variation of the level of new cable's curve.
    budget
        Of one year, in money or in km.
    terms
        injection_multiplier, injection_years and programme_years are used.
    coverage
        Of the limits.
    rng
        Source of the draws.

    Returns
    -------
    DataFrame
        One row a budget and year: budget, budget_share, years_of_plan (1 to 20), failures_per_year_with,
        failures_per_year_without, lo and hi (limits of the failures with the budget).

    Notes
    -----
    Work is done at the start of its year, in the order of order_work_by_return, as far as that year's money goes. The
    limits are of the mean number of failures of a year, not of the count, which chance moves further.

    Checked by: tests/unit/test_investment_trajectory.py
    """
    tail = (1.0 - coverage) / 2.0
    order = order_work_by_return(options, budget, terms)
    rows = []
    for share in SHARES:
        done, injected = order.first_years(share * budget.amount, len(lifetime.new_km))
        for year in range(YEARS):
            old = lifetime.old[year]
            kept, new = np.ones(len(old)), 0.0
            since = year - done
            worked = since >= 0
            kept[worked & ~injected] = 0.0
            kept[worked & injected & (since < terms.injection_years)] = terms.injection_multiplier
            replaced = worked & ~injected
            new = float(lifetime.new_km[replaced] @ lifetime.new[since[replaced]])
            left = kept * old
            total = draws.draw(left, draws.growth[year], rng) + new * _around_one(new_variation, rng, draws)
            lo, hi = np.quantile(total, [tail, 1.0 - tail])
            rows.append((share * budget.amount, share, year + 1, float(left.sum()) + new, float(old.sum()), lo, hi))
    names = ["budget", "budget_share", "years_of_plan", "failures_per_year_with", "failures_per_year_without"]
    return pd.DataFrame(rows, columns=[*names, "lo", "hi"])


def _around_one(variation: float, rng: np.random.Generator, draws: FleetDraws) -> Floats:
    """Draws of a level about 1."""
    shape = 1.0 / max(variation, 1e-6) ** 2
    return np.asarray(rng.gamma(shape, 1.0 / shape, draws.standard.shape[2]))
