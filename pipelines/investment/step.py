"""Plans the work under the budget and writes the tables of money; plans again under other settings."""

import dataclasses
import threading
from collections.abc import Callable

import duckdb
import pandas as pd

from pipelines.investment.decisions import DECISION
from pipelines.investment.scenarios import Outcome
from pipelines.investment.tables import plan_fleet, plan_money
from pipelines.ranking.rankings import Facts
from pipelines.ranking.step import gather_facts
from pipelines.survival.model import FailureModel, fit_failure_model
from pipelines.survival.model_selection import choose_model
from pipelines.survival.step import read_choices, read_history
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
    money = plan_money(facts, model, settings, *_read_work(con))
    money = dataclasses.replace(money, programme=add_places(con, money.programme))
    frames = (getattr(money, field.name) for field in dataclasses.fields(money))
    return write_tables(con, dict(zip(TABLES, frames, strict=True)))


def _read_work(con: duckdb.DuckDBPyConnection) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Decisions in force, and where loops lie."""
    return read_model(con, "staging.decisions", columns=list(DECISION)), read_query(con, "investment/loop_places")


def read_outcome(con: duckdb.DuckDBPyConnection) -> Outcome:
    """The plan that a run made, from its tables."""
    programme, years, figures = (
        read_model(con, f"marts.{name}") for name in ("programme", "programme_years", "replacement_figures")
    )
    return Outcome(programme, years, dict(zip(figures["figure"], figures["amount"], strict=True)))


def plan_again(con: duckdb.DuckDBPyConnection, base: Settings) -> Callable[[Settings], Outcome]:
    """A function that plans a run's fleet under other settings, just as a refresh with them would.

    The failure model is fitted once, and again only where settings differ that its fit rests on. Threads may share it.
    """
    history, work = read_history(con, base), _read_work(con)
    fits: dict[tuple[float, ...], FailureModel] = {}
    reading = threading.Lock()

    def plan(settings: Settings) -> Outcome:
        terms, failures = settings.replacement, settings.survival.min_failures
        key = (terms.injection_multiplier, terms.injection_years, settings.general.interval_coverage, failures)
        with reading:
            if key not in fits:
                is_same = failures == base.survival.min_failures
                form = read_choices(con) if is_same else choose_model(history, settings).chosen
                fits[key] = fit_failure_model(history, settings, form)
            facts = gather_facts(con, history, fits[key], settings)
        made = plan_fleet(facts, fits[key], settings, *work)
        return Outcome(made.programme, made.plan.years, {name: amount for name, amount, _ in made.figures})

    return plan


def add_places(con: duckdb.DuckDBPyConnection, programme: pd.DataFrame) -> pd.DataFrame:
    """The work with what a person who plans it needs: district, cable, terminals, their coordinates, and the caution.

    Notes
    -----
    Checked by: tests/unit/test_investment_step.py
    """
    places = read_query(con, "investment/programme_places", planned=programme[["section_id"]])
    placed = programme.merge(places, on="section_id", how="left", validate="one_to_one")
    return placed.assign(caution=caution_of("marts.programme"))
