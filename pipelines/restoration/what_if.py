"""How many customer-minutes would each lever have saved, alone and together, and at what cost?"""

from collections.abc import Sequence

import numpy as np
import pandas as pd

from pipelines.restoration.limits import limit_clustered_means
from shared import dictionary
from shared.arrays import Floats
from shared.settings import Restoration

LEVERS = (
    "arrive_sooner",
    "search_shorter",
    "switch_sooner",
    "temporary_feed",
    "fault_indicators",
    "second_crew_at_night",
)
"""Levers in the order in which they are added to one another."""

TOGETHER: dict[str, Sequence[str]] = {"both": LEVERS[:2], "all_together": LEVERS}


def find_savings(jobs: pd.DataFrame, levers: Sequence[str], settings: Restoration) -> pd.DataFrame:
    """Customer-minutes that each lever saves on each job on top of the levers before it, one column a lever.

    Parameters
    ----------
    jobs
        One row a job: report_to_arrive and dispatch_to_arrive in minutes, customers_out_at_arrival,
        arrive_to_locate_customer_minutes, switch_customer_minutes and feed_customer_minutes (what switching sooner and
        a temporary feed would spare the customers still out once the section is found), is_radial, is_night, loop_id,
        customer_minutes. NaN: a stamp is missing or out of order.
    levers
        Those that are pulled, in order, of LEVERS.
    settings
        How far each is pulled.

    Returns
    -------
    DataFrame
        NaN where the lever would reach the job but its record does not tell; 0 where it would not reach it.

    Notes
    -----
    A job's time falls into three parts, before the arrival, the search, and the wait once the section is found, and no
    minute lies in two. Sooner arrivals take their minutes from whoever is out at the arrival, travel after them from
    what is left of it; shorter searches multiply; loops wait for switching and radials for the repair, so one lever
    reaches each. Later parts keep their length: a step that waited for something else would not come sooner, so the
    figures are upper bounds of the kind that planning needs.

    Checked by: tests/unit/test_restoration_what_if.py, tests/properties/test_restoration_two_routes.py
    """
    out, search = jobs["customers_out_at_arrival"], jobs["arrive_to_locate_customer_minutes"]
    radial, night = jobs["is_radial"].astype(bool), jobs["is_night"].astype(bool)
    gained, left = pd.Series(0.0, index=jobs.index), pd.Series(1.0, index=jobs.index)
    saved = {}
    for lever in levers:
        if lever == "arrive_sooner":
            gained = jobs["report_to_arrive"].clip(upper=settings.arrive_sooner_min)
            saved[lever] = out * gained
        elif lever == "switch_sooner":
            saved[lever] = jobs["switch_customer_minutes"].where(~radial, 0.0)
        elif lever == "temporary_feed":
            saved[lever] = (settings.feed_share * jobs["feed_customer_minutes"]).where(radial, 0.0)
        else:
            reached, share = {
                "search_shorter": (pd.Series(True, index=jobs.index), settings.search_share),
                "fault_indicators": (
                    jobs["loop_id"].isin(choose_loops(jobs, settings)),
                    settings.indicator_search_share,
                ),
                "second_crew_at_night": (night, settings.second_crew_search_share),
            }[lever]
            saved[lever] = (search * left * (1.0 - share)).where(reached, 0.0)
            left = left.where(~reached, left * share)
            if lever == "second_crew_at_night":
                travel = jobs[["dispatch_to_arrive", "report_to_arrive"]].min(axis=1, skipna=False) - gained
                sooner = (1.0 - settings.second_crew_travel_share) * out * travel.where(~(travel < 0), 0.0)
                # a job of which one part is known saves that part
                known = saved[lever].isna() & sooner.isna()
                saved[lever] = (saved[lever].fillna(0.0) + sooner.fillna(0.0)).mask(known).where(night, 0.0)
    return pd.DataFrame(saved)


def choose_loops(jobs: pd.DataFrame, settings: Restoration) -> list[str]:
    """Loops that get fault indicators: those the settings name, else those interrupted most on record."""
    if settings.indicator_loops:
        return [name.strip() for name in settings.indicator_loops.split(",")]
    hit = jobs.groupby("loop_id", observed=True)["customer_minutes"].agg(["size", "sum"]).reset_index()
    hit = hit.sort_values(["size", "sum", "loop_id"], ascending=[False, False, True])
    return [str(name) for name in hit["loop_id"].head(settings.indicator_most)]


