"""How far do net benefit and the sections that pay move when an input is wrong, and does the same work stay chosen?"""

import dataclasses
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import pandas as pd

from pipelines.investment.lifetime import Lifetime, find_waits
from pipelines.investment.options import is_due, list_offers, read_budget
from pipelines.investment.plan import choose_first, settle_actions
from pipelines.ranking.costs import KINDS, NewCable, value_replacements
from shared.settings import Replacement

DISCOUNT_POINTS = 2.0
"""Points of a percent that the discount rate is moved: about the spread between public and private discount rates."""

LIFE_YEARS = 10.0
"""Years that the life of new cable and of an injection is moved."""

DOUBLED = (0.5, 2.0)
"""Factors for what is judged more than known: the value of a minute, new cable's failures, what injection leaves."""


COARSE = 0.003
"""Share of the best that the work of a moved input may miss: it is chosen some two dozen times."""

FORECASTS = {
    "expected_failures": "expected_failures_of_sections",
    "district_expected": "expected_failures_of_districts",
}
"""The two ways in which the forecast is moved, by the columns that hold its limits."""


@dataclass(frozen=True)
class Case:
    """The inputs of one valuation: settings, and what was learned from the data."""

    terms: Replacement
    new_rate: float
    repair_cost: float
    expected: str = "expected_failures"
    new_factor: float = 1.0


@dataclass(frozen=True)
class Moved:
    """One input moved: its name, the value it stands at, both values it is moved to, and the inputs with them."""

    name: str
    standing: float
    ends: tuple[float, float]
    cases: tuple[Case, Case]


@dataclass(frozen=True)
class Outcome:
    """What the best programme of the first year comes to under the inputs of one case."""

    net_benefit: float
    sections_paying: int
    programme_paying: int
    chosen: pd.DataFrame


def list_moves(base: Case, sections: pd.DataFrame) -> Iterator[Moved]:
    """Every input with its low and its high value.

    Parameters
    ----------
    base
        The inputs as they stand.
    sections
        Sections with expected_failures, its own limits, and those of add_district_limits.

    Notes
    -----
    Prices move by sensitivity_price_share; the discount rate by two points; lives by ten years; what is judged more
    than known is halved and doubled. The expected failures go to their lower and upper limits in two ways: every
    section to its own at once, which is further than chance takes them together; and every section by as much as the
    limits of its district's total, which is how they err together.

    Checked by: tests/unit/test_investment_one_way_sensitivity.py (through vary_inputs)
    """
    terms = base.terms
    prices = 1.0 - terms.sensitivity_price_share, 1.0 + terms.sensitivity_price_share
    rate, left = terms.discount_rate_pct, terms.injection_multiplier
    yield _scale(base, "cost_per_m_buried", prices, "cost_per_m_duct")
    yield _scale(base, "cost_per_m_injected", prices)
    yield _scale(base, "cost_per_loop", prices)
    yield _learn(base, "repair_cost", "repair_cost", prices)
    yield _scale(base, "customer_minute_value", DOUBLED, *(f"{kind}_interruption_cost" for kind in KINDS))
    yield _set(base, "discount_rate_pct", (max(rate - DISCOUNT_POINTS, 0.0), rate + DISCOUNT_POINTS))
    for name, years in (("cable_life_years", terms.cable_life_years), ("injection_years", terms.injection_years)):
        yield _set(base, name, (max(years - LIFE_YEARS, 1.0), years + LIFE_YEARS))
    yield _set(base, "injection_multiplier", (DOUBLED[0] * left, min(DOUBLED[1] * left, 1.0)))
    new = _learn(base, "new_cable_rate_per_100km_year", "new_rate", DOUBLED)
    low, high = (dataclasses.replace(c, new_factor=f) for c, f in zip(new.cases, DOUBLED, strict=True))
    yield dataclasses.replace(new, cases=(low, high))
    for name, moved in FORECASTS.items():
        lo, hi = f"{name}_lo", f"{name}_hi"
        yield Moved(
            moved,
            float(sections["expected_failures"].sum()),
            (float(sections[lo].sum()), float(sections[hi].sum())),
            (dataclasses.replace(base, expected=lo), dataclasses.replace(base, expected=hi)),
        )


def _set(base: Case, name: str, ends: tuple[float, float]) -> Moved:
    """A setting put to two values."""
    terms = [dataclasses.replace(base.terms, **{name: end}) for end in ends]  # type: ignore[arg-type]  # all are floats
    low, high = (dataclasses.replace(base, terms=each) for each in terms)
    return Moved(name, getattr(base.terms, name), ends, (low, high))


def _scale(base: Case, name: str, factors: tuple[float, float], *with_it: str) -> Moved:
    """A setting, and others with it, times two factors."""
    cases = []
    for factor in factors:
        values = {each: factor * getattr(base.terms, each) for each in (name, *with_it)}
        cases.append(dataclasses.replace(base, terms=dataclasses.replace(base.terms, **values)))
    standing = getattr(base.terms, name)
    return Moved(name, standing, (factors[0] * standing, factors[1] * standing), (cases[0], cases[1]))


def _learn(base: Case, name: str, field: str, factors: tuple[float, float]) -> Moved:
    """What was learned from the data times two factors."""
    standing = getattr(base, field)
    low, high = (dataclasses.replace(base, **{field: factor * standing}) for factor in factors)
    return Moved(name, standing, (factors[0] * standing, factors[1] * standing), (low, high))


