"""What does a failure cost, what does replacing cable buy, and from which failure rate does it pay?"""

import math
from dataclasses import dataclass

import numpy as np
import pandas as pd

from shared.arrays import Floats, Integers
from shared.settings import Replacement

KINDS = ("residential", "business", "critical")
"""Kinds of customers that terminals may record and settings may price."""


@dataclass(frozen=True)
class FailureCosts:
    """Minutes and money of a failure, learned from closed jobs.

    minutes_per_customer has the columns district_id, configuration and minutes_per_customer (customer-minutes
    over customers interrupted, so minutes a customer is out); jobs says how many jobs are behind a row.
    """

    minutes_per_customer: pd.DataFrame
    fleet_minutes_per_customer: float
    fleet_customers_interrupted: float
    repair_cost: float
    repair_cost_jobs: int


@dataclass(frozen=True)
class NewCable:
    """Failures of the cable that would be put in, and whether the fleet or the settings say so."""

    rate_per_100km_year: float
    cable_class: str | None
    failures: int
    exposure_km_years: float


def annuity_factor(years: float, discount_rate_pct: float) -> float:
    """Present value of one unit of money a year, paid evenly over some years.

    Parameters
    ----------
    years
        Years over which it is paid.
    discount_rate_pct
        Discount rate, percent a year, compounded yearly.

    Notes
    -----
    Integral of (1 + r)^-t from 0 to years: (1 - (1 + r)^-years) / ln(1 + r), and years at r = 0.

    Checked by: tests/published/test_ranking_costs.py
    """
    force = math.log1p(discount_rate_pct / 100.0)
    return years if force == 0.0 else -math.expm1(-force * years) / force


def learn_failure_costs(jobs: pd.DataFrame, settings: Replacement, *, small_group: int) -> FailureCosts:
    """Learn from closed jobs how long a customer is out and what a repair costs.

    Parameters
    ----------
    jobs
        Closed jobs with district_id, configuration, customers_interrupted, customer_minutes [min] and
        repair_cost [money]; a missing value leaves the job out of that figure alone.
    settings
        Gives the repair cost where fewer than small_group jobs state one.
    small_group
        A district and configuration with fewer jobs takes the configuration's figure, then the fleet's.

    Notes
    -----
    A ratio of sums: the mean of ratios would let a job with three customers weigh as much as one with 300.

    Checked by: tests/unit/test_ranking_costs.py
    """
    jobs = jobs.assign(configuration=jobs["configuration"].astype("object").fillna("unknown"))
    usable = jobs[jobs["customers_interrupted"].gt(0) & jobs["customer_minutes"].ge(0)]
    cells = _minutes_by(usable, ["district_id", "configuration"])
    wider = _minutes_by(usable, ["configuration"])
    fleet = float(usable["customer_minutes"].sum() / max(usable["customers_interrupted"].sum(), 1))
    of_configuration = cells["configuration"].map(wider.set_index("configuration")["minutes_per_customer"])
    many = cells["configuration"].map(wider.set_index("configuration")["jobs"]).ge(small_group)
    fallback = of_configuration.where(many, fleet)
    cells["minutes_per_customer"] = cells["minutes_per_customer"].where(cells["jobs"].ge(small_group), fallback)
    stated = jobs["repair_cost"].dropna()
    enough = len(stated) >= small_group
    return FailureCosts(
        minutes_per_customer=cells,
        fleet_minutes_per_customer=fleet,
        fleet_customers_interrupted=float(usable["customers_interrupted"].mean()) if len(usable) else 0.0,
        repair_cost=float(stated.mean()) if enough else settings.repair_cost,
        repair_cost_jobs=len(stated) if enough else 0,
    )