def name_scenarios(settings: Restoration) -> dict[str, str]:
    """Name of each lever's rows, which says how far the first two are pulled."""
    share = settings.search_share
    names = {
        "arrive_sooner": f"arrive_{settings.arrive_sooner_min:g}_minutes_sooner",
        "search_shorter": "search_halved" if share == 0.5 else f"search_cut_to_{100 * share:g}_pct",
        "both": "both",
    }
    return names | {lever: lever for lever in (*LEVERS[2:], "all_together")}


def find_costs(jobs: pd.DataFrame, years: float, settings: Restoration) -> dict[str, float]:
    """Money a year that each lever costs; NaN where the settings give none of it, or of one of several together."""
    radials = float(jobs["is_radial"].sum()) / years
    given = {
        "arrive_sooner": settings.arrive_sooner_cost,
        "search_shorter": settings.search_cost,
        "switch_sooner": settings.switch_sooner_cost,
        "temporary_feed": settings.feed_cost * radials * settings.feed_share,
        "fault_indicators": settings.indicator_cost * len(choose_loops(jobs, settings)),
        "second_crew_at_night": settings.second_crew_cost,
    }
    costs = {lever: cost if cost > 0 else np.nan for lever, cost in given.items()}
    return costs | {name: float(sum(costs[lever] for lever in levers)) for name, levers in TOGETHER.items()}


def summarise_savings(
    jobs: pd.DataFrame,
    groupings: Sequence[str],
    years: float,
    settings: Restoration,
    *,
    is_whole_fleet: bool,
    coverage: float,
) -> pd.DataFrame:
    """Savings of every lever in every group, in all, by year and as a share, with what a saved minute costs.

    Parameters
    ----------
    jobs
        As for find_savings, with a column for each grouping and cluster; those without customer_minutes are left out.
    groupings
        Columns to group by.
    years
        Years the jobs span.
    settings
        How far each lever is pulled and what it costs.
    is_whole_fleet
        The jobs are all of a year or more: only then a cost a year is set against their saving, and only that of all.
    coverage
        Of the limits: those of the mean saving of a job (limits.py) times the jobs.

    Returns
    -------
    DataFrame
        marts.restoration_what_if: saved_* of the lever alone, added_customer_minutes on top of those before it.

    Notes
    -----
    Checked by: tests/unit/test_restoration_what_if.py
    """
    jobs = jobs.dropna(subset=["customer_minutes"])
    names = name_scenarios(settings)
    in_order = find_savings(jobs, LEVERS, settings)
    added = in_order.assign(all_together=in_order.sum(axis=1), both=np.nan)
    alone = {lever: find_savings(jobs, TOGETHER.get(lever, (lever,)), settings) for lever in names}
    costs = find_costs(jobs, years, settings) if is_whole_fleet else {}
    clusters = jobs["cluster"].to_numpy(dtype=np.int64)
    parts = []
    for lever, scenario in names.items():
        known = alone[lever].notna().all(axis=1)
        saved = alone[lever].fillna(0.0).sum(axis=1).to_numpy(dtype=np.float64)
        for grouping in groupings if len(jobs) else ():
            groups, mean, lo, hi = limit_clustered_means(
                saved, pd.Categorical(jobs[grouping]), clusters, coverage=coverage
            )
            total = jobs.groupby(grouping, observed=True)["customer_minutes"].sum().to_numpy()
            more = added[lever].groupby(jobs[grouping], observed=True).sum(min_count=1).to_numpy()
            cost = costs.get(lever, np.nan) if grouping == "all" else np.nan
            a_year = groups.counts / years
            parts.append(
                pd.DataFrame(
                    {
                        "scenario": scenario,
                        "grouped_by": grouping,
                        "group_name": groups.names,
                        "jobs": groups.counts,
                        "customer_minutes": total,
                        "saved_customer_minutes": mean * groups.counts,
                        "saved_lo": lo * groups.counts,
                        "saved_hi": hi * groups.counts,
                        "saved_share": _over(mean * groups.counts, total),
                        "saved_per_year": mean * groups.counts / years,
                        "lever": lever,
                        "added_customer_minutes": more,
                        "jobs_without_record": (~known).groupby(jobs[grouping], observed=True).sum().to_numpy(),
                        "cost_per_year": cost,
                        "cost_per_saved_minute": _over(cost, mean * a_year),
                        "cost_per_saved_minute_lo": _over(cost, hi * a_year),
                        "cost_per_saved_minute_hi": _over(cost, lo * a_year),
                    }
                )
            )
    return dictionary.stack_frames("marts.restoration_what_if", parts)


def _over(amount: Floats | float, by: Floats) -> Floats:
    """Amounts over others; NaN where there is nothing to divide by."""
    return np.asarray(np.divide(amount, by, out=np.full(len(by), np.nan), where=by > 0))
