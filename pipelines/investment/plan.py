"""What to replace, what to inject and what to leave, year by year, under a budget each year?

Which action fits a section is settled first, by what money is worth over all years of the plan (settle_actions). Then
the years are chosen one after another: each spends its budget as well as it can on what the years before have left,
and the proven gap of each is kept. That is not the best plan over all years together; how far it can fall short of
that is bounded by pricing each year's budget (bound_plan).
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pandas as pd

from pipelines.investment.lagrangian_bound import number_names
from pipelines.investment.lifetime import Lifetime, find_waits
from pipelines.investment.options import Budget, is_due, list_options, read_budget
from pipelines.investment.programme import Choice, choose_options, find_price, order_programme
from pipelines.ranking.costs import value_replacements
from pipelines.survival.model import FailureModel
from shared.arrays import Booleans
from shared.settings import Replacement

LATER_GAP = 0.003
"""Share of the best that a later year may miss, where programme_gap is less: later years are planned anew before they
come, and the last tenths of a percent are what takes an integer search."""

BOUND_STEPS = 40
"""Steps of the search for the price at which the plan's bound is least: (2/3)^40 of where it began."""


BOUND_BY = ("section_id", "loop_id", "weight", "gain", "is_offered")
"""Columns of list_options that bound_plan looks at: of large fleets a year's other columns are let go with the year."""


@dataclass(frozen=True)
class Plan:
    """Work chosen (a row a section), a row a year, the first year's choice, what the plan gains and at most could."""

    programme: pd.DataFrame
    years: pd.DataFrame
    first: Choice
    gain: float
    bound: float

    @property
    def gap(self) -> float:
        """Share of the bound that the whole plan may miss."""
        return max(0.0, self.bound - self.gain) / abs(self.bound) if self.bound else 0.0


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


def settle_actions(options: pd.DataFrame, budget: Budget, years: int) -> Settled:
    """What fits each section over the whole plan, at the price that money has over all its years.

    Parameters
    ----------
    options
        list_options of the first year, or of them those that are offered.
    budget, years
        What each year may spend, and how many years there are.

    Returns
    -------
    Settled
        best: of each section the option that gains most after paying for its money at the price that the last unit of
        all years' budgets brings (both where they are equal). worthwhile: those that then gain anything; about as many
        as all years can pay for. In a plan of one year all options are both, and the programme settles them itself.

    Notes
    -----
    A year for itself would inject where the plan as a whole replaces: an injection buys more for a little money, but
    the section is then done. On drawn fleets of 400 sections the plan comes to 97 % of the best of all years together
    with this, and to 89 to 95 % without (python -m tests.benchmarks.replacement_money). What does not fit into one
    year's budget is no action.

    Checked by: tests/unit/test_investment_plan.py (through plan_years), tests/properties/test_investment_plan.py
    """
    if years == 1 or options.empty:
        return Settled(np.ones(len(options), dtype=bool), np.ones(len(options), dtype=bool))
    weight, gain = options["weight"].to_numpy(dtype=float), options["gain"].to_numpy(dtype=float)
    fits = options["is_offered"].to_numpy() & (weight + budget.loop_weight <= budget.amount)
    price = find_price(
        options.loc[fits, ["section_id", "loop_id", "weight", "gain"]],
        years * budget.amount,
        loop_weight=budget.loop_weight,
        loop_penalty=budget.loop_penalty,
    )
    worth = np.where(fits, gain - price * weight, -np.inf)
    section = number_names(options["section_id"])
    most = np.maximum.reduceat(worth, np.flatnonzero(np.diff(section, prepend=-1)))  # a section's rows stand together
    best = np.asarray(fits & (worth == most[section]))
    return Settled(best, best & (worth > 0))


