"""What do the plan and its cost curve say, put together from the forecast and the money?"""

import dataclasses
import datetime as dt
from dataclasses import dataclass

import numpy as np
import pandas as pd

from pipelines.investment.cost_curve import trace_cost_curve
from pipelines.investment.decisions import list_decisions
from pipelines.investment.fleet_draws import FleetDraws, prepare_draws
from pipelines.investment.lifetime import Lifetime, look_ahead, weigh_years
from pipelines.investment.options import Budget, can_be_injected, list_options, read_budget
from pipelines.investment.plan import Plan, choose_first, forecast_years, plan_years
from pipelines.investment.projects import propose_projects
from pipelines.investment.section_options import list_section_options
from pipelines.investment.trajectory import trace_budgets
from pipelines.ranking.costs import NewCable, annuity_factor, value_replacements
from pipelines.ranking.rankings import Facts, in_order
from pipelines.survival.model import FailureModel, gamma_limits
from shared.settings import Replacement, Settings

SEED = 1960
"""Of the draws: the same input gives the same limits."""

Figures = list[tuple[str, float, str]]


@dataclass(frozen=True)
class Money:
    """The tables of money: work planned, years of the plan, cost curve and single figures."""

    programme: pd.DataFrame
    years: pd.DataFrame
    curve: pd.DataFrame
    figures: pd.DataFrame
    options: pd.DataFrame
    budgets: pd.DataFrame
    class_draws: pd.DataFrame
    limits: pd.DataFrame
    decisions: pd.DataFrame
    class_growth: pd.DataFrame
    failures_ahead: pd.DataFrame
    new_cable_ahead: pd.DataFrame


@dataclass(frozen=True)
class PlannedFleet:
    """The plan with its figures, and what both were made of, for what else is asked of them."""

    plan: Plan
    figures: Figures
    terms: Replacement
    sections: pd.DataFrame
    lived: pd.DataFrame
    offer: pd.DataFrame
    lifetime: Lifetime
    draws: FleetDraws
    rng: np.random.Generator
    as_of: dt.date

    @property
    def programme(self) -> pd.DataFrame:
        """The work of the plan, names as texts."""
        work = self.plan.programme
        work = work if "project_id" in work else work.assign(project_id=work["loop_id"])
        return work.astype(dict.fromkeys(["section_id", "loop_id", "project_id", "action"], "str"))


def plan_fleet(
    facts: Facts,
    model: FailureModel,
    settings: Settings,
    decisions: pd.DataFrame | None = None,
    places: pd.DataFrame | None = None,
) -> PlannedFleet:
    """Plan the years, with the figures of the plan and their limits.

    Parameters
    ----------
    facts
        What gather found.
    model
        The failure model, asked for the years of the plan.
    settings
        replacement is used.
    decisions
        Decisions in force: staging.decisions; None: there are none.
    places
        Middle of each loop's terminals: loop_id, x, y; None: every loop is a project of its own.

    Notes
    -----
    Checked by: tests/unit/test_ranking_rankings.py (through run_replacement)
    """
    terms = use_learned_injection(settings.replacement, model)
    rate, horizon = facts.new_cable.rate_per_100km_year, facts.horizon_years
    sections = in_order(facts.sections, "section_id")
    sections = sections.assign(
        is_injectable=can_be_injected(sections), installation=sections["installation"].astype("category")
    )
    # names as categories: they are taken, told apart and sorted by number
    sections = sections.assign(
        **{
            name: pd.Categorical(sections[name], categories=np.sort(sections[name].unique(), kind="stable"))
            for name in ("section_id", "loop_id")
        }
    )
    if places is not None:
        sections = _assign_projects(sections, places, terms)
    as_of = model.windows.as_of.date()
    first_year = (as_of + dt.timedelta(days=1)).year
    lifetime = look_ahead(model, sections["section_id"], facts.new_cable, terms, horizon)
    expected = forecast_years(model, horizon, terms.programme_years)
    plan = plan_years(sections, expected, rate, terms, horizon, lifetime, decisions, first_year)
    lived = lifetime.add_life(sections, terms)
    offer = list_options(lived, rate, terms, horizon)
    rng = np.random.default_rng(SEED)
    place = pd.Index(model.windows.sections["section_id"]).get_indexer(sections["section_id"].astype("str"))
    draws = prepare_draws(model, lifetime, place, rng)
    rows = [
        *_list_prices(facts, terms),
        *_list_paying(sections, offer),
        *_list_plan(plan, read_budget(terms, first_year)),
        *_list_limits(plan, sections, lifetime, draws, model, facts.new_cable, terms, rng),
    ]
    return PlannedFleet(plan, rows, terms, sections, lived, offer, lifetime, draws, rng, as_of)


