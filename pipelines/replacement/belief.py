"""Why should anyone believe the ranking? Puts together what holds it against the years that followed."""

from __future__ import annotations

import dataclasses
import datetime as dt
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from pipelines.replacement import backtest
from pipelines.replacement.backtest_money import CaptureByMoney, price_sections
from pipelines.replacement.before_after import tabulate_before_after
from pipelines.replacement.churn import Ranking, choose_earlier, compare_rankings
from pipelines.replacement.forecast_score import score_forecasts
from pipelines.replacement.picked_sets import list_members
from pipelines.replacement.sensitivity import tabulate_sensitivity
from pipelines.survival.choices import choose_model
from pipelines.survival.history import FailureHistory, code_names, known_at
from pipelines.survival.model import FailureModel, ModelChoices, fit_failure_model
from pipelines.survival.nested import Variances
from shared.settings import Settings

TABLES = (
    "fitted.backtest", "fitted.backtest_differences", "fitted.backtest_calibration", "fitted.backtest_money",
    "fitted.before_after", "fitted.forecast_score", "fitted.ranking_churn", "fitted.ranking_sensitivity",
)

USED = (
    "section_id", "loop_id", "half_loop_id", "district_id", "cable_class", "length_km", "is_installed_on_known",
    "retired_on", "rejuvenated_on", "section_code", "half_code", "loop_code",
)

Fit = Callable[[FailureHistory, Variances | None], FailureModel]
"""Fits a model to what was known on a day, the search for the variances beginning where told."""


@dataclass(frozen=True)
class _MeansOnly:
    """A model as the back-test asks it: nothing is picked by limits."""

    model: FailureModel

    def forecast(self, years: float) -> pd.DataFrame:
        """Mean failures to expect of every section in service, with section_code."""
        w = self.model.windows
        # forecast_means is in the order of the codes
        code = np.sort(w.sections["section_code"].to_numpy()[w.in_service])
        return self.model.forecast_means(years).assign(section_code=code)


def try_ranking(
    history: FailureHistory, model: FailureModel, form_now: ModelChoices, reasons: pd.DataFrame, settings: Settings,
) -> dict[str, pd.DataFrame]:
    """Everything that holds the ranking against what followed: the back-test, and what weigh_evidence adds, by table.

    Parameters
    ----------
    history, model
        What is known now, and the model the ranking stands on.
    form_now
        Form of that model; it stands in where the records are too short for a past date.
    reasons
        section_id and retired_because.
    settings
        general, survival and replacement are used.

    Notes
    -----
    Checked by: tests/unit/test_replacement_belief.py
    """
    general, terms = settings.general, settings.replacement
    origins, horizon = backtest.choose_origins(history, general.horizon_years, terms.backtest_origins)
    # The form is chosen once, with what was known at the first origin: no later origin may have a say in it.
    form_then = choose_model(known_at(history, min(origins)), settings).chosen if origins else form_now
    models_then: list[FailureModel] = []

    def fit_as_then(known: FailureHistory, start: Variances | None = None) -> FailureModel:
        fitted = fit_failure_model(known, settings, form_then, start=start)
        models_then.append(keep_used(fitted))
        return models_then[-1]

    tested = backtest.run_backtest(
        history, lambda known: _MeansOnly(fit_as_then(known)), origins, horizon, level=general.interval_level,
        replicates=terms.backtest_replicates, random=np.random.default_rng(general.seed),
        further_measure=CaptureByMoney(
            price_sections(history.keep(code_names).sections, terms), terms.cost_per_loop, general.interval_level),
    )
    return {
        "fitted.backtest": tested.captures, "fitted.backtest_differences": tested.differences,
        "fitted.backtest_calibration": tested.calibration, "fitted.backtest_money": tested.further,
        **weigh_evidence(history, model, tuple(models_then), fit_as_then, reasons, settings),
    }


def keep_used(model: FailureModel) -> FailureModel:
    """A model of a past date with those columns of its sections alone that what follows asks for."""
    sections = model.windows.sections[list(USED)]
    return dataclasses.replace(model, windows=dataclasses.replace(model.windows, sections=sections))


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
