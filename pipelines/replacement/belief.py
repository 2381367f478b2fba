"""Why should anyone believe the ranking? Puts together what holds it against the years that followed."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Sequence

import pandas as pd

from pipelines.replacement.before_after import tabulate_before_after
from pipelines.replacement.churn import Ranking, choose_earlier, compare_rankings
from pipelines.replacement.forecast_score import score_forecasts
from pipelines.replacement.picked_sets import list_members
from pipelines.replacement.sensitivity import tabulate_sensitivity
from pipelines.survival.history import FailureHistory, known_at
from pipelines.survival.model import FailureModel
from pipelines.survival.nested import Variances
from shared.settings import Settings

TABLES = (
    "fitted.before_after", "fitted.forecast_score", "fitted.ranking_churn", "fitted.ranking_sensitivity",
)

Fit = Callable[[FailureHistory, Variances | None], FailureModel]
"""Fits a model to what was known on a day, the search for the variances beginning where told."""


def weigh_evidence(
    history: FailureHistory, model: FailureModel, models_then: Sequence[FailureModel], fit: Fit,
    reasons: pd.DataFrame, settings: Settings,
) -> dict[str, pd.DataFrame]:
    """Tables that let a reader judge the ranking, by name.

    Parameters
    ----------
    history, model
        What is known now, and the model the ranking stands on.
    models_then
        Models that the back-test fitted at its past dates.
    fit
        Fits as it did; called once more, for a year ago.
    reasons
        section_id and retired_because.
    settings
        general.interval_level, replacement.before_after_years and replacement.watched are used.

    Notes
    -----
    Checked by: tests/unit/test_replacement_belief.py
    """
    level = settings.general.interval_level
    models = add_last_year(history, models_then, fit)
    members = list_members(history, reasons, models, settings.replacement.watched)
    return {
        "fitted.before_after": tabulate_before_after(
            history, models, members, settings.replacement.before_after_years, level),
        "fitted.forecast_score": score_forecasts(history, models, level),
        "fitted.ranking_sensitivity": tabulate_sensitivity(history, model, settings.general.horizon_years),
    }


def compare_with_kept(kept: Sequence[Ranking], now: Ranking) -> dict[str, pd.DataFrame]:
    """What moved since the last ranking that differs from this one; no rows where there is none."""
    return {"fitted.ranking_churn": compare_rankings(choose_earlier(kept, now), now)}


def add_last_year(
    history: FailureHistory, models_then: Sequence[FailureModel], fit: Fit,
) -> list[FailureModel]:
    """The models of the past dates, and one that stands a year ago; none where there are none.

    The variances of the last past date are where its search begins: a quarter of the time.
    """
    year_ago = (pd.Timestamp(history.as_of) - pd.DateOffset(years=1)).date()
    if not models_then or any(stands_on(model) == year_ago for model in models_then):
        return list(models_then)
    return [*models_then, fit(known_at(history, year_ago), models_then[-1].variances)]


def stands_on(model: FailureModel) -> dt.date:
    """The day whose knowledge a model has."""
    return model.windows.as_of.date()
