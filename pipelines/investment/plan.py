"""What to replace, what to inject and what to leave, year by year, under a budget each year?

The work of all years is chosen together (programme.choose_work), each option valued in each year as cable grows older.
"""

import dataclasses
from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from pipelines.investment.decisions import NO_ROOM, Decided, settle_decisions
from pipelines.investment.lifetime import Lifetime, find_waits
from pipelines.investment.options import RESOURCES, Budget, is_due, list_limits, list_options, read_budget
from pipelines.investment.programme import (
    Fleet,
    Resources,
    Work,
    add_up,
    answer,
    arrange_fleet,
    choose_work,
    find_prices,
    number_names,
    share_missing,
)
from pipelines.ranking.costs import value_replacements
from pipelines.survival.model import FailureModel
from shared.arrays import Booleans, Floats, Integers
from shared.settings import Replacement


@dataclass(frozen=True)
class Plan:
    """Work chosen (a row a section), a row a year, a row a limit, what the plan gains and at most could, and decisions.

    decided is what became of the decisions and prices what each costs (_price_decisions), None without any; free_gain
    and free_failures are what the plan would gain and avoid without them.
    """

    programme: pd.DataFrame
    years: pd.DataFrame
    gain: float
    bound: float
    limits: pd.DataFrame = field(default_factory=pd.DataFrame)
    decided: Decided | None = None
    prices: pd.DataFrame | None = None
    free_gain: float = np.nan
    free_failures: float = np.nan

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
class Valued:
    """What options are worth: gain as offered, raw whether offered or not, failures avoided, each (years, options).

    row, section and action run along the options: place among all options, of their section, and in ACTIONS.
    """

    gain: Floats
    raw: Floats
    failures: Floats
    row: Integers
    section: Integers
    action: Integers
    more: Resources | None

    def take(self, some: Integers) -> "Valued":
        """Of some options alone."""
        more = self.more and dataclasses.replace(
            self.more, weight=self.more.weight[:, some], district=self.more.district[some]
        )
        gain, raw, failures = (each[:, some] for each in (self.gain, self.raw, self.failures))
        return Valued(gain, raw, failures, self.row[some], self.section[some], self.action[some], more)


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
    chosen = choose_work(
        _arrange(offered, offered["gain"].to_numpy()[None, :], None, budget, np.ones(1)), relative_gap
    ).year
    return offered.iloc[np.flatnonzero(chosen == 0)]


