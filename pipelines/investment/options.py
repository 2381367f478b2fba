"""What may be done in a year of the plan, what it costs and avoids, and what the year may spend?"""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from pipelines.investment.programme import Limit, Resources
from pipelines.ranking.costs import value_injections, value_replacements
from shared.arrays import Booleans, Floats, Integers
from shared.errors import UserError
from shared.settings import Replacement

INJECTED_INSULATIONS = ("HMWPE", "XLPE", "TRXLPE")
"""Extruded polyethylene, which the fluid treats; see can_be_injected."""

ACTIONS = pd.CategoricalDtype(["inject", "replace"])
"""What may be done to a section, in the order in which its options stand."""


@dataclass(frozen=True)
class Budget:
    """What a year may spend, in money or in km, and how a loop opened counts; of_years: years from 0 of other amounts.

    In money the mobilising of each loop is spent from the budget. In km it takes no length, so it is taken from what
    the work gains.
    """

    amount: float
    is_km: bool
    cost_per_loop: float
    of_years: tuple[tuple[int, float], ...] = ()

    def list_amounts(self, years: int) -> Floats:
        """Amount of each year of the plan."""
        own = dict(self.of_years)
        return np.array([own.get(year, self.amount) for year in range(years)])

    @property
    def loop_weight(self) -> float:
        """What a loop opened takes from the budget."""
        return 0.0 if self.is_km else self.cost_per_loop

    @property
    def loop_penalty(self) -> float:
        """What a loop opened takes from the gain."""
        return self.cost_per_loop if self.is_km else 0.0


PLAN_YEARS_BELOW = 100
"""A year below this is a year of the plan, 1 the first, and not of the calendar."""


def number_year(year: int, first_year: int) -> int:
    """Year of the plan, from 0, of a year given by the calendar or by its number in the plan."""
    return year - 1 if year < PLAN_YEARS_BELOW else year - first_year


def read_budget(terms: Replacement, first_year: int = 1) -> Budget:
    """The budget of one year: in km where replacement.budget_km is set, else in money."""
    is_km = terms.budget_km > 0
    own = tuple((number_year(int(year), first_year), amount) for year, amount in terms.budget_by_year.items())
    return Budget(terms.budget_km if is_km else terms.budget, is_km, terms.cost_per_loop, own)


RESOURCES = ("money", "km", "crew_weeks")
"""What a limit can be of."""


def list_limits(
    options: pd.DataFrame, sections: pd.DataFrame, terms: Replacement, budget: Budget, years: int
) -> Resources | None:
    """Limits beside the budget: km and crews' weeks of a year, and money, km and a least share of each district.

    Parameters
    ----------
    options
        Rows of list_options.
    sections
        The sections they are of: installation, district_id, is_injectable.
    terms
        most_km, crew_weeks with the weeks per km, district_most, district_most_km and district_least_share are used.
    budget, years
        What the years may spend: the least share is of all of it.

    Returns
    -------
    Resources or None
        In the order of RESOURCES, the one that the budget is of left out (it is the weight of the options). None where
        the settings limit nothing.

    Raises
    ------
    UserError
        The settings name a district that has no cable in service.

    Notes
    -----
    Checked by: tests/unit/test_investment_decisions.py (through plan_years)
    """
    of_districts = {
        "district_most": terms.district_most,
        "district_most_km": terms.district_most_km,
        "district_least_share": terms.district_least_share,
    }
    if not (terms.most_km or terms.crew_weeks or any(of_districts.values())):
        return None
    names = sorted(sections["district_id"].dropna().unique())
    for setting, of_district in of_districts.items():
        for name in of_district:
            if name not in names:
                raise UserError(
                    f"no cable is in service in the district {name!r}",
                    f"setting replacement.{setting}",
                    f"name one of {', '.join(names)}",
                )
    section = np.repeat(np.arange(len(sections)), 1 + sections["is_injectable"].to_numpy(dtype=bool))
    km = options["length_m"].to_numpy(dtype=float) / 1000.0
    in_duct = sections["installation"].eq("duct").to_numpy()[section]
    weeks = np.where(in_duct, terms.crew_weeks_per_km_duct, terms.crew_weeks_per_km_buried)
    weeks = km * np.where(options["action"].eq("inject"), terms.crew_weeks_per_km_injected, weeks)
    number = {"money": int(budget.is_km), "km": int(not budget.is_km), "crew_weeks": 2}
    limits = []
    for year in range(years):
        fleetwide = (("km", terms.most_km), ("crew_weeks", terms.crew_weeks))
        limits += [Limit((year,), amount, number[what]) for what, amount in fleetwide if amount]
        limits += [Limit((year,), most, number["money"], names.index(d)) for d, most in terms.district_most.items()]
        limits += [Limit((year,), most, number["km"], names.index(d)) for d, most in terms.district_most_km.items()]
    whole = float(budget.list_amounts(years).sum())
    every = tuple(range(years))
    limits += [
        Limit(every, share * whole, 0, names.index(d), is_least=True) for d, share in terms.district_least_share.items()
    ]
    other = options["cost"].to_numpy(dtype=float) if budget.is_km else km
    mobilising = np.array([budget.cost_per_loop if budget.is_km else 0.0, 0.0])
    district = pd.Index(names).get_indexer(pd.Index(sections["district_id"]))[section]
    return Resources(np.array([other, weeks]), mobilising, tuple(limits), district)


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
            **({"project_id": sections["project_id"].array[rows]} if "project_id" in sections else {}),
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