def plan_money(
    facts: Facts,
    model: FailureModel,
    settings: Settings,
    decisions: pd.DataFrame | None = None,
    places: pd.DataFrame | None = None,
) -> Money:
    """Plan the years, and trace what a failure avoided costs: see plan_fleet.

    Notes
    -----
    Checked by: tests/unit/test_ranking_rankings.py (through run_replacement)
    """
    made = plan_fleet(facts, model, settings, decisions, places)
    terms, lifetime, draws, programme = made.terms, made.lifetime, made.draws, made.programme
    rate, horizon = facts.new_cable.rate_per_100km_year, facts.horizon_years
    rows = [
        *made.figures,
        *_list_without_injection(made.lived, rate, terms, horizon),
        *_list_injected(model),
        *_list_variations(model, facts.new_cable),
    ]
    in_money = dataclasses.replace(terms, budget_km=0.0)
    decided = made.plan.decided
    standing = decided.decided if decided else "free"
    options = list_section_options(made.sections, lifetime, programme, rate, terms, made.as_of, standing)
    told = pd.DataFrame()
    if decisions is not None:
        told = list_decisions(decisions, decided, made.plan.prices, made.sections, options["plan_year"], made.as_of)
    return Money(
        programme,
        made.plan.years,
        trace_cost_curve(list_options(made.lived, rate, in_money, horizon), in_money),
        pd.DataFrame(rows, columns=["figure", "amount", "explained"]).astype({"amount": float}),
        options.assign(own_variance=draws.own, loop_variance=draws.shared[draws.loop]),
        trace_budgets(
            made.offer,
            lifetime,
            draws,
            find_new_variation(model, facts.new_cable),
            read_budget(terms),
            terms,
            model.coverage,
            made.rng,
        ),
        draws.tabulate(),
        made.plan.limits,
        told,
        draws.tabulate_growth(),
        *lifetime.tabulate(made.sections["section_id"], terms),
    )


def _assign_projects(sections: pd.DataFrame, places: pd.DataFrame, terms: Replacement) -> pd.DataFrame:
    """Sections with the project of their loop, the loop that avoids most in the lead."""
    loops = sections.groupby("loop_id", observed=True).agg(
        district_id=("district_id", "first"), worth=("avoided_cost", "sum")
    )
    loops = loops.reset_index().astype({"loop_id": "str"}).merge(places, on="loop_id", how="left")
    project = propose_projects(loops, terms.project_distance_m)
    return sections.assign(project_id=pd.Categorical(project.reindex(sections["loop_id"].astype("str")).to_numpy()))


def use_learned_injection(terms: Replacement, model: FailureModel) -> Replacement:
    """The settings with the share of failures that injection leaves as the records have it, the settings' as prior.

    Notes
    -----
    Where nothing was injected the two are the same. A share of 1 in the settings says that nothing is injected, and
    stays.

    Checked by: tests/unit/test_investment_tables.py
    """
    if terms.injection_multiplier >= 1.0:
        return terms
    return dataclasses.replace(terms, injection_multiplier=min(model.treatment.factor, 1.0))


def _list_prices(facts: Facts, terms: Replacement) -> Figures:
    costs, new = facts.costs, facts.new_cable
    named = "the class of the settings" if terms.new_cable_class else "the class now laid most"
    new_from = (
        f"{new.failures} failures in {new.exposure_km_years:.0f} km-years of {new.cable_class}, {named}"
        if new.cable_class
        else f"from the settings: {named} has too few failures"
    )
    repair_from = (
        f"mean of {costs.repair_cost_jobs} jobs that state it"
        if costs.repair_cost_jobs
        else "from the settings: too few jobs state it"
    )
    return [
        ("new_cable_rate_per_100km_year", new.rate_per_100km_year, new_from),
        ("repair_cost", costs.repair_cost, repair_from),
        (
            "minutes_per_customer",
            costs.fleet_minutes_per_customer,
            "customer-minutes over customers interrupted, all jobs",
        ),
        (
            "annuity_years",
            annuity_factor(terms.cable_life_years, terms.discount_rate_pct),
            "present value of one unit of money a year over the life of the cable",
        ),
        (
            "annuity_years_injected",
            annuity_factor(terms.injection_years, terms.discount_rate_pct),
            "present value of one unit of money a year over the years that an injection earns",
        ),
    ]


