"""What of a record speaks for the multipliers: occasions, the ends of a section, the level of a class."""

from __future__ import annotations

import dataclasses

import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_allclose
from scipy.stats import nbinom

from pipelines.survival import evidence, model_selection
from pipelines.survival.curves import PowerLawCurves
from pipelines.survival.frailty import fit_dispersion
from pipelines.survival.frailty_tree import Variances, build_tree
from pipelines.survival.model import DEFAULT_CHOICES, ModelChoices, fit_failure_model
from pipelines.survival.observation_windows import build_windows
from shared.settings import Settings
from tests.survival_fleets import AS_OF, make_fleet, small_history

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


def test_ninety_days_are_a_repeat_and_ninety_one_are_not() -> None:
    days = np.datetime64("2004-01-01") + np.array([0, 90, 181, 271, 0, 91, 5000])
    sections = [{}, {}, {"retired_on": "1996-01-01"}]
    struck = [{"section_id": f"S{s}", "failed_on": str(d)} for s, d in zip([0, 0, 0, 0, 1, 1, 1], days, strict=True)]
    assert evidence.count_occasions(build_windows(small_history(sections, struck))).tolist() == [2, 3, 0]


def test_the_length_of_the_ends_is_that_of_the_greatest_likelihood() -> None:
    """Against a plain grid of end lengths, negative binomial by scipy; where nothing is expected nothing is told."""
    rng = np.random.default_rng(8)
    length = np.r_[rng.lognormal(np.log(0.05), 0.9, 3000), 0.2, 0.3]
    expected = np.where(np.arange(3002) < 3000, 5.0 * length, 0.0)
    used = expected > 0
    for end in (0.012, 0.06):
        seen = rng.poisson(4.0 * (length + end) * rng.gamma(2.0, 0.5, 3002)).astype(float) * used
        scaled = expected * seen.sum() / expected.sum()
        k = 1 / fit_dispersion(seen[used], scaled[used])

        def factor(end_m: float) -> np.ndarray:
            longer = 1 + end_m / 1000 / length
            return longer * expected.sum() / (longer @ expected)

        grid = np.arange(0.0, 30.001, 0.25)
        heights = []
        for end_m in grid:
            mean = (scaled * factor(end_m))[used]
            heights.append(nbinom.logpmf(seen[used], k, k / (k + mean)).sum())
        best = grid[int(np.argmax(heights))]
        assert (best == 30.0) == (end == 0.06)  # thirty metres is the most
        found = evidence.fit_end_length(seen, expected, length)
        assert_allclose(found, factor(best), rtol=0.02)
        if end == 0.06:
            assert_allclose(found, factor(30.0), rtol=1e-3)
    # a length below a tenth of a metre counts as one
    short = evidence.fit_end_length(np.r_[seen, 0.0], np.r_[expected, 1e-12], np.r_[length, 1e-6])
    assert_allclose(short[-1] / short[0], (1 + 0.03 / 1e-4) / (1 + 0.03 / length[0]), rtol=1e-3)


