"""Holds the ranking against the years that followed, and writes what it found."""

import duckdb
import pandas as pd

from pipelines.evaluation.evaluate import evaluate_ranking
from pipelines.evaluation.search_backtest import backtest_searches
from pipelines.survival.step import FittedFleet
from pipelines.warehouse import read_query
from shared import dictionary
from shared.settings import Settings
from shared.store import has_table, read_model, write_tables

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
    return write_tables(con, tables)
