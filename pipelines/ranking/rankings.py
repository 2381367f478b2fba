"""What does the ranking of sections and of loops say, put together from forecast, money, limits and reasons?"""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from pipelines.ranking.costs import (
    FailureCosts,
    NewCable,
    add_consequences,
    find_new_cable,
    learn_failure_costs,
    value_sections,
)
from pipelines.ranking.rank_limits import group_alike, rank_units
from pipelines.ranking.reasons import explain_loops
from pipelines.survival.history import code_names, counts_as_failure, find_rows
from pipelines.survival.model import FailureHistory, FailureModel
from shared.settings import Settings


@dataclass(frozen=True)
class Facts:
    """Everything the rankings are made of: sections in service with forecast and money, and groups with forecast."""

    sections: pd.DataFrame
    half_loops: pd.DataFrame
    loops: pd.DataFrame
    districts: pd.DataFrame
    costs: FailureCosts
    new_cable: NewCable
    horizon_years: float


def gather(
    history: FailureHistory,
    model: FailureModel,
    jobs: pd.DataFrame,
    loops: pd.DataFrame,
    settings: Settings,
    kinds: pd.DataFrame | None = None,
) -> Facts:
    """Put forecast, register and money together.

    Parameters
    ----------
    history, model
        What is known, and the failure model fitted to it.
    jobs
        Closed jobs with district_id, configuration, customers_interrupted, customer_minutes, repair_cost.
    loops
        Loops with configuration and customers.
    settings
        general and replacement are used.
    kinds
        Customers by kind at the end of each section: section_id and customers_residential, _business, _critical.

    Notes
    -----
    Checked by: tests/unit/test_ranking_rankings.py (through run_replacement)
    """
    horizon = settings.general.horizon_years
    history = history.keep(code_names)
    counted = history.failures[counts_as_failure(history.failures) & history.failures["section_id"].notna()]
    last = pd.to_datetime(counted["failed_on"]).groupby(counted["section_code"]).max()
    code = model.windows.sections["section_code"].to_numpy()[model.rows_in_service]
    register = history.sections[
        [
            "position",
            "installation",
            "insulation",
            "conductor",
            "rejuvenated_on",
            "installed_on",
            "customers",
            "length_m",
        ]
    ].iloc[history.keep(find_rows)[code]]
    sections = pd.concat([model.forecast(horizon), register.reset_index(drop=True)], axis=1).merge(
        loops.rename(columns={"customers": "loop_customers"}), on="loop_id", how="left"
    )
    if kinds is not None:
        sections = sections.merge(kinds, on="section_id", how="left")
    sections = sections.assign(
        last_failure_on=last.reindex(code).to_numpy(),
        installed_on=pd.to_datetime(sections["installed_on"]).where(sections["is_installed_on_known"].astype(bool)),
    )
    costs = learn_failure_costs(jobs, settings.replacement, small_group=settings.general.small_group)
    new_cable = find_new_cable(
        history.sections,
        counted,
        settings.replacement,
        min_failures=settings.survival.min_failures,
        as_of=pd.Timestamp(history.as_of),
    )
    valued = value_sections(
        add_consequences(sections, costs), new_cable.rate_per_100km_year, settings.replacement, horizon
    )
    half_loops, by_loop, districts = (
        model.forecast_groups(horizon, by) for by in ("half_loop_id", "loop_id", "district_id")
    )
    return Facts(valued, half_loops, by_loop, districts, costs, new_cable, horizon)


def in_order(frame: pd.DataFrame, name: str) -> pd.DataFrame:
    """Rows by a name; not sorted again where they are in order already."""
    ordered = frame if frame[name].is_monotonic_increasing else frame.sort_values(name, kind="stable")
    return ordered.reset_index(drop=True)


def rank_sections(facts: Facts, settings: Settings) -> pd.DataFrame:
    """The section ranking: by failures expected per km, with limits, groups and money; its reasons are put in SQL.

    Checked by: tests/unit/test_ranking_rankings.py (through run_replacement)
    """
    return _add_ranks(in_order(facts.sections, "section_id"), settings.general.interval_coverage)


