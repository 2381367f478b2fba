"""What do replacing, injecting and waiting cost and avoid on any list of sections, over any number of years?"""

import dataclasses
import math
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import pandas as pd

from pipelines.investment.fleet_draws import FleetDraws
from pipelines.investment.lifetime import LONGEST_YEARS as LONGEST_YEARS
from pipelines.investment.lifetime import Lifetime, weigh_years
from pipelines.ranking.costs import annuity_factor
from shared.arrays import Booleans, Floats
from shared.settings import Replacement, Settings

ACTIONS = ("replace", "inject", "wait", "mix")
"""What is compared: all replaced; those injected that can be, the others waiting; nothing done; each its own best."""

WAITS = (1, 5)
"""Years of which it is said what waiting costs."""

SEED = 1961
"""Of the draws: the same list has the same limits."""

Rows = list[dict[str, object]]


@dataclass(frozen=True)
class Listed:
    """A list of sections with all that the results hold of them.

    Parameters
    ----------
    sections
        One row a section: section_id, loop_id, cost_per_failure [money], customer_minutes_per_failure [min],
        replace_cost, inject_cost [money; missing where it cannot be injected], replace_avoided_cost,
        inject_avoided_cost, best_action_now, cost_of_waiting, new_cable_km.
    lifetime
        Failures of the sections year by year, nothing done, and of new cable.
    draws
        What is uncertain of them.
    new_variation, left_variation
        Coefficients of variation of new cable's failures and of the share that injection leaves.
    terms
        With the share that injection leaves as the records have it.
    coverage
        Of the limits.
    """

    sections: pd.DataFrame
    lifetime: Lifetime
    draws: FleetDraws
    new_variation: float
    left_variation: float
    terms: Replacement
    coverage: float

    def take(self, kept: Booleans) -> "Listed":
        """Of some of its sections alone."""
        draws = dataclasses.replace(
            self.draws, **{name: getattr(self.draws, name)[kept] for name in ("own", "loop", "kind")}
        )
        return dataclasses.replace(
            self, sections=self.sections[kept], lifetime=self.lifetime.take(np.flatnonzero(kept)), draws=draws
        )

    @cached_property
    def around(self) -> tuple[Floats, Floats]:
        """Draws of new cable's level about 1, and of the share that injection leaves."""
        rng, size = np.random.default_rng(SEED), self.draws.standard.shape[2]
        new, left = (1.0 / max(v, 1e-6) ** 2 for v in (self.new_variation, self.left_variation))
        share = self.terms.injection_multiplier * rng.gamma(left, 1.0 / left, size)
        return np.asarray(rng.gamma(new, 1.0 / new, size)), np.asarray(np.minimum(share, 1.0))

    def total(self, old: Floats, left: Floats, new: Floats, price: Floats) -> tuple[float, float, float]:
        """A sum over the list with its limits.

        Parameters
        ----------
        old, left
            Years x sections: how often the sum counts the old cable's failures, and how often times the share that
            injection leaves.
        new
            One a section: how often it counts those of the new cable in its place.
        price
            Years x sections: what a failure counts.

        Notes
        -----
        Old cable: FleetDraws.draw of what each section is expected to add, its classes' growth erring as the mean over
        the years by what they add. The share that injection leaves, and the level of new cable, are one for all.

        Checked by: tests/unit/test_investment_weigh.py (through weigh)
        """
        share, years = self.terms.injection_multiplier, len(price)
        failures = self.lifetime.old[:years] * price
        always, injected = failures * old, failures * left
        weights, of_new = always + share * injected, 0.0
        if new.any():
            of_new = float(self.lifetime.new_yearly(years) @ price @ (new * self.lifetime.new_km))
        level, drawn_share = self.around
        of_old, drawn = float(weights.sum()), level * of_new
        if of_old > 0:
            kinds = np.arange(len(self.draws.classes))
            yearly = weights @ (self.draws.kind[:, None] == kinds)
            draws = dataclasses.replace(self.draws, yearly=yearly)
            growth = draws.average_growth(np.ones(years))
            moved = (always.sum() + drawn_share * injected.sum()) / of_old
            drawn = drawn + moved * draws.draw(weights.sum(axis=0), growth, np.random.default_rng(SEED))
        tail = (1.0 - self.coverage) / 2.0
        lo, hi = np.quantile(drawn, [tail, 1.0 - tail])
        return of_old + of_new, float(lo), float(hi)

    def expect(self, years: int) -> tuple[float, float, float]:
        """Failures over some years, nothing done, with limits.

        Checked by: tests/simulated/test_investment_weigh_simulated.py
        """
        counted = np.ones((years, len(self.sections)))
        return self.total(counted, 0.0 * counted, np.zeros(len(self.sections)), counted)