def _list_paying(sections: pd.DataFrame, options: pd.DataFrame) -> Figures:
    injected = options["action"].eq("inject")
    return [
        ("sections_in_service", len(sections), "sections ranked"),
        (
            "sections_paying",
            int((~injected & options["is_paying"]).sum()),
            "sections whose replacement avoids more cost than it costs, as cable grows older",
        ),
        (
            "sections_paying_flat",
            int(sections["is_paying"].sum()),
            "the same with the failure rate of the horizon held over the life",
        ),
        ("sections_injectable", int(injected.sum()), "sections that may be offered for injection"),
        (
            "sections_paying_injected",
            int((injected & options["is_paying"]).sum()),
            "sections whose injection avoids more cost than it costs",
        ),
    ]


def _list_plan(plan: Plan, budget: Budget) -> Figures:
    less = ", less mobilising" if budget.is_km else ""
    work = plan.programme[plan.programme["plan_year"].eq(1)]
    return [
        ("programme_sections", len(work), "sections chosen in the first year"),
        ("programme_loops", work["loop_id"].nunique(), "loops opened in the first year"),
        (
            "programme_spent",
            float(work["cost"].sum() + work["mobilising_cost"].sum()),
            "cost of the first year's work and of mobilising for it",
        ),
        (
            "programme_gain",
            float(work["gain"].sum() - (work["mobilising_cost"].sum() if budget.is_km else 0.0)),
            f"avoided cost of the first year's work{less}",
        ),
        (
            "programme_price",
            float(plan.years["price"].iloc[0]),
            "avoided cost that one more unit of the first year's budget would buy",
        ),
        ("plan_gain", plan.gain, f"avoided cost of all years of the plan{less}"),
        ("plan_bound", plan.bound, "proven upper limit of the avoided cost of any plan over the same years"),
        ("plan_gap", plan.gap, "share of the plan's bound that may be missing"),
        (
            "decisions_cost",
            plan.free_gain - plan.gain if plan.decided else 0.0,
            "avoided cost of the plan without any decision, less that of the plan; either may miss its gap",
        ),
        (
            "decisions_failures",
            plan.free_failures - float(plan.programme["avoided_failures"].sum()) if plan.decided else 0.0,
            "failures avoided by the plan without any decision, less those avoided by the plan",
        ),
    ]


def find_new_variation(model: FailureModel, new_cable: NewCable) -> float:
    """Coefficient of variation of new cable's failures: of its class's level; 0 where the settings give the rate."""
    of_class = model.windows.sections["cable_class"].eq(new_cable.cable_class or "").to_numpy(dtype=bool)
    return float(model.curve_error[of_class].mean()) if of_class.any() else 0.0


