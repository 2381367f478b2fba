"""Signals of the individuals chart."""

from __future__ import annotations

import numpy as np

from pipelines.restoration.control_limits import IndividualsChart, find_signals, fit_individuals

CHART = IndividualsChart(centre=10.0, lower=4.0, upper=16.0, mean_range=2.256, range_upper=7.37)


def test_values_outside_the_limits_are_signals() -> None:
    assert find_signals([9.0, 17.0, 11.0, 3.0], CHART).tolist() == ["", "outside", "", "outside"]


def test_the_eighth_in_a_row_on_one_side_is_a_signal() -> None:
    assert find_signals([9.0] + [11.0] * 9, CHART).tolist() == [""] * 8 + ["run"] * 2


def test_a_value_on_the_centre_breaks_a_run_and_a_month_without_jobs_does_not() -> None:
    assert "run" not in find_signals([11.0] * 7 + [10.0] + [11.0] * 7, CHART)
    assert find_signals([11.0] * 4 + [np.nan] + [11.0] * 4, CHART).tolist() == [""] * 8 + ["run"]


def test_missing_months_are_passed_over_and_one_value_has_no_limits() -> None:
    assert fit_individuals([1.0, np.nan, 3.0]) == fit_individuals([1.0, 3.0])
    assert np.isnan(fit_individuals([5.0]).upper)
    assert fit_individuals([5.0]).centre == 5.0
    assert np.isnan(fit_individuals([]).centre)


def test_a_steady_series_rarely_signals() -> None:
    rng = np.random.default_rng(2)
    outside = 0
    for _ in range(200):
        values = rng.normal(50, 5, 36)
        outside += int(np.sum(find_signals(values, fit_individuals(values)) == "outside"))
    # three sigma on each side: 0.27 %, somewhat more since the limits are estimated
    assert outside / (200 * 36) < 0.01


def test_two_values_have_limits_and_a_value_on_one_is_no_signal() -> None:
    chart = fit_individuals([1.0, 3.0])
    assert (chart.centre, chart.mean_range) == (2, 2)
    assert chart.upper - 2 == 2 - chart.lower == 3 * 2 / 1.128
    assert chart.range_upper == 2 * 3.267
    assert find_signals([4.0, 16.0], CHART).tolist() == ["", ""]


def test_no_run_on_the_centre_nor_from_side_to_side() -> None:
    assert find_signals([10.0] * 12 + [9.0, 11.0] * 6, CHART).tolist() == [""] * 24