def put_together(
    sections: pd.DataFrame,
    class_draws: pd.DataFrame,
    class_growth: pd.DataFrame,
    new_cable: pd.DataFrame,
    figures: pd.Series,
    settings: Settings,
) -> Listed:
    """A list from what the results hold of it.

    Parameters
    ----------
    sections
        What Listed asks for, with cable_class, failures_ahead, own_variance and loop_variance.
    class_draws, class_growth, new_cable
        marts.class_draws, fitted.class_growth and fitted.new_cable_ahead.
    figures
        Amounts of marts.replacement_figures by their name.
    settings
        Of the run.

    Notes
    -----
    Checked by: tests/unit/test_investment_weigh.py
    """
    kind, classes = pd.factorize(sections["cable_class"], sort=True)
    loop, _ = pd.factorize(sections["loop_id"], sort=True)
    factor, normal = (
        class_draws.pivot_table(name, "cable_class", "draw").loc[classes].to_numpy()
        for name in ("level_factor", "growth_normal")
    )
    # a normal and a deviation that make the factor that is written: any pair does, here of deviation 1
    standard, level = np.stack([np.log(factor) + 0.5, normal]), np.ones(len(classes))
    growth = class_growth.pivot_table("growth_deviation", "years_ahead", "cable_class")[classes].to_numpy()
    shared = sections.groupby(loop)["loop_variance"].first().to_numpy()
    own, old = sections["own_variance"].to_numpy(), np.stack(sections["failures_ahead"].to_list(), axis=1)
    terms, general = settings.replacement, settings.general
    if terms.injection_multiplier < 1.0:
        terms = dataclasses.replace(terms, injection_multiplier=min(figures["injection_left"], 1.0))
    new, km = (
        table[name].to_numpy() for table, name in ((new_cable, "new_failures_per_km"), (sections, "new_cable_km"))
    )
    return Listed(
        sections,
        Lifetime(old.astype(np.float64), new, km, general.horizon_years),
        FleetDraws(list(classes), own, shared, loop, kind, np.zeros((0, 0)), level, growth, standard),
        figures["new_cable_variation"],
        figures["injection_left_variation"],
        terms,
        general.interval_coverage,
    )


def choose_actions(listed: Listed) -> dict[str, np.ndarray]:
    """Of each of ACTIONS what is done to each section: replace, inject or wait.

    Notes
    -----
    In the mix each section has its best action of today (section_options.best_action_now); on a loop where all that
    gains less than mobilising costs, nothing is done.

    Checked by: tests/unit/test_investment_weigh.py
    """
    rows = listed.sections
    best = rows["best_action_now"].astype("str")
    gain = (rows["replace_avoided_cost"] - rows["replace_cost"]).where(best.eq("replace"), 0.0)
    gain = gain.where(best.ne("inject"), rows["inject_avoided_cost"] - rows["inject_cost"])
    pays = gain.groupby(rows["loop_id"]).transform("sum") > listed.terms.cost_per_loop
    return {
        "replace": np.full(len(rows), "replace", dtype=object),
        "inject": np.where(rows["inject_cost"].notna(), "inject", "wait").astype(object),
        "wait": np.full(len(rows), "wait", dtype=object),
        "mix": best.where(pays, "wait").to_numpy(dtype=object),
    }