def test_older_years_count_less_by_hand() -> None:
    """Two km of a steady tenth a year, in view from 17.5 to 20 years of age and looked at at 20 and at 22."""
    history = small_history(
        [{"length_km": 2.0}, {"retired_on": "2016-01-01"}],
        [{"section_id": "S0", "failed_on": "2016-01-01"}, {"section_id": "S1", "failed_on": "2008-01-01"}],
    )
    w = build_windows(history)
    w = dataclasses.replace(
        w, entry_years=np.array([17.5, 17.5]), exit_years=np.full(2, 20.0), age_now=np.array([20.0, 22])
    )
    curves = PowerLawCurves(np.array([1.0]), np.array([0.1]), np.zeros(1))
    shared = np.array([1, 1]), np.zeros(2), np.array([0.5, 0.25]), np.array([2.0, 6.0])
    failures, expected, seen, yearly = evidence.discount_years(w, shared, curves, np.zeros(2, dtype=np.int64), 5.0)
    assert_allclose(failures, [np.exp(-4 / 5), np.exp(-12 / 5) + 0.5 * np.exp(-2 / 5) + 0.25 * np.exp(-6 / 5)])
    year = np.exp(-(np.arange(5) + 0.5) / 5)
    assert_allclose(expected, [0.2 * (year[0] + year[1] + year[2] / 2), 0.1 * (year[2] + year[3] + year[4] / 2)])
    # failures 4 and 12 years ago, shares 2 and 6 years ago
    assert_allclose(seen[[2, 4, 6, 12]], [0.5, 1, 0.25, 1])
    assert seen.sum() == 2.75
    assert_allclose(yearly[:6], [0.2, 0.2, 0.1 + 0.1, 0.1, 0.05, 0])
    none = np.zeros(0, dtype=np.int64)
    gone = dataclasses.replace(
        w,
        sections=w.sections.head(0),
        owner=none,
        weight=none,
        event_window=none,
        event_weight=none,
        event_on=w.event_on[:0],
    )
    empty = evidence.discount_years(gone, (none,) * 4, curves, none, 5.0)
    assert [len(part) for part in empty[:2]] == [0, 0]
    assert [part.sum() for part in empty[2:]] == [0, 0]


def score(candidates: dict[int, tuple[float, float]]) -> np.ndarray:
    """Scores by candidate: a lead a section over the default, and its spread about that."""
    scores = np.zeros((len(model_selection.CANDIDATES), 100))
    for place, (lead, spread) in candidates.items():
        scores[place] = lead + spread * np.where(np.arange(100) % 2, 1, -1)
    return scores


@pytest.mark.parametrize(
    ("leads", "place"),
    [
        ({0: (0.21, 1.0)}, 0),  # a sum of 21 beyond twice its error of 10
        ({0: (0.2, 1.0)}, 4),
        ({0: (0.21, 1.0), 1: (0.3, 1.0), 2: (0.25, 0.1)}, 1),
        ({0: (0.21, 1.0), 1: (0.3, 9.0)}, 4),  # the best alone is asked
    ],
)
def test_a_lead_counts_from_two_standard_errors_on(leads: dict, place: int) -> None:
    assert model_selection._choose(score(leads)) == model_selection.CANDIDATES[place]


def test_a_count_varies_by_every_level_that_its_cable_shares() -> None:
    """Two classes; of the first one section alone and two on one half-loop, by the sum of squares."""
    tree = build_tree(
        np.zeros(4), np.array([1.0, 2.0, 3.0, 4.0]), np.ones(4), np.array([0, 1, 1, 2]), np.array([0, 0, 0, 1])
    )
    found = evidence.spread_of_counts(np.array([0, 0, 0, 1]), tree, Variances(loop=0.5, half_loop=0.1, section=0.2))
    first = 1 + (0.2 * (1 + 4 + 9) + 0.1 * (1 + 25) + 0.5 * 36) / 6
    assert_allclose(found, [first] * 3 + [1 + (0.2 + 0.1 + 0.5) * 16 / 4])


def test_years_that_differ_and_a_short_record_widen_what_all_classes_share() -> None:
    steady = evidence.vary_together(np.full(20, 20.0), np.full(20, 20.0))
    assert steady == pytest.approx(np.sqrt(0.04**2 + 1 / 400))
    seen, expected = np.tile([5.0, 35.0], 10), np.full(20, 20.0)
    weight = np.exp(-(np.arange(20) + 0.5) / 5)
    years = fit_dispersion(seen, expected) * (weight**2).sum() / weight.sum() ** 2
    assert years > 0.01
    assert evidence.vary_together(seen, expected) == pytest.approx(np.sqrt(0.04**2 + 1 / 400 + years))
    assert evidence.vary_together(np.r_[4.0, 0.0], np.r_[5.0, 0.0]) == pytest.approx(np.sqrt(0.04**2 + 1 / 4))
