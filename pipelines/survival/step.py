"""Reads exposure and failures, fits the classes, writes the tables of how each class fails."""

from dataclasses import dataclass, replace

import duckdb
import pandas as pd

from pipelines.survival import attribute_effects, audit, completeness, model_selection, panels, rates, splices, vintages
from pipelines.survival.history import FailureHistory, code_names
from pipelines.survival.model import DEFAULT_CHOICES, FailureModel, ModelChoices, fit_failure_model
from shared.settings import Settings
from shared.store import has_table, read_model, write_tables

FEW_VALUED = (
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
            sections=read_model(con, "core.section_exposure", categories=FEW_VALUED),
            failures=read_model(con, "core.failures", categories=FEW_VALUED),
            as_of=settings.general.as_of,
        )
    )


def read_choices(con: duckdb.DuckDBPyConnection) -> ModelChoices:
    """The form of the hazard that the last run of this step chose; the default before any."""
    if not has_table(con, "marts.hazard_choice"):
        return DEFAULT_CHOICES
    chosen = read_model(con, "marts.hazard_choice").query("is_chosen")
    if chosen.empty:
        return DEFAULT_CHOICES
    return replace(DEFAULT_CHOICES, hazard=str(chosen["hazard"].iloc[0]), penalty=float(chosen["penalty"].iloc[0]))


@dataclass(frozen=True)
class FittedFleet:
    """The fleet, the failure model fitted to it and its form: what ranking, investment and evaluation rest on."""

    history: FailureHistory
    model: FailureModel
    form: ModelChoices


def fit_fleet(con: duckdb.DuckDBPyConnection, settings: Settings) -> FittedFleet | None:
    """Fit the failure model to the fleet in core; none where no section is loaded."""
    history = read_history(con, settings)
    if history.sections.empty:
        return None
    form = read_choices(con)
    return FittedFleet(history, fit_failure_model(history, settings, form), form)


def draw_curves(history: FailureHistory, settings: Settings) -> dict[str, pd.DataFrame]:
    """How each class fails: the tables that pages ask for a part of the fleet too."""
    frames = {
        "marts.class_survival": rates.tabulate_classes(history, settings),
        "marts.age_rates": rates.tabulate_age_rates(history, settings),
        "marts.mean_cumulative_failures": rates.tabulate_mean_cumulative(history, settings),
        "marts.mean_cumulative_by_vintage": vintages.tabulate_vintages(history, settings),
        "marts.installation_years": vintages.tabulate_years(history, settings),
        "marts.attribute_effects": attribute_effects.compare_attributes(history, settings),
        "marts.splice_failures": splices.tabulate_splices(history, settings),
    }
    coverage = settings.general.interval_coverage
    frames["fitted.splice_comparison"] = rates.compare_splices(frames["marts.splice_failures"], coverage)
    return frames


def run(con: duckdb.DuckDBPyConnection, settings: Settings) -> dict[str, int]:
    """Fit the classes and write their tables; returns rows by table."""
    # read
    history = read_history(con, settings)

    # compute
    frames = draw_curves(history, settings) | {
        "marts.register_audit": audit.audit_register(history, settings),
        "marts.record_completeness": completeness.tabulate_completeness(history, settings),
        "marts.register_orphans": audit.count_orphans(history),
        "marts.late_entry": panels.compare_late_entry(history, settings),
        "marts.first_failures": panels.tabulate_first_failures(history, settings),
        "marts.power_law_fits": panels.tabulate_fits(history, settings),
        "marts.hazard_choice": model_selection.choose_model(history, settings).scores,
    }

    # write
    return write_tables(con, frames)
