"""What of a record speaks for the multipliers: occasions, the ends of a section, the level of a class."""

from __future__ import annotations

import dataclasses

import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_allclose

from pipelines.survival import evidence, model_selection
from pipelines.survival.model import DEFAULT_CHOICES, ModelChoices, fit_failure_model
from pipelines.survival.observation_windows import build_windows
from shared.settings import Settings
from tests.survival_fleets import AS_OF, make_fleet

SETTINGS = Settings().override("general", as_of=AS_OF)


def test_a_repeat_soon_after_a_failure_is_no_new_occasion() -> None:
    windows = build_windows(make_fleet(1, loops=4, missing_dates=0.0).history)
    owner = np.array([0, 0, 0, 0, 1, 2, 2])
    days = pd.to_datetime(
        ["2015-01-01", "2015-03-01", "2015-05-20", "2016-01-01", "2015-02-01", "2015-01-01", "2015-01-01"]
    )
    first_window = np.array([np.flatnonzero(windows.owner == section)[0] for section in owner])
    given = dataclasses.replace(windows, event_window=first_window, event_on=days.to_numpy())
    # section 0: 59 and 80 days after the one before are repeats, 226 days are not; section 2: twice on one day
    assert evidence.count_occasions(given)[:4].tolist() == [2.0, 1.0, 1.0, 0.0]
    none = dataclasses.replace(windows, event_window=first_window[:0], event_on=days.to_numpy()[:0])
    assert evidence.count_occasions(none).sum() == 0


def test_the_ends_of_a_section_are_found_where_they_fail_and_not_where_they_do_not() -> None:
    rng = np.random.default_rng(3)
    length = rng.lognormal(np.log(0.05), 1.0, 20_000)
    expected = 4.0 * length
    ends = rng.poisson(4.0 * (length + 0.008)).astype(float)
    factor = evidence.fit_end_length(ends, expected, length)
    assert_allclose(factor @ expected, expected.sum())
    truth = (length + 0.008) / length
    assert_allclose(factor / factor.mean(), truth / truth.mean(), rtol=0.1)
    plain = evidence.fit_end_length(rng.poisson(expected).astype(float), expected, length)
    assert plain.max() / plain.min() < 1.6 < factor.max() / factor.min()
    assert (evidence.fit_end_length(np.zeros(3), np.ones(3), np.ones(3)) == 1).all()


def test_the_level_of_a_class_follows_its_last_years_as_far_as_they_tell() -> None:
    codes = np.array([0, 0, 1, 2])
    coverage, variation = evidence.hold_levels(
        codes, np.array([30.0, 60.0, 2.0, 0.0]), np.array([20.0, 20.0, 0.5, 0.0])
    )
    assert_allclose(coverage, [100 / 50, 100 / 50, 12 / 10.5, 1.0])
    assert_allclose(variation, [0.1, 0.1, 1 / np.sqrt(12), 1 / np.sqrt(10)])


def test_a_class_whose_failures_stopped_is_forecast_so() -> None:
    fleet = make_fleet(5, loops=150, loop_only=0.0)
    old = fleet.history.failures[pd.to_datetime(fleet.history.failures["failed_on"]) < pd.Timestamp("2019-01-01")]
    quiet = fit_failure_model(dataclasses.replace(fleet.history, failures=old), SETTINGS, ModelChoices("power_law"))
    full = fit_failure_model(fleet.history, SETTINGS, ModelChoices("power_law"))

    of_class = quiet.class_level[quiet.windows.sections["cable_class"].eq("XLPE/bare/buried")]
    assert of_class.max() < 0.6 < full.class_level.min()


def test_the_standing_form_gives_way_only_to_a_clear_lead() -> None:
    scores = np.zeros((len(model_selection.CANDIDATES), 400))
    noisy = np.random.default_rng(1).normal(0.0, 1.0, 400)
    scores[0] = noisy - noisy.mean() + 0.05  # leads by 20, one standard error
    assert model_selection._choose(scores) == DEFAULT_CHOICES
    scores[0] += 0.15  # leads by 80, four standard errors
    assert model_selection._choose(scores) == model_selection.CANDIDATES[0]


def test_shares_of_failures_do_not_hide_the_variation_of_sections() -> None:
    found = [
        fit_failure_model(
            make_fleet(seed, loops=250, loop_only=0.15).history, SETTINGS, ModelChoices("power_law")
        ).variances.section
        for seed in (1, 2)
    ]
    assert np.mean(found) == pytest.approx(0.35, abs=0.12)