def rank_loops(facts: Facts, sections: pd.DataFrame, settings: Settings) -> pd.DataFrame:
    """The loop ranking, with the money of its sections and the cost of mobilising once.

    Checked by: tests/unit/test_ranking_rankings.py (through run_replacement)
    """
    return _rank_groups(facts.loops, "loop_id", facts, sections, settings).pipe(
        lambda ranked: ranked.assign(reasons=explain_loops(ranked, sections, facts.horizon_years))
    )


def rank_half_loops_and_districts(facts: Facts, sections: pd.DataFrame, settings: Settings) -> pd.DataFrame:
    """Half-loops and districts ranked like loops, one below the other: grouped_by, group_name and the ranking.

    Checked by: tests/unit/test_ranking_rankings.py (through run_replacement)
    """
    frames = [
        _rank_groups(groups, by, facts, sections, settings)
        .assign(grouped_by=by.removesuffix("_id"))
        .rename(columns={by: "group_name"})
        for groups, by in ((facts.half_loops, "half_loop_id"), (facts.districts, "district_id"))
    ]
    return pd.concat(frames, ignore_index=True)


def _rank_groups(
    groups: pd.DataFrame, by: str, facts: Facts, sections: pd.DataFrame, settings: Settings
) -> pd.DataFrame:
    """Groups of sections ranked by failures expected per km, with the money of their sections."""
    sections = sections.astype(dict.fromkeys((by, "loop_id", "cable_class"), "category"))  # numbered once for all sums
    summed = (
        groups.merge(_sum_sections(sections, by).astype({by: groups[by].dtype}), on=by, how="left")
        .merge(_worst_class(sections, by).astype({by: groups[by].dtype}), on=by, how="left")
        .pipe(in_order, by)
    )
    cost = summed["replacement_cost"] + settings.replacement.cost_per_loop * summed["loops"]
    summed = summed.assign(
        replacement_cost=cost,
        benefit_cost_ratio=summed["avoided_cost"] / cost.where(cost > 0),
        net_benefit=summed["avoided_cost"] - cost,
        expected_rate_per_100km_year=100.0 * summed["expected_failures"] / (summed["length_km"] * facts.horizon_years),
    )
    return _add_ranks(summed, settings.general.interval_coverage)


def rank_posteriors(units: pd.DataFrame, coverage: float) -> pd.DataFrame:
    """Ranks with limits, and groups that cannot be told apart, of units with gamma_shape, expected_failures, length_km.

    Notes
    -----
    Checked by: tests/simulated/ranking_study.py, tests/unit/test_ranking_rankings.py (through run_replacement)
    """
    shape, expected = units["gamma_shape"].to_numpy(dtype=float), units["expected_failures"].to_numpy(dtype=float)
    with np.errstate(divide="ignore"):
        rate = shape * units["length_km"].to_numpy(dtype=float) / expected
    ranks = rank_units(shape, rate, coverage).to_frame()
    return ranks.assign(alike_group=group_alike(shape, rate, coverage))


def _add_ranks(units: pd.DataFrame, coverage: float) -> pd.DataFrame:
    by_money = (-units["benefit_cost_ratio"].fillna(-np.inf)).rank(method="first").astype("int64")
    return pd.concat([units, rank_posteriors(units, coverage)], axis=1).assign(rank_by_money=by_money)


def _sum_sections(sections: pd.DataFrame, by: str) -> pd.DataFrame:
    return (
        sections.groupby(by, observed=True)
        .agg(
            loops=("loop_id", "nunique"),
            oldest_installed=("installed_on", "min"),
            last_failure_on=("last_failure_on", "max"),
            replacement_cost=("replacement_cost", "sum"),
            avoided_cost=("avoided_cost", "sum"),
            avoided_failures=("avoided_failures", "sum"),
            customer_minutes_at_risk=("customer_minutes_at_risk", "sum"),
            sections_paying=("is_paying", "sum"),
        )
        .reset_index()
    )


def _worst_class(sections: pd.DataFrame, by: str) -> pd.DataFrame:
    """Class from which each group expects the most failures, with its length there."""
    by_class = sections.groupby([by, "cable_class"], observed=True)
    sums = by_class[["expected_failures", "length_km"]].sum().reset_index()
    ordered = sums.sort_values([by, "expected_failures"], ascending=[True, False], kind="stable")
    return ordered.drop_duplicates(by)[[by, "cable_class", "length_km"]].rename(
        columns={"cable_class": "worst_class", "length_km": "worst_class_km"}
    )