def _arrange(
    options: pd.DataFrame,
    gain: Floats,
    committed: Booleans | None,
    budget: Budget,
    later: Floats,
    more: Resources | None = None,
) -> Fleet:
    """The fleet under the budget of each year; later: present value of a unit of each year's money."""
    return arrange_fleet(
        options,
        gain,
        budget.list_amounts(len(gain)),
        loop_weight=budget.loop_weight,
        loop_penalty=later * budget.loop_penalty,
        more=more,
        committed=committed,
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
        whole = dataclasses.replace(budget, amount=float(budget.list_amounts(years).sum()), of_years=())
        price = float(find_prices(_arrange(options, np.where(fits, gain, 0.0)[None, :], None, whole, np.ones(1)))[0][0])
    worth = np.where(fits, gain - price * weight, -np.inf)
    section = number_names(options["section_id"])
    most = np.maximum.reduceat(worth, np.flatnonzero(np.diff(section, prepend=-1)))  # a section's rows stand together
    best = np.asarray(fits & (worth == most[section]))
    return Settled(best, best & (worth > 0))


def order_work(work: pd.DataFrame, budget: Budget) -> pd.DataFrame:
    """Put the work of a year in order: projects by gain per money, then loops, then sections within the loop.

    Parameters
    ----------
    work
        Chosen options with section_id, loop_id, weight, gain and, where there are such, project_id.
    budget
        loop_weight and cost_per_loop are used.

    Returns
    -------
    DataFrame
        The same rows in order, with mobilising_cost, which the project's first row bears (the loop's, where there are
        no projects). Ties are broken by project_id, loop_id and section_id.

    Notes
    -----
    Checked by: tests/properties/test_investment_programme.py
    """
    shared = "project_id" if "project_id" in work else "loop_id"
    sums = work.groupby(shared, observed=True)[["weight", "gain"]].transform("sum")
    order = ["of_project", *dict.fromkeys([shared, "loop_id"]), "ratio", "section_id"]
    ordered = (
        work.assign(
            of_project=sums["gain"] / (sums["weight"] + budget.loop_weight), ratio=work["gain"] / work["weight"]
        )
        .sort_values(order, ascending=[name not in ("of_project", "ratio") for name in order], kind="stable")
        .drop(columns=["of_project", "ratio"])
        .reset_index(drop=True)
    )
    return ordered.assign(mobilising_cost=np.where(ordered[shared].duplicated(), 0.0, budget.cost_per_loop))


def plan_years(
    sections: pd.DataFrame,
    expected: pd.DataFrame,
    new_rate_per_100km_year: float,
    terms: Replacement,
    horizon_years: float,
    lifetime: Lifetime | None = None,
    decisions: pd.DataFrame | None = None,
    first_year: int = 1,
) -> Plan:
    """The work of each year of the plan, all years chosen together.

    Parameters
    ----------
    sections
        See list_options; with project_id, where loops share one mobilising, and what settle_decisions asks for.
    expected
        Failures of forecast_years, a column a year of the plan, a row a section.
    lifetime
        Failures of each section year by year: work is then valued as cable grows older, and a section whose best year
        is a later one waits for it (is_due). Without it the rate of the horizon is held: the flat reading.
    decisions
        Decisions in force (staging.decisions); None: there are none.
    first_year
        Calendar year in which the first year of the plan begins.

    Returns
    -------
    Plan
        programme: rows of list_options with plan_year from 1, programme_order, mobilising_cost and decided. years: a
        row a year with what was chosen, what waits, and the price of its money.

    Notes
    -----
    A section is worked on once in a plan. Every project on which work is done in a year bears its mobilising in that
    year. Work that is decided comes before all other; what of it does not fit the limits is planned like any other, and
    said. What all decisions cost together is the gain of the plan without them less that of the plan.

    Checked by: tests/unit/test_investment_plan.py, tests/properties/test_investment_plan.py
    """
    years = len(expected.columns)
    budget = read_budget(terms, first_year)
    by_year = expected.reindex(sections["section_id"].astype("str")).to_numpy(dtype=float).T
    decided = None
    if decisions is not None and len(decisions):
        decided = settle_decisions(decisions, sections, first_year, years)
        shared = sections["project_id" if "project_id" in sections else "loop_id"].astype("object")
        given = decided.project.where(decided.project.notna(), shared.reset_index(drop=True))
        sections = sections.assign(project_id=pd.Categorical(given.to_numpy()))
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

    options, offers = offer(0), []
    for year in range(years):
        then = offer(year) if year else options
        offers.append(
            {
                "gain": np.where(then["is_offered"] & is_due(then, waits, terms, year), then["gain"], 0.0),
                "raw": then["gain"].to_numpy(),
                "failures": then["avoided_failures"].to_numpy(),
                "paying": then["is_paying"].to_numpy(),
            }
        )
    gains, raw, failures = (np.array([each[name] for each in offers]) for name in ("gain", "raw", "failures"))
    later = (1.0 + terms.discount_rate_pct / 100.0) ** -np.arange(years, dtype=float)
    section = number_names(options["section_id"])  # the place of each option's section
    action = options["action"].cat.codes.to_numpy().astype(np.int64)
    more = list_limits(options, sections, terms, budget, years)
    valued = Valued(gains, raw, failures, np.arange(len(options)), section, action, more)
    fleet = _arrange(options, gains, None, budget, later, more)
    found = free = choose_work(fleet, terms.programme_gap)
    standing, prices = np.full(len(sections), "free"), None
    if decided and decisions is not None:
        prices = _price_decisions(decisions, decided.pairs, sections, first_year, fleet, free, options, valued)
        missed = np.zeros(0, dtype=np.int64)
        while True:
            decided = decided.release(missed, NO_ROOM)
            fleet = _arrange(options, *decided.allow(gains, raw, section, action), budget, later, more)
            found = choose_work(fleet, terms.programme_gap)
            missed = np.setdiff1d(np.flatnonzero(decided.committed >= 0), section[found.year >= 0])
            if not len(missed):
                break
        standing = np.asarray(decided.decided)
    there, works, rows = np.ones(len(options), dtype=bool), [], []
    for year in range(years):
        chosen = np.flatnonzero(found.year == year)
        there &= ~np.isin(section, section[chosen])
        work = offer(year, section[chosen])
        does = pd.Series(options["action"].array[chosen].astype("str"), index=options["section_id"].array[chosen])
        is_chosen = work["action"].astype("str").to_numpy() == does.reindex(work["section_id"]).to_numpy()
        work = order_work(work[is_chosen].assign(decided=standing[section[chosen]]), budget)
        works.append(work.assign(plan_year=year + 1))
        waiting = there & (standing != "excluded")[section]
        paying = options[waiting].assign(is_paying=offers[year]["paying"][waiting])
        rows.append(_describe_year(year, work, paying, budget, later[year]))
    programme = pd.concat(works, ignore_index=True)
    return Plan(
        programme.assign(programme_order=np.arange(1, len(programme) + 1)),
        pd.DataFrame(rows).assign(price=found.price[:years]),
        found.gain,
        found.bound,
        _describe_limits(fleet, found, sections, budget),
        decided,
        prices,
        free.gain,
        float(failures[free.year[free.year >= 0], np.flatnonzero(free.year >= 0)].sum()),
    )


def _price_decisions(
    decisions: pd.DataFrame,
    pairs: pd.DataFrame,
    sections: pd.DataFrame,
    first_year: int,
    fleet: Fleet,
    free: Work,
    options: pd.DataFrame,
    valued: Valued,
) -> pd.DataFrame:
    """What each decision alone costs against the free plan: decision_id, cost_of_it, failures_forgone.

    Notes
    -----
    At the free plan's prices of its limits the projects that a decision is on answer twice, with it and without; the
    difference is the avoided cost that the same money would have gained elsewhere (a reduced cost, as in linear
    programming). Money that it takes or frees avoids as many failures elsewhere as the fleet does between prices that
    are 5 % lower and 5 % higher.
    """
    ends = [answer(fleet, share * free.price) for share in (0.95, 1.05)]
    avoided = [float(valued.failures[each.year, fleet.row[each.option]].sum()) for each in ends]
    spent = [float(fleet.weight[0, each.option].sum()) for each in ends]
    per_unit = (avoided[0] - avoided[1]) / (spent[0] - spent[1]) if spent[0] > spent[1] else 0.0
    project = number_names(options["project_id"])
    rows = []
    for number, decision in enumerate(decisions["decision_id"]):
        places = pairs.loc[pairs["decision_id"].eq(decision) & pairs["place"].ge(0), "place"]
        touched = np.isin(project, project[np.isin(valued.section, places)])
        near = np.unique(valued.section[touched])
        some = valued.take(np.flatnonzero(touched))
        alone = settle_decisions(decisions.iloc[[number]], sections.iloc[near], first_year, len(fleet.gain))
        forced = alone.allow(some.gain, some.raw, np.searchsorted(near, some.section), some.action)
        answers = [
            _answer_at(free.price, fleet, options.iloc[some.row], gain, committed, some)
            for gain, committed in ((some.gain, None), forced)
        ]
        (without, failures, spent_then), (with_it, failures_with, spent_with) = answers
        forgone = failures - failures_with + per_unit * (spent_with - spent_then)
        rows.append((decision, max(without - with_it, 0.0), forgone))
    return pd.DataFrame(rows, columns=["decision_id", "cost_of_it", "failures_forgone"])


def _answer_at(
    prices: Floats, fleet: Fleet, options: pd.DataFrame, gain: Floats, committed: Booleans | None, some: Valued
) -> tuple[float, float, float]:
    """What some projects gain at the prices after paying for what they take, the failures avoided, and the money."""
    beyond = 1.0 + 10.0 * float(
        np.abs(some.raw).sum() + prices.sum() * (options["weight"].sum() + fleet.loop_weight.sum())
    )
    whole = gain + np.where(committed, beyond, 0.0) if committed is not None else gain
    own = arrange_fleet(options, whole, fleet.most[: len(gain)], more=some.more)
    own = dataclasses.replace(own, loop_weight=fleet.loop_weight, loop_penalty=fleet.loop_penalty)
    if not len(own.row):
        return 0.0, 0.0, 0.0
    given = answer(own, prices)
    gained, use = add_up(own, given.option, given.year)
    place = own.row[given.option]
    forced = beyond * float(committed[place].sum()) if committed is not None else 0.0
    return (
        gained - forced - float(prices @ use),
        float(some.failures[given.year, place].sum()),
        float(own.weight[0, given.option].sum()),
    )


def _describe_limits(fleet: Fleet, work: Work, sections: pd.DataFrame, budget: Budget) -> pd.DataFrame:
    """One row a limit: plan_year (missing: all years), district_id, limited, is_least, amount, taken and price."""
    first = RESOURCES[int(budget.is_km)]
    names = [first, *(name for name in RESOURCES if name != first)]
    districts = sorted(sections["district_id"].dropna().unique()) if "district_id" in sections else []
    rows = [
        (
            limit.years[0] + 1 if len(limit.years) == 1 else pd.NA,
            districts[limit.district] if limit.district >= 0 else None,
            names[limit.resource],
            limit.is_least,
            limit.amount,
            taken,
            price,
        )
        for limit, taken, price in zip(fleet.limits, work.spent, work.price, strict=True)
    ]
    columns = ["plan_year", "district_id", "limited", "is_least", "amount", "taken", "price"]
    return pd.DataFrame(rows, columns=columns).astype({"plan_year": "Int64"})


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
