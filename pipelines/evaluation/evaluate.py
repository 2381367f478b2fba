"""Would the ranking have been right? Puts together what compares it with the years that followed."""

import datetime as dt
from collections.abc import Collection, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from pipelines.evaluation import backtest
from pipelines.evaluation.backtest_money import CaptureByMoney, price_sections
from pipelines.evaluation.backtest_summary import summarise_calibration
from pipelines.evaluation.before_after import expect_nothing_done, tabulate_before_after
from pipelines.evaluation.cohorts import join_members, list_by_rules, list_members
from pipelines.evaluation.forecast_score import score_forecast
from pipelines.evaluation.ranking_sensitivity import tabulate_duplicates, tabulate_sensitivity
from pipelines.survival.hierarchical_frailty import Variances
from pipelines.survival.history import FailureHistory, code_names, known_at
from pipelines.survival.model import FailureModel, ModelChoices, fit_failure_model
from pipelines.survival.model_selection import choose_model
from shared.settings import Settings


@dataclass(frozen=True)
class Judged:
    """What is taken from the model of a past date before it is let go: the models of a large fleet fill the memory.

    score: rows of forecast_score. members: sets picked from its date up to the next, with what it expected of them.
    variances: of its multipliers. forecast: origin, section_id and expected_failures of the horizon.
    """

    score: pd.DataFrame
    members: pd.DataFrame
    variances: Variances
    forecast: pd.DataFrame


@dataclass(frozen=True)
class _MeansOnly:
    """A model as the back-test asks it: nothing is picked by limits."""

    model: FailureModel

    def forecast(self, years: float) -> pd.DataFrame:
        """Mean failures to expect of every section in service, with section_code."""
        return self.model.forecast_means(years)


def evaluate_ranking(
    history: FailureHistory,
    model: FailureModel,
    form_now: ModelChoices,
    reasons: pd.DataFrame,
    settings: Settings,
    duplicates: Collection[str] = (),
) -> tuple[dict[str, pd.DataFrame], list[pd.DataFrame]]:
    """Everything that holds the ranking against what followed: the back-test, and what else its models say, by table.

    Beside it what each model of a past date expected of every section: origin, section_id, expected_failures.

    Parameters
    ----------
    history, model
        What is known now, and the model the ranking stands on.
    form_now
        Form of that model; it stands in where the records are too short for a past date.
    reasons
        section_id and retired_because.
    duplicates
        Jobs that may be one with another, undecided.
    settings
        general, survival and replacement are used.

    Notes
    -----
    Checked by: tests/unit/test_ranking_rankings.py (through run_replacement)
    """
    general, terms = settings.general, settings.replacement
    origins, horizon = backtest.choose_origins(history, general.horizon_years, terms.backtest_origins)
    # The form is chosen once, with what was known at the first origin: no later origin may have a say in it.
    form_then = choose_model(known_at(history, min(origins)), settings).chosen if origins else form_now
    dates = add_last_year(origins, history.as_of)
    members = list_members(history, reasons, terms.watched)
    judged: list[Judged] = []

    def fit_as_then(known: FailureHistory, start: Variances | None = None) -> _MeansOnly:
        fitted = fit_failure_model(known, settings, form_then, start=start)
        judged.append(judge_model(history, fitted, members, dates, settings))
        return _MeansOnly(fitted)

    for_money = CaptureByMoney(
        price_sections(history.keep(code_names).sections, terms), terms.cost_per_loop, general.interval_coverage
    )
    tested = backtest.run_backtest(
        history,
        fit_as_then,
        origins,
        horizon,
        coverage=general.interval_coverage,
        replicates=terms.backtest_replicates,
        random=np.random.default_rng(general.seed),
        present_rule={str(name): value for name, value in terms.present_rule.items()},
        further_measure=for_money,
    )
    for day in dates[len(origins) :]:
        # the search for the variances begins at those of the last origin: a quarter of the time
        fit_as_then(known_at(history, day), judged[-1].variances)
    tables = {
        "marts.backtest": tested.captures,
        "marts.backtest_summary": tested.summary,
        "marts.backtest_calibration": tested.calibration,
        "marts.calibration_summary": summarise_calibration(tested.calibration, general.interval_coverage),
        "marts.backtest_money": tested.further,
        "marts.backtest_money_summary": for_money.summarise(),
        **tabulate_judged(history, judged, general.interval_coverage),
        "marts.ranking_sensitivity": tabulate_sensitivity(history, model, general.horizon_years, duplicates),
        "marts.duplicates_both_ways": tabulate_duplicates(history, model, general.horizon_years, duplicates),
    }
    return tables, [one.forecast for one in judged]


def add_last_year(origins: Sequence[dt.date], as_of: dt.date) -> list[dt.date]:
    """The past dates of the back-test, earliest first, and a year ago; none where there are none."""
    year_ago = (pd.Timestamp(as_of) - pd.DateOffset(years=1)).date()
    return [*origins, year_ago] if origins and year_ago not in origins else list(origins)


def judge_model(
    history: FailureHistory, model: FailureModel, members: pd.DataFrame, dates: Sequence[dt.date], settings: Settings
) -> Judged:
    """What the evidence takes from the model of a past date.

    Parameters
    ----------
    history
        What is known now.
    model
        Fitted to known_at of this history on one of the dates.
    members
        cohorts.list_members: those picked from the model's date up to the next are its to judge, and the first
        model's also those before, of which it expects nothing.
    dates
        Dates of all models, earliest first.
    settings
        general.interval_coverage and replacement.before_after_years are used.

    Notes
    -----
    Checked by: tests/unit/test_evaluation_evaluate.py
    """
    turn = np.searchsorted(pd.to_datetime(list(dates)), pd.to_datetime(members["on"]), side="right") - 1
    mine = np.maximum(turn, 0) == dates.index(model.windows.as_of.date())
    picked = join_members(members[mine], list_by_rules(history, model))
    return Judged(
        score_forecast(history, model, settings.general.interval_coverage),
        expect_nothing_done(history, model, picked, settings.replacement.before_after_years),
        model.variances,
        model.forecast_means(settings.general.horizon_years)[["section_id", "expected_failures"]].assign(
            origin=model.windows.as_of
        ),
    )


def tabulate_judged(history: FailureHistory, judged: Sequence[Judged], coverage: float) -> dict[str, pd.DataFrame]:
    """Before and after, and past forecasts, put together from what was taken from each model; by table."""
    members, scores = ([getattr(one, part) for one in judged] for part in ("members", "score"))
    return {
        "marts.before_after": tabulate_before_after(
            history, pd.concat(members, ignore_index=True) if members else pd.DataFrame(), coverage
        ),
        "marts.forecast_score": pd.concat(scores, ignore_index=True) if scores else pd.DataFrame(),
    }
