"""Holds the ranking and committed work against the years that followed, and keeps what a commitment promises."""

import datetime as dt
from collections.abc import Collection

import duckdb
import pandas as pd

from pipelines.evaluation.commitments import Commitment, commit_work
from pipelines.evaluation.evaluate import evaluate_ranking
from pipelines.evaluation.follow_up import tabulate_follow_up
from pipelines.evaluation.search_backtest import backtest_searches
from pipelines.survival.step import FittedFleet, fit_fleet
from pipelines.warehouse import read_query
from shared import dictionary
from shared.errors import UserError
from shared.settings import Settings
from shared.store import has_table, read_model, read_settings, write_tables

TABLES = dictionary.tables_made_in("pipelines/evaluation")


def run(con: duckdb.DuckDBPyConnection, fitted: FittedFleet | None, settings: Settings) -> dict[str, int]:
    """Back-test and write; returns rows by table. Without a section, empty tables."""
    if fitted is None:
        return write_tables(con, dict.fromkeys(TABLES, pd.DataFrame()))
    retired = read_model(con, "staging.sections", columns=["section_id", "retired_because"])
    undecided = ["job_id", "cluster_decision"]
    pairs = read_model(con, "marts.job_clusters", columns=undecided) if has_table(con, "marts.job_clusters") else None
    duplicates = [] if pairs is None else pairs.loc[pairs["cluster_decision"].fillna("").eq(""), "job_id"].tolist()
    tables, forecasts = evaluate_ranking(fitted.history, fitted.model, fitted.form, retired, settings, duplicates)
    searches = read_query(con, "evaluation/searches", forecasts=pd.concat(forecasts)) if forecasts else pd.DataFrame()
    tables["marts.search_backtest"] = backtest_searches(searches, settings.general.interval_coverage)
    promised, successors = read_promised(con), pd.DataFrame()
    if len(promised):
        successors = read_model(con, "staging.section_successors", columns=["old_section_id", "new_section_id"])
    coverage = settings.general.interval_coverage
    tables |= tabulate_follow_up(promised, fitted.history, retired, successors, coverage)
    return write_tables(con, tables)


def read_promised(con: duckdb.DuckDBPyConnection) -> pd.DataFrame:
    """What was written down with every commitment, its cable under its id of today, and how its decision stands."""
    if not has_table(con, "raw.commitments"):
        return pd.DataFrame()
    # an id means one section on a day, a decision stands once: no row multiplies
    return con.execute("""
        select promised.* exclude (load_id), told.committed_on, told.known_on, told.method as follow_method,
            coalesce(names.section_id, promised.section_id) as section_now,
            promised.role = 'committed' and decisions.decision is distinct from promised.action as is_lifted,
            decisions.cost_recorded
        from raw.commitment_sections as promised
        inner join raw.commitments as told on told.commitment_id = promised.commitment_id
        left join staging.section_names as names
            on names.named_id = promised.section_id
            and told.known_on + 1 >= names.from_on and told.known_on + 1 < names.until_on
        left join (
            from raw.decisions qualify row_number() over (partition by decision_id order by load_sequence desc) = 1
        ) as decisions on decisions.decision_id = promised.decision_id
        order by promised.commitment_id, promised.role desc, promised.section_id
    """).df()


def prepare_commitment(
    con: duckdb.DuckDBPyConnection, through_year: int, sections: Collection[str], reason: str, decided_on: dt.date
) -> Commitment:
    """What the current programme's lines promise, as the failure model of the last refresh has it.

    Parameters
    ----------
    through_year
        Last year of the plan that is committed.
    sections
        Of its lines those of these sections alone; all where none is named.

    Raises
    ------
    UserError
        There is no programme, it has no such lines, or all of them are committed already.
    """
    where = "loopwear commit"
    if not has_table(con, "marts.programme"):
        raise UserError("there is no programme yet", where, "run: loopwear refresh")
    # read
    settings = read_settings(con)
    lines = read_model(con, "marts.programme").query("plan_year <= @through_year")
    if sections:
        if missing := sorted(set(sections) - set(lines["section_id"])):
            raise UserError(
                f"the programme does not work on {', '.join(missing)} in its first {through_year} years",
                where,
                "give sections of exports/programme.csv; to have others in it, load decisions.csv and refresh",
            )
        lines = lines[lines["section_id"].isin(sections)]
    before = read_promised(con)
    spoken_for = before.loc[before["role"].eq("committed") & ~before["is_lifted"], "section_id"] if len(before) else ()
    lines = lines[~lines["section_id"].isin(spoken_for)]
    if lines.empty:
        raise UserError("every line asked for is committed already, or there is none", where, "nothing was entered")
    fitted = fit_fleet(con, settings)
    if fitted is None:
        raise UserError("no section is loaded", where, "run: loopwear load PATH..., then loopwear refresh")
    # compute
    return commit_work(fitted.history, fitted.model, lines, settings, reason, decided_on, spoken_for)


def keep_commitment(con: duckdb.DuckDBPyConnection, commitment: Commitment, load_id: str) -> None:
    """Append what was promised; it is kept with the load of its decisions, and goes if that is undone."""
    for table, frame in (("commitments", commitment.head), ("commitment_sections", commitment.rows)):
        rows = frame.assign(load_id=load_id)
        con.from_df(rows[[name for name, *_ in con.table(f"raw.{table}").description]]).insert_into(f"raw.{table}")
