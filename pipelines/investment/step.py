"""Plans the work under the budget and writes the tables of money."""

import dataclasses

import duckdb
import pandas as pd

from pipelines.investment.decisions import DECISION
from pipelines.investment.tables import plan_money
from pipelines.ranking.rankings import Facts
from pipelines.survival.model import FailureModel
from pipelines.warehouse import read_query
from shared.settings import Settings
from shared.store import read_model, write_tables

TABLES = (
    "marts.programme",
    "marts.programme_years",
    "marts.cost_curve",
    "marts.replacement_figures",
    "marts.section_options",
    "marts.budget_curve",
    "marts.class_draws",
    "marts.programme_limits",
    "marts.decisions",
    "fitted.class_growth",
    "fitted.failures_ahead",
    "fitted.new_cable_ahead",
)


def run(
    con: duckdb.DuckDBPyConnection, facts: Facts | None, model: FailureModel | None, settings: Settings
) -> dict[str, int]:
    """Plan and write; returns rows by table. Without a section, empty tables."""
    if facts is None or model is None:
        return write_tables(con, dict.fromkeys(TABLES, pd.DataFrame()))
    decisions = read_model(con, "staging.decisions", columns=list(DECISION))
    places = read_query(con, "investment/loop_places")
    money = plan_money(facts, model, settings, decisions, places)
    frames = (getattr(money, field.name) for field in dataclasses.fields(money))
    return write_tables(con, dict(zip(TABLES, frames, strict=True)))