def _minutes_by(jobs: pd.DataFrame, by: list[str]) -> pd.DataFrame:
    sums = (
        jobs.groupby(by, dropna=False)
        .agg(
            jobs=("customer_minutes", "size"),
            minutes=("customer_minutes", "sum"),
            customers=("customers_interrupted", "sum"),
        )
        .reset_index()
    )
    return sums.assign(minutes_per_customer=sums["minutes"] / sums["customers"])[[*by, "jobs", "minutes_per_customer"]]


def add_consequences(sections: pd.DataFrame, costs: FailureCosts) -> pd.DataFrame:
    """Add to every section the customers, minutes and repair money that one failure of it costs.

    Parameters
    ----------
    sections
        Sections in service: section_id, loop_id, half_loop_id, district_id, configuration, customers (of the
        section), loop_customers (of the whole loop); where recorded, customers_residential and the other KINDS.

    Returns
    -------
    DataFrame
        The same rows with customers_interrupted_per_failure, customer_minutes_per_failure [min],
        repair_cost_per_failure [money] and, of the kinds recorded, residential_per_failure and so on.

    Notes
    -----
    A failure interrupts the half-loop between the source and the normal open point: the customers of its
    sections; else half the loop's customers (all of them where it is radial); else the fleet's mean of
    customers interrupted.

    Checked by: tests/unit/test_ranking_costs.py
    """
    # whole numbers with gaps come from the warehouse as such, and take no mean
    own, of_loop = (sections[name].astype("float64") for name in ("customers", "loop_customers"))
    half_loop = own.groupby(sections["half_loop_id"]).transform("sum")
    sections = sections.assign(configuration=sections["configuration"].astype("object").fillna("unknown"))
    share = np.where(sections["configuration"].eq("radial"), 1.0, 0.5)
    customers = half_loop.where(half_loop > 0).fillna(of_loop * share).fillna(costs.fleet_customers_interrupted)
    minutes = (
        sections[["district_id", "configuration"]]
        .merge(costs.minutes_per_customer, on=["district_id", "configuration"], how="left")["minutes_per_customer"]
        .fillna(costs.fleet_minutes_per_customer)
    )
    by_kind = {
        f"{kind}_per_failure": sections[f"customers_{kind}"].astype("float64")
        for kind in KINDS
        if f"customers_{kind}" in sections
    }
    return sections.assign(
        **{name: count.groupby(sections["half_loop_id"]).transform("sum") for name, count in by_kind.items()},
        customers_interrupted_per_failure=customers.astype(float),
        customer_minutes_per_failure=customers.to_numpy(dtype=float) * minutes.to_numpy(dtype=float),
        repair_cost_per_failure=costs.repair_cost,
    )


def find_new_cable(
    sections: pd.DataFrame, failures: pd.DataFrame, settings: Replacement, *, min_failures: int, as_of: pd.Timestamp
) -> NewCable:
    """Failure rate of the cable that would be put in.

    Parameters
    ----------
    sections
        All sections with cable_class, length_km, installed_on and exposure_km_years.
    failures
        Failures that count, with cable_class.
    min_failures
        With fewer failures of that class the settings' rate is taken.

    Notes
    -----
    The class of settings.new_cable_class, else the one most laid, by length, in the ten years before as_of; its
    failures over its exposure. Over the life of the new cable investment.lifetime takes the curve of that class.

    Checked by: tests/unit/test_ranking_costs.py
    """
    installed = pd.to_datetime(sections["installed_on"])
    recent = sections[(installed > as_of - pd.DateOffset(years=10)) & (installed <= as_of)]
    if recent.empty and not settings.new_cable_class:
        return NewCable(settings.new_cable_rate_per_100km_year, None, 0, 0.0)
    name = settings.new_cable_class or str(recent.groupby("cable_class")["length_km"].sum().idxmax())
    exposure = float(sections.loc[sections["cable_class"].eq(name), "exposure_km_years"].sum())
    count = int(failures["cable_class"].eq(name).sum())
    if count < min_failures or exposure <= 0:
        return NewCable(settings.new_cable_rate_per_100km_year, None, count, exposure)
    return NewCable(100.0 * count / exposure, name, count, exposure)


