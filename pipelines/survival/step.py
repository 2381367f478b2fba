"""Reads exposure and failures, fits the classes, writes fitted.survival_*."""

from __future__ import annotations

from dataclasses import replace

import duckdb

from pipelines.survival import attribute_effects, audit, choices, panels, rates, splices, vintages
from pipelines.survival.history import FailureHistory, code_names
from pipelines.survival.model import DEFAULT_CHOICES, ModelChoices
from shared.settings import Settings
from shared.store import has_table, read_model, write_table

LEVELS = (
    "district_id",
    "cable_class",
    "insulation",
    "neutral",
    "installation",
    "conductor",
    "cause",
    "failed_component",
    "why_not",
)
"""Columns of a history with few different values."""


def read_history(con: duckdb.DuckDBPyConnection, settings: Settings) -> FailureHistory:
    """The fleet and its failures as they stand in core.

    Raises
    ------
    ValueError
        settings.general.as_of is not set: the refresh resolves it before any step.
    """
    if settings.general.as_of is None:
        raise ValueError("general.as_of is not resolved")
    return code_names(
        FailureHistory(
            sections=read_model(con, "core.section_exposure", categories=LEVELS),
            failures=read_model(con, "core.failures", categories=LEVELS),
            as_of=settings.general.as_of,
        )
    )


def read_choices(con: duckdb.DuckDBPyConnection) -> ModelChoices:
    """The form of the hazard that the last run of this step chose; the default before any."""
    if not has_table(con, "fitted.survival_choices"):
        return DEFAULT_CHOICES
    chosen = read_model(con, "fitted.survival_choices").query("is_chosen")
    if chosen.empty:
        return DEFAULT_CHOICES
    return replace(DEFAULT_CHOICES, hazard=str(chosen["hazard"].iloc[0]), penalty=float(chosen["penalty"].iloc[0]))


def run(con: duckdb.DuckDBPyConnection, settings: Settings) -> dict[str, int]:
    """Fit the classes and write their tables; returns rows by table."""
    # read
    history = read_history(con, settings)

    # compute
    frames = {
        "fitted.survival_classes": rates.tabulate_classes(history, settings),
        "fitted.survival_age_rates": rates.tabulate_age_rates(history, settings),
        "fitted.survival_mean_cumulative": rates.tabulate_mean_cumulative(history, settings),
        "fitted.survival_vintages": vintages.tabulate_vintages(history, settings),
        "fitted.survival_attributes": attribute_effects.compare_attributes(history, settings),
        "fitted.survival_splices": splices.tabulate_splices(history, settings),
        "fitted.survival_audit": audit.audit_register(history, settings),
        "fitted.survival_orphans": audit.count_orphans(history),
        "fitted.survival_late_entry": panels.compare_late_entry(history, settings),
        "fitted.survival_first_failures": panels.tabulate_first_failures(history, settings),
        "fitted.survival_fits": panels.tabulate_fits(history, settings),
        "fitted.survival_choices": choices.choose_model(history, settings).scores,
    }

    # write
    return {name: write_table(con, name, frame) for name, frame in frames.items()}
