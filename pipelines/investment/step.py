"""Plans the work under the budget and writes the tables of money."""

import dataclasses

import duckdb
import pandas as pd

from pipelines.investment.decisions import DECISION
from pipelines.investment.tables import plan_money
from pipelines.ranking.rankings import Facts
from pipelines.survival.model import FailureModel
from pipelines.warehouse import read_query
from shared.dictionary import caution_of
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
    money = dataclasses.replace(money, programme=add_places(con, money.programme))
    frames = (getattr(money, field.name) for field in dataclasses.fields(money))
    return write_tables(con, dict(zip(TABLES, frames, strict=True)))


def add_places(con: duckdb.DuckDBPyConnection, programme: pd.DataFrame) -> pd.DataFrame:
    """The work with what a person who plans it needs: district, cable, terminals, their coordinates, and the caution.

    Notes
    -----
    Checked by: tests/unit/test_investment_step.py
    """
    places = read_query(con, "investment/programme_places", planned=programme[["section_id"]])
    placed = programme.merge(places, on="section_id", how="left", validate="one_to_one")
    return placed.assign(caution=caution_of("marts.programme"))