@dataclass(frozen=True)
class Worth:
    """What an action on each section costs and buys, as arrays along the sections.

    cost_per_failure, cost and avoided_cost are money (present value); avoided_minutes are customer-minutes.
    """

    cost_per_failure: Floats
    cost: Floats
    avoided_cost: Floats
    avoided_failures: Floats
    avoided_minutes: Floats


def value_replacements(
    sections: pd.DataFrame, new_rate_per_100km_year: float, settings: Replacement, horizon_years: float
) -> Worth:
    """What replacing each section costs and buys, without the columns that only explain it: see value_sections.

    Notes
    -----
    Where sections have life_failures, new_life_failures and new_failures (investment.lifetime), those are valued: the
    rates then grow with age. Else the rate of the horizon is held over the life: the flat reading. Customers of a kind
    that terminals record and settings price cost that price an interruption; all others the value of their minutes.

    Checked by: tests/unit/test_ranking_costs.py (through value_sections)
    """
    length_km, expected, minutes, customers, repair = (
        sections[name].to_numpy(dtype=float)
        for name in (
            "length_km",
            "expected_failures",
            "customer_minutes_per_failure",
            "customers_interrupted_per_failure",
            "repair_cost_per_failure",
        )
    )
    of_kind, to_kinds = np.zeros(len(sections)), np.zeros(len(sections))
    for kind in KINDS:
        price = getattr(settings, f"{kind}_interruption_cost")
        if price > 0 and f"{kind}_per_failure" in sections:
            count = sections[f"{kind}_per_failure"].to_numpy(dtype=float)
            of_kind, to_kinds = of_kind + count, to_kinds + price * count
    with np.errstate(divide="ignore", invalid="ignore"):  # of no or unknown customers: nobody is left over by kind
        others = 1.0 - np.nan_to_num(np.minimum(of_kind / customers, 1.0))
    failure = (
        repair
        + to_kinds
        + others * settings.customer_minute_value * np.nan_to_num(minutes)
        + others * settings.customer_event_value * np.nan_to_num(customers)
    )
    if "life_failures" in sections:
        new, life, new_life = (
            sections[name].to_numpy(dtype=float) for name in ("new_failures", "life_failures", "new_life_failures")
        )
        avoided, over_life = expected - new, life - new_life
    else:
        avoided = expected - new_rate_per_100km_year / 100.0 * length_km * horizon_years
        over_life = avoided / horizon_years * annuity_factor(settings.cable_life_years, settings.discount_rate_pct)
    return Worth(
        cost_per_failure=failure,
        cost=length_km * price_per_km(sections, settings),
        avoided_cost=over_life * failure,
        avoided_failures=avoided,
        avoided_minutes=avoided * minutes,
    )


def price_per_km(sections: pd.DataFrame, settings: Replacement) -> Floats:
    """Price of replacing a kilometre of each section: buried or in duct, by its installation."""
    duct = sections["installation"].eq("duct").to_numpy(dtype=bool)
    return 1000.0 * np.where(duct, settings.cost_per_m_duct, settings.cost_per_m_buried)


