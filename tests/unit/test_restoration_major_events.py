"""The 2.5 beta threshold."""

from __future__ import annotations

import math

import numpy as np
import pytest

from pipelines.restoration.major_events import fit_major_event_threshold


def test_threshold_is_a_formula_of_the_logs() -> None:
    # logs alternate between -1 and 1 about -2: mean -2, standard deviation sqrt(200 / 199)
    saidi = np.exp(-2 + np.tile([1.0, -1.0], 100))
    found = fit_major_event_threshold(saidi)
    assert found.alpha == pytest.approx(-2)
    assert found.beta == pytest.approx(math.sqrt(200 / 199))
    assert found.threshold_min == pytest.approx(math.exp(-2 + 2.5 * math.sqrt(200 / 199)))


def test_days_without_an_interruption_are_left_out() -> None:
    saidi = np.exp(-2 + np.tile([1.0, -1.0], 100))
    assert fit_major_event_threshold(np.append(saidi, np.zeros(500))) == fit_major_event_threshold(saidi)


def test_too_few_days_give_no_threshold() -> None:
    found = fit_major_event_threshold(np.full(99, 0.1))
    assert math.isnan(found.threshold_min)
    assert found.days == 99


def test_about_two_days_in_three_hundred_exceed_it_where_daily_saidi_is_lognormal() -> None:
    saidi = np.random.default_rng(1).lognormal(-3, 1.4, 100_000)
    share = np.mean(saidi > fit_major_event_threshold(saidi).threshold_min)
    assert share == pytest.approx(0.00621, abs=0.001)  # upper tail of the normal beyond 2.5
