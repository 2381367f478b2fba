"""Reads the fleet, ranks it, plans a programme, back-tests the ranking, and writes what it found."""

from __future__ import annotations

import duckdb
import pandas as pd

from pipelines.replacement import assemble, assemble_money, belief, kept_rankings
from pipelines.replacement.churn import is_worth_keeping, take_ranking
from pipelines.survival.history import code_names
from pipelines.survival.model import FailureHistory, fit_failure_model
from pipelines.survival.step import read_choices
from shared.settings import Settings
from shared.store import read_model, write_table

TABLES = (
    "fitted.section_ranking", "fitted.loop_ranking", "fitted.group_ranking", "fitted.programme",
    "fitted.programme_years", "fitted.cost_curve", "fitted.input_sensitivity", "fitted.replacement_figures",
    *belief.TABLES,
)


def run(con: duckdb.DuckDBPyConnection, settings: Settings) -> dict[str, int]:
    """Write the replacement tables of the fitted layer.

    Returns
    -------
    dict of str to int
        Rows written, by table.
    """
    # ---- read
    sections = read_model(con, "core.section_exposure")
    failures = read_model(con, "core.failures")
    jobs = read_model(con, "core.job_stages", columns=[
        "job_id", "loop_id", "district_id", "configuration", "customers_interrupted", "customer_minutes",
    ])
    stated = read_model(con, "staging.jobs", columns=["job_id", "repair_cost"])
    retired = read_model(con, "staging.sections", columns=["section_id", "retired_because"])
    loops = read_model(con, "staging.loops", columns=["loop_id", "configuration", "customers"])
    form_now = read_choices(con)
    kept = kept_rankings.read_kept(con)
    as_of = settings.general.as_of
    if as_of is None:
        raise ValueError("general.as_of must be resolved before the step runs")

    # ---- compute
    if sections.empty:
        return {name: _write(con, name, pd.DataFrame()) for name in TABLES}
    history = code_names(FailureHistory(sections=sections, failures=failures, as_of=as_of))
    model = fit_failure_model(history, settings, form_now)
    facts = assemble.gather(history, model, jobs.merge(stated, on="job_id", how="left"), loops, settings)
    section_ranking = assemble.rank_sections(facts, settings)
    loop_ranking = assemble.rank_loops(facts, section_ranking, settings)
    group_ranking = assemble.rank_half_loops_and_districts(facts, section_ranking, settings)
    money = assemble_money.plan_money(facts, model, settings)
    now = take_ranking(
        kept_rankings.next_run_number(con), as_of, f"{form_now.hazard} (penalty {form_now.penalty:g})",
        kept_rankings.settings_of_ranking(settings), settings.general.horizon_years, loop_ranking, section_ranking,
    )
    believed = belief.try_ranking(history, model, form_now, retired, settings) | belief.compare_with_kept(kept, now)

    # ---- write
    if is_worth_keeping(kept, now):
        kept_rankings.write_kept(con, now)
    frames = (
        section_ranking, loop_ranking, group_ranking, money.programme, money.years, money.curve, money.sensitivity,
        money.figures,
        *(believed[name] for name in belief.TABLES),
    )
    return {name: _write(con, name, frame) for name, frame in zip(TABLES, frames, strict=True)}


def _write(con: duckdb.DuckDBPyConnection, name: str, frame: pd.DataFrame) -> int:
    from shared import dictionary

    wanted = list(dictionary.tables()[name].columns)
    return write_table(con, name, frame[wanted] if len(frame.columns) else pd.DataFrame(columns=wanted))