def value_sections(
    sections: pd.DataFrame, new_rate_per_100km_year: float, settings: Replacement, horizon_years: float
) -> pd.DataFrame:
    """What replacing each section costs and buys.

    Parameters
    ----------
    sections
        Sections with length_km, installation, expected_failures (over the horizon, nothing done),
        customer_minutes_per_failure [min] and repair_cost_per_failure [money].
    new_rate_per_100km_year
        Failures of the new cable per 100 km and year.
    horizon_years
        Years that expected_failures covers.

    Returns
    -------
    DataFrame
        The same rows with cost_per_failure, replacement_cost, avoided_cost, benefit_cost_ratio,
        avoided_failures, avoided_customer_minutes, customer_minutes_at_risk, net_benefit,
        expected_rate_per_100km_year, pays_above_per_100km_year and is_paying.

    Notes
    -----
    avoided_cost = (rate now - rate of the new cable) x length x cost of a failure x annuity factor of the cable's
    life. The rate of the horizon is held afterwards: the flat reading, beside which investment.lifetime sets the one
    in which both cables grow older. Replacing pays, on this reading, where the rate exceeds

        new rate + cost per km / (cost of a failure x annuity factor),

    which is where benefit_cost_ratio passes 1. Mobilising on the loop is not in a section's cost.

    Checked by: tests/unit/test_ranking_costs.py
    """
    years = annuity_factor(settings.cable_life_years, settings.discount_rate_pct)
    length_km, expected, minutes = (
        sections[name].to_numpy(dtype=float)
        for name in ("length_km", "expected_failures", "customer_minutes_per_failure")
    )
    worth = value_replacements(sections, new_rate_per_100km_year, settings, horizon_years)
    failure, cost, avoided_cost = worth.cost_per_failure, worth.cost, worth.avoided_cost
    with np.errstate(divide="ignore", invalid="ignore"):  # of no length or no cost: no ratio, or an endless one
        return sections.assign(
            cost_per_failure=failure,
            replacement_cost=cost,
            avoided_cost=avoided_cost,
            benefit_cost_ratio=avoided_cost / np.where(cost > 0, cost, np.nan),
            net_benefit=avoided_cost - cost,
            avoided_failures=worth.avoided_failures,
            avoided_customer_minutes=worth.avoided_minutes,
            customer_minutes_at_risk=expected * minutes,
            expected_rate_per_100km_year=100.0 * expected / (length_km * horizon_years),
            pays_above_per_100km_year=(
                new_rate_per_100km_year + 100.0 * price_per_km(sections, settings) / (failure * years)
            ),
            is_paying=avoided_cost > cost,
        )


def value_injections(
    sections: pd.DataFrame, replaced: Worth, places: Integers, settings: Replacement, horizon_years: float
) -> Worth:
    """What injecting sections costs and buys, were they injected.

    Parameters
    ----------
    sections
        Sections with length_km, expected_failures (over the horizon, nothing done) and customer_minutes_per_failure
        [min].
    replaced
        What replacing all of them is worth: a failure costs the same.
    places
        Which of them may be injected.
    settings
        cost_per_m_injected, injection_multiplier, injection_years and discount_rate_pct are used.
    horizon_years
        Years that expected_failures covers.

    Returns
    -------
    Worth
        Along the places.

    Notes
    -----
    The cable stays, and fails injection_multiplier times as often for injection_years, then as before:

        avoided_cost = (1 - multiplier) x rate now x length x cost of a failure x annuity factor of those years,

    or, where sections have injected_failures (investment.lifetime), with the failures of those years as they grow.

    Failures avoided are counted over the horizon, as those of replacing are, or over injection_years if fewer.

    Checked by: tests/unit/test_investment_plan.py (through plan_years)
    """
    length, expected, minutes = (
        sections[name].to_numpy(dtype=float)[places]
        for name in ("length_km", "expected_failures", "customer_minutes_per_failure")
    )
    each = replaced.cost_per_failure[places]
    less = 1.0 - settings.injection_multiplier
    yearly = expected / horizon_years
    if "injected_failures" in sections:
        over_years = sections["injected_failures"].to_numpy(dtype=float)[places]
    else:
        over_years = yearly * annuity_factor(settings.injection_years, settings.discount_rate_pct)
    avoided = less * yearly * min(horizon_years, settings.injection_years)
    return Worth(
        cost_per_failure=each,
        cost=1000.0 * settings.cost_per_m_injected * length,
        avoided_cost=less * over_years * each,
        avoided_failures=avoided,
        avoided_minutes=avoided * minutes,
    )
