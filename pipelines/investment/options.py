"""What may be done in a year of the plan, what it costs and avoids, and what the year may spend?"""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from pipelines.ranking.costs import value_injections, value_replacements
from shared.arrays import Booleans, Floats, Integers
from shared.settings import Replacement

INJECTED_INSULATIONS = ("HMWPE", "XLPE", "TRXLPE")
"""Extruded polyethylene, which the fluid treats; see can_be_injected."""

ACTIONS = pd.CategoricalDtype(["inject", "replace"])
"""What may be done to a section, in the order in which its options stand."""


@dataclass(frozen=True)
class Budget:
    """What a year may spend, in money or in km, and how a loop opened counts.

    In money the mobilising of each loop is spent from the budget. In km it takes no length, so it is taken from what
    the work gains.
    """

    amount: float
    is_km: bool
    cost_per_loop: float

    @property
    def loop_weight(self) -> float:
        """What a loop opened takes from the budget."""
        return 0.0 if self.is_km else self.cost_per_loop

    @property
    def loop_penalty(self) -> float:
        """What a loop opened takes from the gain."""
        return self.cost_per_loop if self.is_km else 0.0


def read_budget(terms: Replacement) -> Budget:
    """The budget of one year: in km where replacement.budget_km is set, else in money."""
    is_km = terms.budget_km > 0
    return Budget(terms.budget_km if is_km else terms.budget, is_km, terms.cost_per_loop)


def can_be_injected(sections: pd.DataFrame) -> pd.Series:
    """Which sections may be offered for injection.

    Parameters
    ----------
    sections
        insulation, installation, conductor and rejuvenated_on of each section.

    Returns
    -------
    Series of bool
        True where the section may be offered.

    Notes
    -----
    Offered is polyethylene cable (HMWPE, XLPE, TRXLPE), directly buried, not injected before, whose conductor is not
    called solid. The fluid runs along the gaps between the strands of the conductor and from there into the insulation,
    where it takes up the water of the trees: a solid conductor has no gaps; paper and oil are no place for it; rubber
    (EPR) hardly fails by such trees. Cable in duct is drawn out and replaced for little more. A second injection is not
    offered, because nothing is known here of how the first one went. An installation not on record is not offered.
    Blocked splices and corroded neutrals, which forbid injection on the spot, are not in a register.

    Checked by: tests/unit/test_investment_plan.py
    """
    solid = sections["conductor"].astype("string").str.contains("solid", case=False, na=False).astype(bool)
    return (
        sections["insulation"].isin(INJECTED_INSULATIONS)
        & sections["installation"].eq("buried")
        & sections["rejuvenated_on"].isna()
        & ~solid
    )


def list_options(
    sections: pd.DataFrame, new_rate_per_100km_year: float, terms: Replacement, horizon_years: float, *, year: int = 0
) -> pd.DataFrame:
    """Everything that may be done in a year of the plan: replace each section, inject those that can be.

    Parameters
    ----------
    sections
        Sections by section_id with length_km, installation, is_injectable (can_be_injected), expected_failures (over
        the horizon that begins with that year) and what a failure of them costs (money.add_consequences).
    new_rate_per_100km_year
        Failures of the new cable per 100 km and year.
    year
        Whole years from now, 0 for the first year of the plan.

    Returns
    -------
    DataFrame
        One row a section and action, ordered by both: section_id, loop_id, action, length_m, cost, avoided_failures,
        avoided_customer_minutes, avoided_cost and net_benefit (present value at the start of the plan), is_paying,
        is_offered (it gains, and returns at least least_benefit_cost_ratio of its cost), and weight and gain for the
        programme. The rows are the same in every year.

    Notes
    -----
    Money of a later year counts (1 + discount rate)^-year of money today; budgets are spent in money of their year.

    Checked by: tests/unit/test_investment_plan.py
    """
    replaced = value_replacements(sections, new_rate_per_100km_year, terms, horizon_years)
    can = sections["is_injectable"].to_numpy(dtype=bool)
    places = np.flatnonzero(can)
    injected = value_injections(sections, replaced, places, terms, horizon_years)
    of_replacement = np.arange(len(can)) + np.cumsum(can)
    of_injection = of_replacement[places] - 1

    def together(name: str) -> Floats:
        values = np.empty(len(can) + len(places))
        values[of_replacement], values[of_injection] = getattr(replaced, name), getattr(injected, name)
        return values

    cost, avoided = together("cost"), together("avoided_cost")
    is_replacement = np.ones(len(cost), dtype=np.int8)
    is_replacement[of_injection] = 0
    rows = np.repeat(np.arange(len(can)), 1 + can)
    later = (1.0 + terms.discount_rate_pct / 100.0) ** -year
    length = sections["length_km"].to_numpy(dtype=float)[rows]
    return pd.DataFrame(
        {
            "section_id": sections["section_id"].array[rows],
            "loop_id": sections["loop_id"].array[rows],
            "action": pd.Categorical.from_codes(is_replacement, dtype=ACTIONS),
            "length_m": 1000.0 * length,
            "cost": cost,
            "avoided_failures": together("avoided_failures"),
            "avoided_customer_minutes": together("avoided_minutes"),
            "avoided_cost": later * avoided,
            "net_benefit": later * (avoided - cost),
            "is_paying": avoided > cost,
            "is_offered": (avoided > 0) & (cost > 0) & (avoided >= terms.least_benefit_cost_ratio * cost),
            "weight": length if terms.budget_km > 0 else cost,
            "gain": later * avoided,
        },
        copy=False,
    )


def is_due(options: pd.DataFrame, waits: Integers | None, terms: Replacement, year: int) -> Booleans:
    """Which options need not wait for a later year of the plan.

    Parameters
    ----------
    options
        Rows of list_options.
    waits
        Of each option the years until its section is best replaced, -1 for never (lifetime.find_waits); None: nothing
        waits.
    terms
        programme_years and least_benefit_cost_ratio are used.
    year
        Year of the plan, 0 the first.

    Notes
    -----
    A section that is best replaced in a later year of the plan waits for it. One whose year comes after the plan waits
    too where only work that pays is wanted (least_benefit_cost_ratio of 1 or more); else the budget is there to be
    spent, and the section is chosen or not like any that never pays. Injection does not wait.

    Checked by: tests/unit/test_investment_lifetime.py
    """
    if waits is None:
        return np.ones(len(options), dtype=bool)
    in_plan = (waits < terms.programme_years) | (terms.least_benefit_cost_ratio >= 1.0)
    return np.asarray(~(options["action"].eq("replace").to_numpy() & (waits > year) & in_plan))
