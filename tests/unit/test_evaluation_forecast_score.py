"""The score of a forecast: counts that add up, deviance by the textbook, a worse forecast scored worse."""

from __future__ import annotations

import dataclasses
import datetime as dt

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm

from pipelines.evaluation.forecast_score import deviance, score_forecast
from pipelines.survival.history import FailureHistory, known_at
from pipelines.survival.model import FailureModel, fit_failure_model
from shared.settings import Settings
from tests.survival_fleets import make_fleet

ORIGIN = dt.date(2024, 12, 31)


@pytest.fixture(scope="module")
def history() -> FailureHistory:
    made = make_fleet(21, loops=120).history
    return dataclasses.replace(made, sections=made.sections.assign(position=np.arange(len(made.sections))))


@pytest.fixture(scope="module")
def model(history: FailureHistory) -> FailureModel:
    return fit_failure_model(known_at(history, ORIGIN), Settings())


@pytest.fixture(scope="module")
def scores(history: FailureHistory, model: FailureModel) -> pd.DataFrame:
    return score_forecast(history, model, 0.90)


def test_classes_add_up_to_the_whole(scores: pd.DataFrame) -> None:
    whole, classes = scores[scores["grouped_by"] == "all"].iloc[0], scores[scores["grouped_by"] == "cable_class"]
    for column in ("length_km", "expected", "observed_failures", "deviance_model", "deviance_constant"):
        assert classes[column].sum() == pytest.approx(whole[column]), column


def test_every_failure_of_the_year_on_cable_in_service_then_is_seen(
    history: FailureHistory, model: FailureModel, scores: pd.DataFrame
) -> None:
    failures = history.failures
    year = pd.to_datetime(failures["failed_on"]).between(pd.Timestamp("2025-01-01"), pd.Timestamp("2025-12-31"))
    then = set(model.windows.sections.loc[model.windows.in_service, "section_id"])
    own = failures["section_id"].isin(then) & (failures["is_counted"] | failures["why_not"].eq("undated_section"))
    alone = failures["why_not"].eq("loop_only")
    assert scores["observed_failures"].iloc[0] == pytest.approx((year & (own | alone)).sum())


def test_the_forecast_is_the_models_own(history: FailureHistory, model: FailureModel, scores: pd.DataFrame) -> None:
    forecast = model.forecast(1.0).set_index("section_id")["expected_failures"]
    retired = pd.to_datetime(history.sections.set_index("section_id")["retired_on"]).reindex(forecast.index)
    stays = ((retired - pd.Timestamp(ORIGIN)).dt.days / 365.25).clip(0, 1).fillna(1.0)
    assert scores["expected"].iloc[0] == pytest.approx((forecast * stays).sum())


def test_deviance_is_that_of_a_generalised_linear_model() -> None:
    seen, mean = pd.Series([0.0, 1.0, 4.0, 2.0]), pd.Series([0.3, 1.0, 2.2, 3.5])
    # statsmodels, family Poisson: the general library's own deviance
    assert deviance(seen, mean).sum() == pytest.approx(sm.families.Poisson().deviance(seen, mean))


def test_a_year_not_yet_over_is_not_scored(history: FailureHistory) -> None:
    """ORIGIN is a year before the last day known, and scored; the day after is not."""
    assert history.as_of == dt.date(2025, 12, 31)
    late = fit_failure_model(known_at(history, dt.date(2025, 1, 1)), Settings())
    assert score_forecast(history, late, 0.90).empty


@pytest.fixture(scope="module")
def twelve() -> pd.DataFrame:
    """The whole's score on twelve fleets of known truth."""
    rows = []
    for seed in range(12):
        made = make_fleet(300 + seed, loops=80, loop_only=0.0).history
        made = dataclasses.replace(made, sections=made.sections.assign(position=np.arange(len(made.sections))))
        rows.append(score_forecast(made, fit_failure_model(known_at(made, ORIGIN), Settings()), 0.90).iloc[0])
    return pd.DataFrame(rows)


def test_the_model_scores_better_than_a_constant_rate(twelve: pd.DataFrame) -> None:
    sums = twelve[["deviance_model", "deviance_constant", "deviance_class_constant"]].sum()
    assert sums["deviance_model"] < sums["deviance_class_constant"] < sums["deviance_constant"]


def test_limits_hold_as_many_fleets_and_loops_as_they_promise(twelve: pd.DataFrame) -> None:
    assert twelve["is_inside"].sum() >= 9  # of 12 at 0.9: fewer than 9 has a chance of 3 %
    assert twelve["loops_inside_fraction"].mean() == pytest.approx(twelve["loops_inside_promised"].mean(), abs=0.02)
