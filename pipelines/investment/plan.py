"""What to replace, what to inject and what to leave, year by year, under a budget each year?

The work of all years is chosen together (programme.choose_work), each option valued in each year as cable grows older.
"""

import dataclasses
from dataclasses import dataclass

import numpy as np
import pandas as pd

from pipelines.investment.lifetime import Lifetime, find_waits
from pipelines.investment.options import Budget, is_due, list_options, read_budget
from pipelines.investment.programme import Fleet, arrange_fleet, choose_work, find_prices, number_names, share_missing
from pipelines.ranking.costs import value_replacements
from pipelines.survival.model import FailureModel
from shared.arrays import Booleans, Floats, Integers
from shared.settings import Replacement


@dataclass(frozen=True)
class Plan:
    """Work chosen (a row a section), a row a year, and what the plan gains and at most could."""

    programme: pd.DataFrame
    years: pd.DataFrame
    gain: float
    bound: float

    @property
    def gap(self) -> float:
        """Share of the bound that the plan may miss."""
        return share_missing(self.gain, self.bound)


def forecast_years(model: FailureModel, horizon_years: float, years: int) -> pd.DataFrame:
    """Failures to expect of every section over the horizon that begins with each year of the plan.

    Parameters
    ----------
    model
        The fitted failure model.
    horizon_years
        Years looked ahead from the start of each year.
    years
        Years of the plan.

    Returns
    -------
    DataFrame
        One row a section in service, index section_id; columns 0 to years - 1. The cable grows older; what its own
        record says of it stays as it is today.

    Notes
    -----
    Checked by: tests/unit/test_investment_plan.py
    """
    starts = [float(year) for year in range(years)]
    up_to = {y: model.expected_by_class(y) for y in {*starts, *(start + horizon_years for start in starts)}}
    mean = model.posterior.mean
    frame = pd.DataFrame(
        {int(start): mean * (up_to[start + horizon_years] - up_to[start]) for start in starts},
        index=pd.Index(model.windows.sections["section_id"], name="section_id"),
    )
    return frame[model.windows.in_service].sort_index()


@dataclass(frozen=True)
class Settled:
    """Which options are the best action of their section, and which of them are worth their money over the plan."""

    best: Booleans
    worthwhile: Booleans


def choose_first(options: pd.DataFrame, budget: Budget, relative_gap: float) -> pd.DataFrame:
    """The best work of a single year among what is offered.

    Parameters
    ----------
    options
        Rows of list_options.
    budget
        What the year may spend.
    relative_gap
        See programme.choose_work.

    Notes
    -----
    Checked by: tests/unit/test_investment_plan.py (through _list_without_injection)
    """
    offered = options[options["is_offered"]].reset_index(drop=True)
    chosen = choose_work(_arrange(offered, offered["gain"].to_numpy()[None, :], budget, np.ones(1)), relative_gap).year
    return offered.iloc[np.flatnonzero(chosen == 0)]


def _arrange(options: pd.DataFrame, gain: Floats, budget: Budget, later: Floats) -> Fleet:
    """The fleet under the same budget each year; later: present value of a unit of each year's money."""
    amounts = np.full(len(gain), budget.amount)
    return arrange_fleet(
        options, gain, amounts, loop_weight=budget.loop_weight, loop_penalty=later * budget.loop_penalty
    )


def settle_actions(options: pd.DataFrame, budget: Budget, years: int) -> Settled:
    """What fits each section over the whole plan, at the price that money has over all its years.

    Parameters
    ----------
    options
        list_options of the first year.
    budget, years
        What each year may spend, and how many years there are.

    Returns
    -------
    Settled
        best: of each section the option that gains most after paying for its money at the price that the last unit of
        all years' budgets brings (both where they are equal). worthwhile: those that then gain anything; about as many
        as all years can pay for. In a plan of one year all options are both.

    Notes
    -----
    A year for itself would inject where the plan as a whole replaces: an injection buys more for a little money, but
    the section is then done. What does not fit into one year's budget is no action.

    Checked by: tests/properties/test_investment_plan.py
    """
    if years == 1 or options.empty:
        return Settled(np.ones(len(options), dtype=bool), np.ones(len(options), dtype=bool))
    weight, gain = options["weight"].to_numpy(dtype=float), options["gain"].to_numpy(dtype=float)
    fits = options["is_offered"].to_numpy() & (weight + budget.loop_weight <= budget.amount)
    price = 0.0
    if fits.any():
        whole = dataclasses.replace(budget, amount=years * budget.amount)
        price = float(find_prices(_arrange(options, np.where(fits, gain, 0.0)[None, :], whole, np.ones(1)))[0][0])
    worth = np.where(fits, gain - price * weight, -np.inf)
    section = number_names(options["section_id"])
    most = np.maximum.reduceat(worth, np.flatnonzero(np.diff(section, prepend=-1)))  # a section's rows stand together
    best = np.asarray(fits & (worth == most[section]))
    return Settled(best, best & (worth > 0))


