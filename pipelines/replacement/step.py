"""Reads the fleet, ranks it, plans a programme, back-tests the ranking, and writes what it found."""

from __future__ import annotations

import duckdb
import pandas as pd

from pipelines.replacement import assemble, assemble_money, belief, kept_rankings
from pipelines.replacement.churn import Ranking, is_worth_keeping, take_ranking
from pipelines.survival.model import FailureHistory, FailureModel, ModelChoices, fit_failure_model
from pipelines.survival.step import read_choices, read_history
from shared.settings import Settings
from shared.store import read_model, write_table

TABLES = (
    "fitted.section_ranking",
    "fitted.loop_ranking",
    "fitted.group_ranking",
    "fitted.programme",
    "fitted.programme_years",
    "fitted.cost_curve",
    "fitted.input_sensitivity",
    "fitted.replacement_figures",
    *belief.TABLES,
)


def run(con: duckdb.DuckDBPyConnection, settings: Settings) -> dict[str, int]:
    """Write the replacement tables of the fitted layer.

    Returns
    -------
    dict of str to int
        Rows written, by table.

    Notes
    -----
    Rankings and plan are written and let go before the back-test begins, which needs the memory. A refresh is one
    transaction, so a back-test that fails takes them back.
    """
    history = read_history(con, settings)
    if history.sections.empty:
        return {name: _write(con, name, pd.DataFrame()) for name in TABLES}
    form_now = read_choices(con)
    model = fit_failure_model(history, settings, form_now)
    kept = kept_rankings.read_kept(con)
    written, now = _rank_and_plan(con, history, model, form_now, settings)
    moved = belief.compare_with_kept(kept, now)
    if is_worth_keeping(kept, now):
        kept_rankings.write_kept(con, now)
    del kept, now
    retired = read_model(con, "staging.sections", columns=["section_id", "retired_because"])
    believed = belief.try_ranking(history, model, form_now, retired, settings) | moved
    return written | {name: _write(con, name, believed[name]) for name in belief.TABLES}


def _rank_and_plan(
    con: duckdb.DuckDBPyConnection,
    history: FailureHistory,
    model: FailureModel,
    form_now: ModelChoices,
    settings: Settings,
) -> tuple[dict[str, int], Ranking]:
    """Write rankings, plan and what they rest on; returns rows written, and what may be kept of the ranking."""
    jobs = read_model(
        con,
        "core.job_stages",
        columns=["job_id", "loop_id", "district_id", "configuration", "customers_interrupted", "customer_minutes"],
    )
    stated = read_model(con, "staging.jobs", columns=["job_id", "repair_cost"])
    loops = read_model(con, "staging.loops", columns=["loop_id", "configuration", "customers"])
    facts = assemble.gather(history, model, jobs.merge(stated, on="job_id", how="left"), loops, settings)
    del jobs, stated, loops
    section_ranking = assemble.rank_sections(facts, settings)
    loop_ranking = assemble.rank_loops(facts, section_ranking, settings)
    written = {
        "fitted.section_ranking": _write(con, "fitted.section_ranking", section_ranking),
        "fitted.loop_ranking": _write(con, "fitted.loop_ranking", loop_ranking),
        "fitted.group_ranking": _write(
            con, "fitted.group_ranking", assemble.rank_half_loops_and_districts(facts, section_ranking, settings)
        ),
    }
    now = take_ranking(
        kept_rankings.next_run_number(con),
        history.as_of,
        f"{form_now.hazard} (penalty {form_now.penalty:g})",
        kept_rankings.settings_of_ranking(settings),
        settings.general.horizon_years,
        loop_ranking,
        section_ranking,
    )
    del loop_ranking, section_ranking
    money = assemble_money.plan_money(facts, model, settings)
    for name, frame in (
        ("fitted.programme", money.programme),
        ("fitted.programme_years", money.years),
        ("fitted.cost_curve", money.curve),
        ("fitted.input_sensitivity", money.sensitivity),
        ("fitted.replacement_figures", money.figures),
    ):
        written[name] = _write(con, name, frame)
    return written, now


def _write(con: duckdb.DuckDBPyConnection, name: str, frame: pd.DataFrame) -> int:
    from shared import dictionary

    wanted = list(dictionary.tables()[name].columns)
    return write_table(con, name, frame[wanted] if len(frame.columns) else frame)