def _list_limits(
    plan: Plan,
    sections: pd.DataFrame,
    lifetime: Lifetime,
    draws: FleetDraws,
    model: FailureModel,
    new_cable: NewCable,
    terms: Replacement,
    rng: np.random.Generator,
) -> Figures:
    """Avoided cost and benefit over cost of the first year and of the whole plan, with limits from the same draws."""
    tail = (1.0 - model.coverage) / 2.0
    valued = value_replacements(sections, new_cable.rate_per_100km_year, terms, lifetime.horizon_years)
    left = model.treatment
    new_shape, left_shape = 1.0 / max(find_new_variation(model, new_cable), 1e-6) ** 2, 1.0 / left.variation**2
    size = draws.standard.shape[2]
    new_level = rng.gamma(new_shape, 1.0 / new_shape, size)
    factor = np.minimum(terms.injection_multiplier * rng.gamma(left_shape, 1.0 / left_shape, size), 1.0)
    where: pd.Index[str] = pd.Index(sections["section_id"].astype("str"))
    by_year, rows = [], []
    for year in range(terms.programme_years):
        work = plan.programme[plan.programme["plan_year"].eq(year + 1)]
        place, injected = (
            where.get_indexer(pd.Index(work["section_id"].astype("str"))),
            work["action"].eq("inject").to_numpy(),
        )
        lived = lifetime.add_life(sections, terms, year)
        money = (1.0 + terms.discount_rate_pct / 100.0) ** -year * valued.cost_per_failure
        total = np.zeros(size)
        for some, column, years in (
            (place[~injected], "life_failures", terms.cable_life_years),
            (place[injected], "injected_failures", terms.injection_years),
        ):
            weights = np.zeros(len(sections))
            weights[some] = (money * lived[column].to_numpy())[some]
            growth = draws.average_growth(weigh_years(years, terms.discount_rate_pct), year)
            drawn = draws.draw(weights, growth, rng)
            total += drawn if column == "life_failures" else (1.0 - factor) * drawn
        total -= new_level * float((money * lived["new_life_failures"].to_numpy())[place[~injected]].sum())
        later = (1.0 + terms.discount_rate_pct / 100.0) ** -year
        by_year.append((total, later * float(work["cost"].sum() + work["mobilising_cost"].sum())))
    for name, said, years in (("programme", "the first year's work", 1), ("plan", "the whole plan", len(by_year))):
        avoided = sum((total for total, _ in by_year[:years]), np.zeros(size))
        cost = sum(cost for _, cost in by_year[:years])
        gain = float(plan.programme.loc[plan.programme["plan_year"].le(years), "avoided_cost"].sum())
        lo, hi = np.quantile(avoided, [tail, 1.0 - tail])
        rows += [
            (f"{name}_avoided_cost", gain, f"present value of the failures that {said} avoids"),
            (f"{name}_avoided_cost_lo", float(lo), f"lower limit of {name}_avoided_cost: draws of the posterior"),
            (f"{name}_avoided_cost_hi", float(hi), f"upper limit of {name}_avoided_cost: draws of the posterior"),
        ]
        if cost > 0:
            rows += [
                (f"{name}_benefit_cost", gain / cost, f"avoided cost over cost, mobilising included, of {said}"),
                (f"{name}_benefit_cost_lo", float(lo) / cost, f"lower limit of {name}_benefit_cost"),
                (f"{name}_benefit_cost_hi", float(hi) / cost, f"upper limit of {name}_benefit_cost"),
            ]
    return rows


def _list_injected(model: FailureModel) -> Figures:
    """What the record says of cable already injected: its forecast rests on this, not on the settings' share."""
    left = model.treatment
    shape = np.array([1.0 / left.variation**2])
    lo, hi = gamma_limits(shape, shape / left.factor, model.coverage) if left.factor > 0 else ([0.0], [0.0])
    return [
        (
            "injection_left",
            left.factor,
            "share of failures left on injected cable: posterior mean, the settings' share as prior worth one failure",
        ),
        ("injection_left_lo", float(lo[0]), "lower limit of injection_left: gamma"),
        ("injection_left_hi", float(hi[0]), "upper limit of injection_left: gamma"),
        ("injection_failures_since", left.failures, "occasions on which injected cable failed since its injection"),
        (
            "injection_expected_untreated",
            left.expected,
            "occasions to be expected of the same cable over the same time, left alone",
        ),
    ]


def _list_variations(model: FailureModel, new_cable: NewCable) -> Figures:
    """What limits of a list's money need besides the draws of its classes."""
    return [
        (
            "new_cable_variation",
            find_new_variation(model, new_cable),
            "coefficient of variation of new cable's failures; 0 where the settings give them",
        ),
        ("injection_left_variation", model.treatment.variation, "coefficient of variation of injection_left"),
    ]


def _list_without_injection(sections: pd.DataFrame, rate: float, terms: Replacement, horizon_years: float) -> Figures:
    """What the first year's budget buys where nothing is injected: how much rests on what injection is said to do."""
    options = list_options(sections.assign(is_injectable=False), rate, terms, horizon_years)
    work = choose_first(options, read_budget(terms), terms.programme_gap)
    return [
        (
            "replaced_only_gain",
            float(work["avoided_cost"].sum()),
            "avoided cost of the first year were nothing injected",
        ),
        (
            "replaced_only_failures",
            float(work["avoided_failures"].sum()),
            "failures avoided by the first year's work were nothing injected",
        ),
        (
            "replaced_only_km",
            float(work["length_m"].sum()) / 1000.0,
            "length replaced in the first year were nothing injected",
        ),
    ]