def choose_work(
    options: pd.DataFrame, budget: Budget, relative_gap: float, *, later: float = 1.0
) -> tuple[pd.DataFrame, Choice]:
    """The best work of one year among what is offered, and how good it is.

    Parameters
    ----------
    options
        Rows of list_options.
    budget
        What the year may spend.
    relative_gap
        See choose_options.
    later
        Present value of one unit of that year's money.

    Notes
    -----
    Checked by: tests/unit/test_investment_plan.py (through plan_years)
    """
    offered = options[options["is_offered"]].reset_index(drop=True)
    choice = choose_options(
        offered,
        budget.amount,
        loop_weight=budget.loop_weight,
        loop_penalty=later * budget.loop_penalty,
        relative_gap=relative_gap,
    )
    return offered[choice.chosen], choice


def order_work(work: pd.DataFrame, budget: Budget) -> pd.DataFrame:
    """The work of a year in order (order_programme); the first row of each loop bears its mobilising."""
    ordered = order_programme(work, loop_weight=budget.loop_weight)
    opens = ~ordered["loop_id"].duplicated()
    return ordered.assign(mobilising_cost=np.where(opens, budget.cost_per_loop, 0.0))


def plan_years(
    sections: pd.DataFrame,
    expected: pd.DataFrame,
    new_rate_per_100km_year: float,
    terms: Replacement,
    horizon_years: float,
    lifetime: Lifetime | None = None,
) -> Plan:
    """The work of each year of the plan, the years chosen one after another.

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
        with what was chosen, what waits, and bound and gap of the year's choice.

    Notes
    -----
    Actions are settled by the first year's terms. What is not chosen in a year waits: a year later it is a year older
    and its money is discounted once more. A section is worked on once in a plan. Every loop on which work is done in a
    year bears its mobilising in that year.

    Checked by: tests/unit/test_investment_plan.py, tests/properties/test_investment_plan.py
    """
    budget = read_budget(terms)
    by_year = expected.reindex(sections["section_id"].astype("str")).to_numpy(dtype=float).T

    def offer_in(year: int) -> pd.DataFrame:
        then = sections.assign(expected_failures=by_year[year])
        if lifetime:
            then = lifetime.add_life(then, terms, year)
        return list_options(then, new_rate_per_100km_year, terms, horizon_years, year=year)

    offer = offer_in(0)
    settled = settle_actions(offer, budget, len(by_year))
    waits = None
    if lifetime:
        worth = value_replacements(sections, new_rate_per_100km_year, terms, horizon_years)
        row = np.repeat(np.arange(len(sections)), 1 + sections["is_injectable"].to_numpy(dtype=bool))
        asked = np.bincount(row[settled.best], minlength=len(sections)) > 0
        waits = find_waits(lifetime, worth.cost, worth.cost_per_failure, terms, asked)[row]
    there = np.ones(len(offer), dtype=bool)
    works, rows, choices, offers = [], [], [], []
    for year in range(len(by_year)):
        offer = offer_in(year) if year else offer
        later = (1.0 + terms.discount_rate_pct / 100.0) ** -year
        gap = max(terms.programme_gap, LATER_GAP if year else 0.0)
        # The last year takes what is left, worthwhile or not: a programme spends its budget.
        suits = settled.best if year == len(by_year) - 1 else settled.worthwhile
        due = is_due(offer, waits, terms, year)
        work, choice = choose_work(offer[suits & there & due], budget, gap, later=later)
        work = order_work(work, budget)
        there &= ~offer["section_id"].isin(work["section_id"]).to_numpy()
        works.append(work.assign(plan_year=year + 1))
        rows.append(_describe_year(year, work, offer[there], choice, budget, later))
        choices.append(choice)
        offers.append(offer[list(BOUND_BY)])
    programme = pd.concat(works, ignore_index=True)
    return Plan(
        programme.assign(programme_order=np.arange(1, len(programme) + 1)),
        pd.DataFrame(rows),
        choices[0],
        sum(choice.gain for choice in choices),
        bound_plan(offers, budget, terms.discount_rate_pct),
    )


