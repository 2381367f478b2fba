"""What tests of ranking, investment and evaluation share: their three steps in a row, and small fleets for the plan."""

from __future__ import annotations

import duckdb
import pandas as pd

from pipelines.evaluation import step as evaluation
from pipelines.investment import step as investment
from pipelines.ranking import step as ranking
from pipelines.ranking.rankings import Facts
from pipelines.survival.step import FittedFleet, fit_fleet
from shared.settings import Replacement, Settings

FAILURE = 7100.0
"""Cost of a failure of these sections: repair 6500 and 2000 customer-minutes at 0.30."""

PLAIN = Replacement(
    cost_per_m_buried=100.0,
    cost_per_m_duct=50.0,
    cost_per_m_injected=40.0,
    cost_per_loop=1000.0,
    budget=21_000.0,
    discount_rate_pct=0.0,
    cable_life_years=40.0,
    injection_years=20.0,
    injection_multiplier=0.3,
    programme_years=3,
    programme_gap=0.0,
)
"""Settings in round numbers, money not discounted."""


def make_sections(rows: list[tuple[str, str, float, float, str]]) -> pd.DataFrame:
    """Sections from section_id, loop_id, length_km, expected_failures and insulation; of EPR nothing is injected."""
    frame = pd.DataFrame(rows, columns=["section_id", "loop_id", "length_km", "expected_failures", "insulation"])
    return frame.assign(
        installation="buried",
        conductor="1/0 AL",
        rejuvenated_on=pd.NaT,
        customer_minutes_per_failure=2000.0,
        customers_interrupted_per_failure=20.0,
        repair_cost_per_failure=6500.0,
        is_injectable=frame["insulation"].ne("EPR"),
    )


def run_ranking(
    con: duckdb.DuckDBPyConnection, settings: Settings
) -> tuple[FittedFleet | None, dict[str, int], Facts | None]:
    """Fit and rank as a refresh does; returns the fit, rows by table, and the facts that the plan takes."""
    fitted = fit_fleet(con, settings)
    return fitted, *ranking.run(con, fitted, settings)


def run_replacement(con: duckdb.DuckDBPyConnection, settings: Settings) -> dict[str, int]:
    """Rank, plan and evaluate as a refresh does; returns rows by table."""
    fitted, ranked, facts = run_ranking(con, settings)
    planned = investment.run(con, facts, fitted.model if fitted else None, settings)
    return ranked | planned | evaluation.run(con, fitted, settings)
