"""What does cable cost over its life, as it grows older, and in which year is it best replaced?

The old cable fails as the curve of its kind says at its age, times its own multiplier, until it is replaced; the new
from its first year as its class does. The flat reading, which holds the rate of the horizon for the whole life, is the
same money with other failures (see pipelines.ranking.costs).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from pipelines.ranking.costs import NewCable, annuity_factor
from pipelines.survival import chunks
from pipelines.survival.curves import expect_between
from pipelines.survival.model import FailureModel
from shared.arrays import Booleans, Floats, Integers
from shared.settings import Replacement

LONGEST_YEARS = 40
"""Years looked ahead at least: the longest horizon over which a list of sections can be weighed."""


@dataclass(frozen=True)
class Lifetime:
    """Failures year by year: of the old cable from today, of the new from the day it is laid.

    old: years x sections, failures of each section in each year after the as-of date, multiplier included, nothing
    done. new: failures of a kilometre of new cable in each year of its life. new_km:
    kilometres that the new cable of each section counts as, its two ends included. horizon_years: horizon over which
    avoided failures are counted. kept: what has been summed over the years.
    """

    old: Floats
    new: Floats
    new_km: Floats
    horizon_years: float
    kept: dict[tuple[float, ...], Floats] = field(default_factory=dict)

    def take(self, places: Integers) -> Lifetime:
        """Of some sections alone."""
        return Lifetime(self.old[:, places], self.new, self.new_km[places], self.horizon_years)

    def add_life(self, sections: pd.DataFrame, terms: Replacement, year: int = 0) -> pd.DataFrame:
        """Add to sections what list_options values: failures over the life, each at its present value.

        Parameters
        ----------
        sections
            Sections in service by section_id.
        terms
            cable_life_years, injection_years and discount_rate_pct are used.
        year
            Year of the plan in which the work is done, 0 the first.

        Returns
        -------
        DataFrame
            With life_failures and injected_failures (present value, at the start of that year, of one unit of money a
            failure of the old cable over the life of new cable, and over the years of an injection),
            new_life_failures (the same of the new cable) and new_failures (failures of the new cable over the
            horizon).

        Notes
        -----
        Checked by: tests/unit/test_investment_lifetime.py
        """
        life, injected = (
            weigh_years(years, terms.discount_rate_pct) for years in (terms.cable_life_years, terms.injection_years)
        )
        return sections.assign(
            life_failures=self._present(life, year),
            injected_failures=self._present(injected, year),
            new_life_failures=self.new_km * float(life @ self.new_yearly(len(life))),
            new_failures=self.new_km * self.new_in_horizon,
        )

    @property
    def new_in_horizon(self) -> float:
        """Failures of a kilometre of new cable over the horizon."""
        horizon = weigh_years(self.horizon_years, 0.0)
        return float(horizon @ self.new_yearly(len(horizon)))

    def _present(self, weights: Floats, first: int) -> Floats:
        """Weighed failures of the years from one on, worked out once; beyond the last year looked at, as in it."""
        key = (float(first), *weights.tolist())
        if key not in self.kept:
            years = np.minimum(np.arange(first, first + len(weights)), len(self.old) - 1)
            by_year = np.bincount(years, weights, len(self.old))
            self.kept[key] = by_year[first:] @ self.old[first:]
        return self.kept[key]

    def new_yearly(self, years: int) -> Floats:
        """Failures of a kilometre of new cable in each of its first years; beyond the last looked at, as in it."""
        return self.new[np.minimum(np.arange(years), len(self.new) - 1)]

    def tabulate(self, section_ids: pd.Series, terms: Replacement) -> tuple[pd.DataFrame, pd.DataFrame]:
        """What weighing any list needs: rows of fitted.failures_ahead and of fitted.new_cable_ahead.

        Checked by: tests/unit/test_investment_weigh.py (through plan_money)
        """
        years = max(LONGEST_YEARS, math.ceil(max(terms.cable_life_years, terms.injection_years)))
        ahead = np.ascontiguousarray(self.old[:years].T, dtype=np.float32)
        of_old = pd.DataFrame(
            {"section_id": section_ids.astype("str"), "new_cable_km": self.new_km, "failures_ahead": list(ahead)}
        )
        each = self.new_yearly(years)
        return of_old, pd.DataFrame({"years_ahead": np.arange(1, years + 1), "new_failures_per_km": each})


def weigh_years(years: float, discount_rate_pct: float) -> Floats:
    """Present value of one unit of money spread evenly over each year; the last may be part of a year.

    Notes
    -----
    The weights add up to annuity_factor(years, rate).

    Checked by: tests/unit/test_investment_lifetime.py
    """
    ends = np.append(np.arange(math.ceil(years)), years)
    return np.diff([annuity_factor(float(end), discount_rate_pct) for end in ends])


def look_ahead(
    model: FailureModel, section_ids: pd.Series, new_cable: NewCable, terms: Replacement, horizon_years: float
) -> Lifetime:
    """Failures of every section and of the cable that would take its place, year by year.

    Parameters
    ----------
    model
        The fitted failure model.
    section_ids
        Sections in service, in the order wanted.
    new_cable
        The class that would be laid; where it has none (too few failures) its rate is the settings', the same at every
        age.
    terms
        cable_life_years, injection_years and programme_years say how far to look.

    Notes
    -----
    The curves go on as their power laws do up to the age of the oldest cable on record and ten years more; beyond that
    age the rate stays. The multiplier is the section's own as it is today; new cable has none, but the level of its
    class in the last years, and the ends of its section.

    Checked by: tests/unit/test_investment_lifetime.py
    """
    life = math.ceil(max(terms.cable_life_years, terms.injection_years))
    years = max(life + terms.programme_years, LONGEST_YEARS)
    windows = model.windows
    place = pd.Index(windows.sections["section_id"]).get_indexer(section_ids.astype("str"))
    mean = model.posterior.mean[place]
    scale = (model.end_factor * model.class_level)[place] * mean
    treated, age, km_of_window = np.flatnonzero(np.isfinite(windows.treated_years)), windows.age_now, windows.km
    old, before = np.empty((years, len(place))), model.curves.cumulative(model.codes, age)
    for year in range(years):
        up_to = model.curves.cumulative(model.codes, age + (year + 1.0))
        each = up_to - before
        each[treated] = model.expect_between(treated, age[treated] + year, age[treated] + (year + 1.0))
        np.multiply(windows.sum_by_section(km_of_window * each)[place], scale, out=old[year])
        before = up_to
    km = windows.sections["length_km"].to_numpy(dtype=np.float64)[place]
    of_class = windows.sections["cable_class"].eq(new_cable.cable_class or "").to_numpy(dtype=bool)
    if not of_class.any():
        return Lifetime(old, np.full(years, new_cable.rate_per_100km_year / 100.0), km, horizon_years)
    return Lifetime(old, _new_curve(model, of_class, years), km * model.end_factor[place], horizon_years)


def _new_curve(model: FailureModel, of_class: Booleans, years: int) -> Floats:
    """Failures of a kilometre of a class in each year from its laying: mean of its kinds of cable, by length."""
    windows = model.windows
    mine = of_class[windows.owner]
    km = np.bincount(model.codes[mine], windows.km[mine])
    codes = np.flatnonzero(km)
    ages = np.arange(years, dtype=np.float64)
    each = expect_between(
        model.curves, np.repeat(codes, years), np.tile(ages, len(codes)), np.tile(ages + 1, len(codes))
    )
    level = float(np.average(model.class_level[of_class]))
    return np.asarray(level * (km[codes] @ each.reshape(len(codes), years)) / km.sum())


@dataclass(frozen=True)
class BestYear:
    """When to replace each section: years to wait (-1: never within the life) and what waiting the first year costs.

    yearly_charge: what a new cable costs a year, price and failures, at the number of years kept that makes it least.
    kept_years: that number of years. cost_of_waiting: present value; below zero, waiting saves money.
    """

    wait_years: Integers
    cost_of_waiting: Floats
    yearly_charge: Floats
    kept_years: Integers


def find_best_year(lifetime: Lifetime, cost: Floats, cost_per_failure: Floats, terms: Replacement) -> BestYear:
    """In which year is each section best replaced, if at all within the life of new cable?

    Parameters
    ----------
    lifetime
        Failures year by year, nothing done, and of new cable.
    cost
        Price of replacing each section [money].
    cost_per_failure
        What a failure of each section costs [money].
    terms
        cable_life_years and discount_rate_pct are used.

    Notes
    -----
    New cable kept N years costs, spread evenly over them,

        charge(N) = (price + cost of a failure x present failures over N years) / annuity factor of N years,

    and the least of it over N up to the life is the yearly charge. Replacing after y years costs in all

        sum over t < y of weight_t (cost of a failure x failures_t - charge) + a part that is the same for every y,

    weight_t the present value of one unit of money spread over year t. The best y makes this least; where waiting costs
    nothing, wait. Where the rate grows it is the first year whose failures cost as much as the charge. The cable laid
    is taken to be replaced by its like for ever, so that a later replacement is not charged for years beyond the life.

    References
    ----------
    R. E. Barlow and L. C. Hunter, Operations Research 8 (1960) 90-100, policy II: the same without discounting, for
    a power law.

    Checked by: tests/published/test_investment_best_year.py, tests/properties/test_investment_best_year.py
    """
    weights = weigh_years(terms.cable_life_years, terms.discount_rate_pct)
    annuity, failures = np.cumsum(weights), np.cumsum(weights * lifetime.new_yearly(len(weights)))
    wait, kept = np.zeros(len(cost), dtype=np.int64), np.zeros(len(cost), dtype=np.int64)
    charge, first = np.full(len(cost), np.inf), np.zeros(len(cost))
    for part in chunks.split(len(cost)):
        price, each_failure, best = cost[part], cost_per_failure[part], charge[part]
        of_new = each_failure * lifetime.new_km[part]
        for years in range(len(weights)):
            each = (price + of_new * failures[years]) / annuity[years]
            kept[part][each < best] = years + 1
            np.minimum(best, each, out=best)
        running, least = np.zeros(len(best)), np.zeros(len(best))
        for year, weight in enumerate(weights):
            running += weight * (each_failure * lifetime.old[year, part] - best)
            if year == 0:
                first[part] = running
            better = running <= least
            wait[part][better], least[better] = year + 1, running[better]
    return BestYear(np.where(wait == len(weights), -1, wait), first, charge, kept)


def find_waits(lifetime: Lifetime, cost: Floats, cost_per_failure: Floats, terms: Replacement) -> Integers:
    """Years to wait of find_best_year as a plan needs them, at a fraction of its time where few sections pay soon.

    Parameters
    ----------
    lifetime, cost, cost_per_failure, terms
        As in find_best_year.

    Notes
    -----
    -1 for never, and, where the plan does not ask that work pays, mostly for years after it, which it need not know
    apart (options.is_due). No charge is below the price spread over the whole life, and replacing is not best in a year
    whose failures do not cost the charge: sections that never come to that are not looked at.

    Checked by: tests/unit/test_investment_lifetime.py
    """
    life = weigh_years(terms.cable_life_years, terms.discount_rate_pct)
    years = len(life) if terms.least_benefit_cost_ratio >= 1.0 else min(terms.programme_years, len(life))
    places = np.flatnonzero(lifetime.old[:years].max(axis=0) * cost_per_failure * life.sum() >= cost)
    waits = np.full(len(cost), -1, dtype=np.int64)
    waits[places] = find_best_year(lifetime.take(places), cost[places], cost_per_failure[places], terms).wait_years
    return waits