def _describe_year(
    year: int, work: pd.DataFrame, waiting: pd.DataFrame, choice: Choice, budget: Budget, later: float
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
        "gain_bound": choice.bound,
        "gap": choice.gap,
    }


def bound_plan(offers: list[pd.DataFrame], budget: Budget, discount_rate_pct: float) -> float:
    """What no plan over the same years can gain more than.

    Parameters
    ----------
    offers
        list_options (BOUND_BY of it) of each year, the same rows in the same order, as if nothing had been done before.
    budget
        What each year may spend.
    discount_rate_pct
        Discount rate, percent a year.

    Returns
    -------
    float
        An upper limit of the gain of every plan that works on a section once, whichever way its years are chosen.

    Notes
    -----
    With a price p_t of each year's budget the budgets need not be kept, and a loop that is opened bears at least the
    cheapest year's mobilising. Of each section then at most the best pair of action a and year t is taken:

        L(p) = budget sum p_t + sum over loops of max(0, sum over sections of max(0, max over a, t of gain_at - p_t
               weight_at) - least p_t x loop_weight - least loop_penalty_t).

    Any prices give a limit. They fall from year to year as all gains together do, and the level with the least L is
    sought.

    Checked by: tests/properties/test_investment_plan.py (through plan_years)
    """
    gain = np.stack([np.where(o["is_offered"], o["gain"], 0.0) for o in offers])
    weight = offers[0]["weight"].to_numpy(dtype=float)
    useful = gain.max(axis=0) > 0
    if not useful.any():
        return 0.0
    gain, weight = gain[:, useful], weight[useful]
    section = number_names(offers[0].loc[useful, "section_id"])
    loop = number_names(offers[0].loc[useful, "loop_id"])
    first = np.flatnonzero(np.diff(section, prepend=-1))  # a section's rows stand together
    falls = np.minimum(gain.sum(axis=1) / gain[0].sum(), 1.0) if gain[0].sum() > 0 else np.ones(len(gain))
    penalty = budget.loop_penalty * (1.0 + discount_rate_pct / 100.0) ** (1 - len(offers))

    # sections in the order of the price from which they are worth nothing: a price then looks at the first of them
    until = np.maximum.reduceat((gain / np.maximum(falls[:, None] * weight, 1e-300)).max(axis=0), first)
    order = np.argsort(-until, kind="stable")
    count = np.diff(np.append(first, len(section)))[order]
    begins = np.cumsum(count) - count
    rows = np.arange(len(section)) - np.repeat(begins, count) + np.repeat(first[order], count)
    until, loop, gain, weight = until[order], loop[first[order]], np.ascontiguousarray(gain[:, rows]), weight[rows]
    loops = int(loop.max()) + 1

    def limit(price: float) -> float:
        size = int(np.searchsorted(-until, -price, side="right"))
        top = int(begins[size - 1] + count[size - 1]) if size else 0
        worth = (gain[:, :top] - price * falls[:, None] * weight[:top]).max(axis=0)
        best = np.maximum(np.maximum.reduceat(worth, begins[:size]), 0.0) if size else worth
        surplus = np.bincount(loop[:size], best, loops) - price * falls.min() * budget.loop_weight - penalty
        return float(price * falls.sum() * budget.amount + np.maximum(surplus, 0.0).sum())

    low, high = 0.0, float(np.max(gain.max(axis=0) / np.maximum(falls.min() * weight, 1e-12)))
    return min(limit(0.0), _least(limit, low, high))


def _least(function: Callable[[float], float], low: float, high: float) -> float:
    """Least value of a convex function that a search by thirds finds between two places."""
    least = np.inf
    for _ in range(BOUND_STEPS):
        left, right = low + (high - low) / 3.0, high - (high - low) / 3.0
        at_left, at_right = function(left), function(right)
        least = min(least, at_left, at_right)
        low, high = (low, right) if at_left <= at_right else (left, high)
    return float(least)