def order_work(work: pd.DataFrame, budget: Budget) -> pd.DataFrame:
    """Put the work of a year in order: loops by gain per money, then sections within the loop.

    Parameters
    ----------
    work
        Chosen options with section_id, loop_id, weight and gain.
    budget
        loop_weight and cost_per_loop are used.

    Returns
    -------
    DataFrame
        The same rows in order, with mobilising_cost, which the loop's first row bears. Ties are broken by loop_id and
        section_id.

    Notes
    -----
    Checked by: tests/properties/test_investment_programme.py
    """
    sums = work.groupby("loop_id", observed=True)[["weight", "gain"]].transform("sum")
    ordered = (
        work.assign(of_loop=sums["gain"] / (sums["weight"] + budget.loop_weight), ratio=work["gain"] / work["weight"])
        .sort_values(["of_loop", "loop_id", "ratio", "section_id"], ascending=[False, True, False, True], kind="stable")
        .drop(columns=["of_loop", "ratio"])
        .reset_index(drop=True)
    )
    return ordered.assign(mobilising_cost=np.where(ordered["loop_id"].duplicated(), 0.0, budget.cost_per_loop))


def plan_years(
    sections: pd.DataFrame,
    expected: pd.DataFrame,
    new_rate_per_100km_year: float,
    terms: Replacement,
    horizon_years: float,
    lifetime: Lifetime | None = None,
) -> Plan:
    """The work of each year of the plan, all years chosen together.

    Parameters
    ----------
    sections
        See list_options.
    expected
        Failures of forecast_years, a column a year of the plan, a row a section.
    lifetime
        Failures of each section year by year: work is then valued as cable grows older, and a section whose best year
        is a later one waits for it (is_due). Without it the rate of the horizon is held: the flat reading.

    Returns
    -------
    Plan
        programme: rows of list_options with plan_year from 1, programme_order and mobilising_cost. years: a row a year
        with what was chosen, what waits, and the price of its money.

    Notes
    -----
    A section is worked on once in a plan. Every loop on which work is done in a year bears its mobilising in that year.

    Checked by: tests/unit/test_investment_plan.py, tests/properties/test_investment_plan.py
    """
    budget = read_budget(terms)
    by_year = expected.reindex(sections["section_id"].astype("str")).to_numpy(dtype=float).T
    waits = None
    if lifetime:
        worth = value_replacements(sections, new_rate_per_100km_year, terms, horizon_years)
        of_section = find_waits(lifetime, worth.cost, worth.cost_per_failure, terms)
        waits = np.repeat(of_section, 1 + sections["is_injectable"].to_numpy(dtype=bool))

    def offer(year: int, rows: Integers | None = None) -> pd.DataFrame:
        some = slice(None) if rows is None else rows
        then = sections.iloc[some].assign(expected_failures=by_year[year][some])
        if lifetime:
            then = (lifetime if rows is None else lifetime.take(rows)).add_life(then, terms, year)
        return list_options(then, new_rate_per_100km_year, terms, horizon_years, year=year)

    options, gains, paying = offer(0), [], []
    for year in range(len(by_year)):
        then = offer(year) if year else options
        gains.append(np.where(then["is_offered"] & is_due(then, waits, terms, year), then["gain"], 0.0))
        paying.append(then["is_paying"].to_numpy())
    later = (1.0 + terms.discount_rate_pct / 100.0) ** -np.arange(len(by_year), dtype=float)
    found = choose_work(_arrange(options, np.array(gains), budget, later), terms.programme_gap)
    section = number_names(options["section_id"])  # the place of each option's section
    there, works, rows = np.ones(len(options), dtype=bool), [], []
    for year in range(len(by_year)):
        chosen = np.flatnonzero(found.year == year)
        there &= ~np.isin(section, section[chosen])
        work = offer(year, section[chosen])
        action = pd.Series(options["action"].array[chosen].astype("str"), index=options["section_id"].array[chosen])
        is_chosen = work["action"].astype("str").to_numpy() == action.reindex(work["section_id"]).to_numpy()
        work = order_work(work[is_chosen], budget)
        works.append(work.assign(plan_year=year + 1))
        rows.append(
            _describe_year(year, work, options[there].assign(is_paying=paying[year][there]), budget, later[year])
        )
    programme = pd.concat(works, ignore_index=True)
    return Plan(
        programme.assign(programme_order=np.arange(1, len(programme) + 1)),
        pd.DataFrame(rows).assign(price=found.price),
        found.gain,
        found.bound,
    )


def _describe_year(
    year: int, work: pd.DataFrame, waiting: pd.DataFrame, budget: Budget, later: float
) -> dict[str, float | int]:
    """One row of the table of years."""
    replaced, waits = work["action"].eq("replace"), waiting[waiting["action"].eq("replace")]
    return {
        "plan_year": year + 1,
        "budget": np.nan if budget.is_km else budget.amount,
        "budget_km": budget.amount if budget.is_km else np.nan,
        "spent": float(work["cost"].sum() + work["mobilising_cost"].sum()),
        "loops": int(work["loop_id"].nunique()),
        "sections_replaced": int(replaced.sum()),
        "replaced_km": float(work.loc[replaced, "length_m"].sum() / 1000.0),
        "sections_injected": int((~replaced).sum()),
        "injected_km": float(work.loc[~replaced, "length_m"].sum() / 1000.0),
        "avoided_failures": float(work["avoided_failures"].sum()),
        "avoided_customer_minutes": float(work["avoided_customer_minutes"].sum()),
        "avoided_cost": float(work["avoided_cost"].sum()),
        "net_benefit": float(work["net_benefit"].sum() - later * work["mobilising_cost"].sum()),
        "sections_waiting": len(waits),
        "waiting_km": float(waits["length_m"].sum() / 1000.0),
        "waiting_paying": int(waiting.loc[waiting["is_paying"], "section_id"].nunique()),
    }
