"""Ranks the fleet and writes the rankings, and what moved since the last one."""

import duckdb
import pandas as pd

from pipelines.ranking import ranking_history, rankings
from pipelines.ranking.costs import KINDS
from pipelines.ranking.rank_changes import choose_earlier, compare_rankings, is_worth_keeping, take_ranking
from pipelines.survival.model import FailureHistory, FailureModel
from pipelines.survival.step import FittedFleet
from shared.settings import Settings
from shared.store import read_model, write_tables

TABLES = ("fitted.section_ranking", "marts.loop_ranking", "marts.group_ranking", "marts.ranking_churn")


def run(
    con: duckdb.DuckDBPyConnection, fitted: FittedFleet | None, settings: Settings
) -> tuple[dict[str, int], rankings.Facts | None]:
    """Rank the fleet; returns rows by table, and the facts the ranking rests on. Without a section, empty tables."""
    if fitted is None:
        return write_tables(con, dict.fromkeys(TABLES, pd.DataFrame())), None
    # read
    history, form = fitted.history, fitted.form
    facts = gather_facts(con, history, fitted.model, settings)
    kept = ranking_history.read_kept(con)
    run_number = ranking_history.next_run_number(con)

    # compute
    sections = rankings.rank_sections(facts, settings)
    by_loop = rankings.rank_loops(facts, sections, settings)
    now = take_ranking(
        run_number,
        history.as_of,
        f"{form.hazard} (penalty {form.penalty:g})",
        ranking_history.settings_of_ranking(settings),
        settings.general.horizon_years,
        by_loop,
        sections,
    )
    groups = rankings.rank_half_loops_and_districts(facts, sections, settings)
    changes = compare_rankings(choose_earlier(kept, now), now)

    # write
    if is_worth_keeping(kept, now):
        ranking_history.write_kept(con, now)
    return write_tables(con, dict(zip(TABLES, (sections, by_loop, groups, changes), strict=True))), facts


def gather_facts(
    con: duckdb.DuckDBPyConnection, history: FailureHistory, model: FailureModel, settings: Settings
) -> rankings.Facts:
    """What ranking and plan rest on: forecast, register and money of every section."""
    columns = ["job_id", "loop_id", "district_id", "configuration", "customers_interrupted", "customer_minutes"]
    jobs = read_model(con, "core.job_stages", columns=columns)
    stated = read_model(con, "staging.jobs", columns=["job_id", "repair_cost"])
    loops = read_model(con, "staging.loops", columns=["loop_id", "configuration", "customers"])
    is_priced = any(getattr(settings.replacement, f"{kind}_interruption_cost") for kind in KINDS)
    kinds = read_kinds(con) if is_priced else None
    return rankings.gather(history, model, jobs.merge(stated, on="job_id", how="left"), loops, settings, kinds)


def read_kinds(con: duckdb.DuckDBPyConnection) -> pd.DataFrame:
    """Customers by kind at the terminal at each section's end: section_id and customers_residential and so on."""
    ends = read_model(con, "staging.sections", columns=["section_id", "to_terminal_id"])
    columns = ["terminal_id", *(f"customers_{kind}" for kind in KINDS)]
    terminals = read_model(con, "staging.terminals", columns=columns).rename(columns={"terminal_id": "to_terminal_id"})
    # one row a terminal: no section multiplies
    return ends.merge(terminals, on="to_terminal_id", how="left").drop(columns="to_terminal_id")
