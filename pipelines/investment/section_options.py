"""What is there to do about each section, what does it return, and when is it best done?"""

import datetime as dt

import numpy as np
import pandas as pd

from pipelines.investment.lifetime import Lifetime, find_best_year
from pipelines.ranking.costs import value_injections, value_replacements
from shared.settings import Replacement


def list_section_options(
    sections: pd.DataFrame,
    lifetime: Lifetime,
    programme: pd.DataFrame,
    new_rate_per_100km_year: float,
    terms: Replacement,
    as_of: dt.date,
    decided: list[str] | str = "free",
) -> pd.DataFrame:
    """Every section with what replacing and injecting it cost and return, and its best year.

    Parameters
    ----------
    sections
        Sections by section_id in the order of lifetime, with what list_options asks for, expected_failures with its
        limits and benefit_cost_ratio (the flat reading).
    programme
        Work of the plan: section_id, plan_year.
    as_of
        The plan's first year begins the day after.
    decided
        Of each section, whether it is free, committed to or excluded.

    Returns
    -------
    DataFrame
        One row a section: section_id, loop_id, decided, replace_cost, replace_avoided_cost with limits, inject_cost and
        inject_avoided_cost (missing where it cannot be injected), best_action_now, best_year (calendar year in which
        the year of the plan begins; missing: never within the life of new cable), wait_years, cost_of_waiting,
        benefit_cost_flat, benefit_cost_growing with limits, plan_year and why_waiting (of a section that pays over its
        life and is not in the first year's work: later_year, budget).

    Notes
    -----
    Limits move the old cable's failures to the limits of expected_failures (multiplier and level of the curve); what
    the new cable fails stays. best_action_now is what gains most today: replacing where its best year has come,
    injecting where it gains more, else wait.

    Checked by: tests/unit/test_investment_section_options.py
    """
    lived = lifetime.add_life(sections, terms)
    horizon = lifetime.horizon_years
    replaced = value_replacements(lived, new_rate_per_100km_year, terms, horizon)
    can = sections["is_injectable"].to_numpy(dtype=bool)
    places = np.flatnonzero(can)
    injected = value_injections(lived, replaced, places, terms, horizon)
    inject_cost, inject_avoided = np.full(len(can), np.nan), np.full(len(can), np.nan)
    inject_cost[places], inject_avoided[places] = injected.cost, injected.avoided_cost
    best = find_best_year(lifetime, replaced.cost, replaced.cost_per_failure, terms)

    expected = sections["expected_failures"].to_numpy(dtype=float)
    old = replaced.cost_per_failure * lived["life_failures"].to_numpy(dtype=float)
    ends = {}
    for end in ("lo", "hi"):
        moved = sections[f"expected_failures_{end}"].to_numpy(dtype=float)
        factor = np.divide(moved, expected, out=np.ones(len(moved)), where=expected > 0)
        ends[end] = replaced.avoided_cost + (factor - 1.0) * old
    cost = np.where(replaced.cost > 0, replaced.cost, np.nan)

    by_replacing = np.where(best.wait_years == 0, replaced.avoided_cost - replaced.cost, -np.inf)
    by_injecting = np.nan_to_num(inject_avoided - inject_cost, nan=-np.inf)
    gains = np.stack([np.zeros(len(can)), by_injecting, by_replacing])
    planned = programme.set_index(programme["section_id"].astype("str"))["plan_year"]
    planned = planned.reindex(sections["section_id"].astype("str")).astype("Int64").reset_index(drop=True)
    pays = (replaced.avoided_cost > replaced.cost) | (by_injecting > 0)
    waits = pays & (np.asarray(decided) != "excluded") & planned.ne(1).fillna(True).to_numpy(dtype=bool)
    later = (best.wait_years > 0) & ~(by_injecting > 0)
    first_year = (as_of + dt.timedelta(days=1)).year
    return pd.DataFrame(
        {
            "section_id": sections["section_id"].astype("str"),
            "loop_id": sections["loop_id"].astype("str"),
            "decided": decided,
            "replace_cost": replaced.cost,
            "replace_avoided_cost": replaced.avoided_cost,
            "inject_cost": inject_cost,
            "inject_avoided_cost": inject_avoided,
            "best_action_now": np.array(["wait", "inject", "replace"])[gains.argmax(axis=0)],
            "best_year": pd.array(np.where(best.wait_years < 0, -1, first_year + best.wait_years), dtype="Int64"),
            "benefit_cost_flat": sections["benefit_cost_ratio"],
            "benefit_cost_growing": replaced.avoided_cost / cost,
            "benefit_cost_growing_lo": ends["lo"] / cost,
            "benefit_cost_growing_hi": ends["hi"] / cost,
            "replace_avoided_cost_lo": ends["lo"],
            "replace_avoided_cost_hi": ends["hi"],
            "wait_years": pd.array(best.wait_years, dtype="Int64"),
            "cost_of_waiting": best.cost_of_waiting,
            "plan_year": planned,
            "why_waiting": pd.Series(np.where(later, "later_year", "budget")).where(waits),
        }
    ).assign(
        best_year=lambda rows: rows["best_year"].mask(rows["best_year"] < 0),
        wait_years=lambda rows: rows["wait_years"].mask(rows["wait_years"] < 0),
    )