def weigh(listed: Listed, years: int) -> pd.DataFrame:
    """Replacing, injecting, waiting and the cheapest mix side by side.

    Parameters
    ----------
    years
        Horizon, 1 to LONGEST_YEARS, over which failures, minutes and the cost avoided in the horizon are counted.

    Returns
    -------
    DataFrame
        One row of each of ACTIONS: action, sections_replaced, replaced_km, sections_injected, injected_km, loops
        (worked on), cost (with mobilising on them), mobilising_cost, and with limits expected_failures,
        avoided_failures, customer_minutes_at_risk and avoided_customer_minutes (over the horizon),
        avoided_cost_in_horizon and avoided_cost (over the life of new cable or of the injection; both present value)
        and benefit_cost (avoided_cost over cost); net_benefit (avoided_cost less cost).

    Notes
    -----
    Limits are of the mean number of failures, not of the count; see Listed.total.

    Checked by: tests/unit/test_investment_weigh.py
    """
    terms, rows, count = listed.terms, listed.sections, len(listed.sections)
    failure, minutes = (
        rows[name].to_numpy(dtype=float) for name in ("cost_per_failure", "customer_minutes_per_failure")
    )
    rate = terms.discount_rate_pct
    life, injection = (weigh_years(each, rate) for each in (terms.cable_life_years, terms.injection_years))
    long = max(len(life), len(injection))
    under = np.clip(terms.injection_years - np.arange(years), 0.0, 1.0)[:, None]
    one, money = np.ones((years, count)), weigh_years(years, rate)[:, None] * failure
    made: Rows = []
    for action, done in choose_actions(listed).items():
        replaced, injected = done == "replace", done == "inject"
        worked, loops = replaced | injected, rows.loc[replaced | injected, "loop_id"].nunique()
        cost = float(rows["replace_cost"][replaced].sum() + rows["inject_cost"][injected].sum())
        mobilising = terms.cost_per_loop * loops
        still = one * ~replaced - under * injected
        # over the life: each action its own years, the last of them in part
        lived = np.zeros((long, count))
        lived[: len(life)] += life[:, None] * replaced
        lived[: len(injection)] += injection[:, None] * injected
        each = np.ones((long, 1)) * worked
        totals = {
            "expected_failures": listed.total(still, under * injected, 1.0 * replaced, one),
            "avoided_failures": listed.total(one - still, -under * injected, -1.0 * replaced, one),
            "customer_minutes_at_risk": listed.total(still, under * injected, 1.0 * replaced, one * minutes),
            "avoided_customer_minutes": listed.total(one - still, -under * injected, -1.0 * replaced, one * minutes),
            "avoided_cost_in_horizon": listed.total(one - still, -under * injected, -1.0 * replaced, money),
            "avoided_cost": listed.total(each, -each * injected, -1.0 * replaced, lived * failure),
        }
        spent = cost + mobilising
        avoided = totals["avoided_cost"]
        totals["benefit_cost"] = tuple(end / spent if spent > 0 else math.nan for end in avoided)  # type: ignore[assignment]
        row: dict[str, object] = {
            "action": action,
            "sections_replaced": int(replaced.sum()),
            "replaced_km": float(rows["length_km"][replaced].sum()),
            "sections_injected": int(injected.sum()),
            "injected_km": float(rows["length_km"][injected].sum()),
            "loops": loops,
            "cost": spent,
            "mobilising_cost": mobilising,
        }
        for name, ends in totals.items():
            row |= dict(zip((name, f"{name}_lo", f"{name}_hi"), ends, strict=True))
        made.append(row | {"net_benefit": avoided[0] - spent})
    return pd.DataFrame(made)


def weigh_waiting(listed: Listed) -> pd.DataFrame:
    """What waiting some years costs before the whole list is replaced, against replacing it today.

    Returns
    -------
    DataFrame
        One row of each of WAITS: wait_years, and with limits expected_failures, customer_minutes_at_risk and
        failure_cost (present value) of those years; later_payment_saves (what replacing later in place of today
        saves: the yearly charge of new cable, lifetime.find_best_year) and cost_of_waiting (failure_cost less that;
        below zero waiting saves money).

    Notes
    -----
    Checked by: tests/unit/test_investment_weigh.py
    """
    rows, rate, count = listed.sections, listed.terms.discount_rate_pct, len(listed.sections)
    failure, minutes = (
        rows[name].to_numpy(dtype=float) for name in ("cost_per_failure", "customer_minutes_per_failure")
    )
    first = annuity_factor(1.0, rate)
    # cost_of_waiting is a year's failures less the charge
    charge = failure * listed.lifetime.old[0] - rows["cost_of_waiting"].to_numpy(dtype=float) / first
    made: Rows = []
    for years in WAITS:
        one, nothing = np.ones((years, count)), np.zeros(count)
        money = weigh_years(years, rate)[:, None] * failure
        row: dict[str, object] = {"wait_years": years}
        saves = float(charge.sum()) * annuity_factor(years, rate)
        for name, price in (
            ("expected_failures", one),
            ("customer_minutes_at_risk", one * minutes),
            ("failure_cost", money),
        ):
            ends = listed.total(one, 0.0 * one, nothing, price)
            row |= dict(zip((name, f"{name}_lo", f"{name}_hi"), ends, strict=True))
        row |= {"later_payment_saves": saves, "cost_of_waiting": ends[0] - saves}
        row |= {"cost_of_waiting_lo": ends[1] - saves, "cost_of_waiting_hi": ends[2] - saves}
        made.append(row)
    return pd.DataFrame(made)