def add_district_limits(sections: pd.DataFrame, districts: pd.DataFrame) -> pd.DataFrame:
    """Expected failures of each section, were its district's total at its lower or upper limit.

    Parameters
    ----------
    sections
        Sections with district_id and expected_failures.
    districts
        district_id, expected_failures and its limits: FailureModel.forecast_groups.

    Returns
    -------
    DataFrame
        The same rows with district_expected_lo and district_expected_hi.

    Notes
    -----
    Checked by: tests/unit/test_investment_one_way_sensitivity.py
    """
    known = districts.set_index("district_id")
    mean = known["expected_failures"].where(known["expected_failures"] > 0)
    return sections.assign(
        **{
            f"district_expected_{end}": sections["expected_failures"]
            * sections["district_id"].map(known[f"expected_failures_{end}"] / mean).astype("float64").fillna(1.0)
            for end in ("lo", "hi")
        }
    )


def vary_inputs(
    sections: pd.DataFrame,
    terms: Replacement,
    new_cable: NewCable,
    repair_cost: float,
    horizon_years: float,
    *,
    lifetime: Lifetime | None = None,
    first_work: pd.DataFrame | None = None,
) -> pd.DataFrame:
    """The first year's programme valued and chosen anew with each input at its low and its high value.

    Parameters
    ----------
    sections
        Sections by section_id; see options.list_options and list_moves.
    repair_cost
        Repair of one failure, as learned or set [money].
    lifetime
        See plan.plan_years.
    first_work
        The first year's work of the plan, from whose net benefit the others move; else a year chosen for itself.

    Returns
    -------
    DataFrame
        One row an input, the largest swing of net benefit first: input, input_standing, input_low, input_high;
        net_benefit, sections_paying (by replacing them, all in service), programme_paying (chosen, and returning their
        own cost) and share_kept (share of the standing programme's length that is chosen again) standing, _at_low and
        _at_high; swing.

    Notes
    -----
    Every section is valued again, its action settled by the price of all years' money, and a first year's work chosen
    for itself, to COARSE of the best, with the inputs as they stand too. What the net benefit changes between them
    is added to that of the plan's own first year, which all years choose together. A swing below that share of the
    avoided cost means nothing.

    Checked by: tests/unit/test_investment_one_way_sensitivity.py
    """
    base = Case(terms, new_cable.rate_per_100km_year, repair_cost)
    # Numbers for names: the programme is chosen some two dozen times, and only counts come out of it.
    sections = sections.assign(
        section_id=np.arange(len(sections)),
        loop_id=pd.factorize(sections["loop_id"])[0],
        installation=sections["installation"].astype("category"),
    )
    standing = _value_case(base, sections, horizon_years, lifetime)
    of_plan = 0.0 if first_work is None else _net_of_work(first_work, terms) - standing.net_benefit
    rows = []
    for moved in list_moves(base, sections):
        low, high = (_value_case(case, sections, horizon_years, lifetime) for case in moved.cases)
        rows.append(
            {
                "input": moved.name,
                "input_standing": moved.standing,
                "input_low": moved.ends[0],
                "input_high": moved.ends[1],
                "net_benefit": of_plan + standing.net_benefit,
                "net_benefit_at_low": of_plan + low.net_benefit,
                "net_benefit_at_high": of_plan + high.net_benefit,
                "swing": np.ptp([standing.net_benefit, low.net_benefit, high.net_benefit]),
                "sections_paying": standing.sections_paying,
                "sections_paying_at_low": low.sections_paying,
                "sections_paying_at_high": high.sections_paying,
                "programme_paying": standing.programme_paying,
                "programme_paying_at_low": low.programme_paying,
                "programme_paying_at_high": high.programme_paying,
                "share_kept_at_low": _share_kept(standing.chosen, low.chosen),
                "share_kept_at_high": _share_kept(standing.chosen, high.chosen),
            }
        )
    return pd.DataFrame(rows).sort_values(["swing", "input"], ascending=[False, True], ignore_index=True)


def _value_case(case: Case, sections: pd.DataFrame, horizon_years: float, lifetime: Lifetime | None) -> Outcome:
    """Value every section and choose the first year's programme under the inputs of a case."""
    valued = sections.assign(expected_failures=sections[case.expected], repair_cost_per_failure=case.repair_cost)
    waits = None
    if lifetime:
        moved = (valued["expected_failures"] / sections["expected_failures"]).fillna(1.0).to_numpy()
        lifetime = lifetime.scale(moved, case.new_factor)
        valued = lifetime.add_life(valued, case.terms)
    replaced = value_replacements(valued, case.new_rate, case.terms, horizon_years)
    # Only what is offered can be settled on and chosen.
    offers = list_offers(valued, replaced, case.terms, horizon_years)
    budget = read_budget(case.terms)
    offers = offers[settle_actions(offers, budget, case.terms.programme_years).worthwhile]
    if lifetime:
        offered = offers["section_id"].to_numpy()
        asked = np.bincount(offered, minlength=len(valued)) > 0
        of_section = find_waits(lifetime, replaced.cost, replaced.cost_per_failure, case.terms, asked)
        waits = of_section[offered]
    work = choose_first(offers[is_due(offers, waits, case.terms, 0)], budget, max(case.terms.programme_gap, COARSE))
    return Outcome(
        _net_of_work(work, case.terms),
        int((replaced.avoided_cost > replaced.cost).sum()),
        int(work["is_paying"].sum()),
        work,
    )


def _net_of_work(work: pd.DataFrame, terms: Replacement) -> float:
    """Net benefit of a first year's work, mobilising included."""
    return float(work["net_benefit"].sum()) - terms.cost_per_loop * work["loop_id"].nunique()


def _share_kept(standing: pd.DataFrame, chosen: pd.DataFrame) -> float:
    """Share of the standing programme's length that is worked on again, by the same action or the other."""
    length = standing["length_m"].sum()
    again = standing["section_id"].isin(chosen["section_id"])
    return float(standing.loc[again, "length_m"].sum() / length) if length > 0 else np.nan
