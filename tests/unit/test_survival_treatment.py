"""Cable injected in place: what its failures are to those of the same cable left alone."""

from __future__ import annotations

import dataclasses

import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_allclose

from pipelines.survival.history import FailureHistory
from pipelines.survival.model import ModelChoices, fit_failure_model
from pipelines.survival.observation_windows import build_windows
from pipelines.survival.treatment import expect_treated, leave_out_treated
from shared.settings import Settings
from tests.survival_fleets import AS_OF, make_fleet

SETTINGS = Settings().override("general", as_of=AS_OF)
POWER_LAW = ModelChoices("power_law")
INJECTED_ON = pd.Timestamp("2016-07-01")


def inject_worst(history: FailureHistory, left: float, seed: int, sections: int = 60) -> FailureHistory:
    """The sections with the most failures before the day are injected, and keep a share of their later failures."""
    failed = pd.to_datetime(history.failures["failed_on"])
    known = history.sections.query("is_installed_on_known and retired_on.isna()")["section_id"]
    before = history.failures[failed <= INJECTED_ON].groupby("section_id").size().reindex(known, fill_value=0)
    picked = before.sort_values(ascending=False, kind="stable").index[:sections]
    drops = np.random.default_rng(seed).random(len(failed)) > left
    gone = history.failures["section_id"].isin(picked) & (failed > INJECTED_ON) & drops
    dates = pd.Series(INJECTED_ON, index=history.sections.index).where(history.sections["section_id"].isin(picked))
    return dataclasses.replace(
        history,
        failures=history.failures[~gone].reset_index(drop=True),
        sections=history.sections.assign(rejuvenated_on=dates),
    )


@pytest.fixture(scope="module")
def injected():
    return inject_worst(make_fleet(3).history, left=0.25, seed=3)


def test_untreated_windows_end_on_the_day_of_injection(injected) -> None:
    windows = build_windows(injected)
    bare = leave_out_treated(windows)
    treated = np.isfinite(windows.treated_years)
    assert treated.sum() == 60
    assert_allclose(windows.exit_years[~treated], bare.exit_years[~treated])
    ended = windows.age_now[treated] - (pd.Timestamp(AS_OF) - INJECTED_ON).days / 365.25
    assert_allclose(bare.exit_years[treated], ended, atol=1e-9)
    later = windows.event_on > np.datetime64(INJECTED_ON)
    lost = windows.event_weight.sum() - bare.event_weight.sum()
    assert lost == pytest.approx(windows.event_weight[later & treated[windows.event_window]].sum())
    assert lost > 0


def test_nothing_is_left_out_where_nothing_was_injected() -> None:
    windows = build_windows(make_fleet(3, loops=10).history)
    assert leave_out_treated(windows) is windows


def test_time_under_treatment_ends_with_the_years_it_lasts() -> None:
    class Steady:
        def cumulative(self, _codes, ages):
            return 2.0 * ages

    expected = expect_treated(
        Steady(),
        np.zeros(4, dtype=np.int64),
        np.array([10.0, 10.0, np.inf, 30.0]),
        np.array([0.0, 12.0, 0.0, 0.0]),
        np.array([14.0, 40.0, 40.0, 20.0]),
        years=20.0,
    )
    assert_allclose(expected, [8.0, 36.0, 0.0, 0.0])


def test_without_injection_the_settings_stand_and_the_forecast_does_not_hang_on_them() -> None:
    history = make_fleet(3, loops=40).history
    models = [
        fit_failure_model(history, SETTINGS.override("replacement", injection_multiplier=left), POWER_LAW)
        for left in (0.1, 0.9)
    ]
    assert [model.treatment.factor for model in models] == [0.1, 0.9]
    assert models[0].treatment.expected == 0.0
    assert_allclose(models[0].expected_by_class(5.0), models[1].expected_by_class(5.0), rtol=0)


def test_the_share_left_is_found_though_the_worst_were_injected() -> None:
    found, naive = [], []
    for seed in range(6):
        history = inject_worst(make_fleet(seed, loops=250).history, left=0.25, seed=seed, sections=120)
        model = fit_failure_model(history, SETTINGS, POWER_LAW)
        found.append((model.treatment.failures, model.treatment.expected))
        w = model.windows
        treated = np.isfinite(w.treated_years)[w.event_window]
        after = w.event_on > np.datetime64(INJECTED_ON)
        years = (pd.Timestamp(AS_OF) - INJECTED_ON).days / 365.25, (INJECTED_ON.year + 0.5 - 2006)
        naive.append(((after & treated).sum() / years[0]) / ((~after & treated).sum() / years[1]))
    failures, expected = np.sum(found, axis=0)
    error = 0.25 / np.sqrt(failures)
    assert abs(failures / expected - 0.25) < 2.5 * error
    # the plain fall of the rate, luck of the pick included, promises far more
    assert np.mean(naive) < 0.25 - 2.5 * error


def test_injected_cable_is_forecast_by_what_is_left(injected) -> None:
    model = fit_failure_model(injected, SETTINGS, POWER_LAW)
    never = dataclasses.replace(injected, sections=injected.sections.assign(rejuvenated_on=pd.NaT))
    ignoring = fit_failure_model(never, SETTINGS, POWER_LAW)
    assert model.is_treated.sum() == 60
    part = model.expected_by_class(5.0)[model.is_treated] / ignoring.expected_by_class(5.0)[model.is_treated]
    assert_allclose(part, model.treatment.factor, rtol=0.3)
    assert (model.variation[model.is_treated] > model.treatment.variation).all()
    # every failure still speaks for its section
    assert_allclose(model.failures.sum(), ignoring.failures.sum())
