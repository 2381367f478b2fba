"""Reads exposure and failures, fits the classes, writes fitted.survival_*."""

from __future__ import annotations

import duckdb

from pipelines.survival import rates
from pipelines.survival.history import FailureHistory
from shared.settings import Settings
from shared.store import read_model, write_table


def read_history(con: duckdb.DuckDBPyConnection, settings: Settings) -> FailureHistory:
    """The fleet and its failures as they stand in core.

    Raises
    ------
    ValueError
        settings.general.as_of is not set: the refresh resolves it before any step.
    """
    if settings.general.as_of is None:
        raise ValueError("general.as_of is not resolved")
    return FailureHistory(
        sections=read_model(con, "core.section_exposure"), failures=read_model(con, "core.failures"),
        as_of=settings.general.as_of,
    )


def run(con: duckdb.DuckDBPyConnection, settings: Settings) -> dict[str, int]:
    """Fit the classes and write their tables; returns rows by table."""
    # read
    history = read_history(con, settings)

    # compute
    frames = {
        "fitted.survival_classes": rates.tabulate_classes(history, settings),
        "fitted.survival_age_rates": rates.tabulate_age_rates(history, settings),
        "fitted.survival_mean_cumulative": rates.tabulate_mean_cumulative(history, settings),
    }

    # write
    return {name: write_table(con, name, frame) for name, frame in frames.items()}
