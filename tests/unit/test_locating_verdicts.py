"""In, out, or not to be said."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from pipelines.locating.verdicts import check_distances, judge, tolerated_error
from shared.settings import Locating

SETTINGS = Locating()  # the larger of 2 % and 3 m


def verdict(error: float, se: float, distance: float = 100.0, lasting: float = 0.0, readings: int = 40):
    at = np.array([distance])
    return judge(
        np.array([error]), np.array([se]), np.array([lasting]), tolerated_error(at, SETTINGS), 1e6, 0.90, readings
    )


def test_the_tolerance_is_the_larger_of_a_share_and_a_length() -> None:
    assert tolerated_error(np.array([50.0, 150.0, 400.0]), SETTINGS) == pytest.approx([3.0, 3.0, 8.0])


def test_the_tolerance_is_checked_where_it_bends() -> None:
    assert check_distances(np.linspace(20, 300, 101), SETTINGS) == pytest.approx([48.0, 150.0, 272.0])


def test_in_only_when_the_limits_lie_inside() -> None:
    # 1.645 standard errors on either side
    assert verdict(1.0, (3.0 - 1.0) / 1.65).verdict == "in_tolerance"
    assert verdict(1.0, (3.0 - 1.0) / 1.64).verdict == "too_few_readings"


def test_no_significant_bias_is_not_calibrated() -> None:
    assert verdict(0.0, 5.0).verdict == "too_few_readings"


def test_out_only_when_the_limits_lie_outside() -> None:
    assert verdict(5.0, (5.0 - 3.0) / 1.65).verdict == "out_of_tolerance"
    assert verdict(5.0, (5.0 - 3.0) / 1.64).verdict == "too_few_readings"
    assert verdict(-5.0, 1.0).verdict == "out_of_tolerance"


def test_the_number_still_needed_would_settle_it() -> None:
    few = verdict(1.0, 2.0)
    assert few.readings_needed is not None
    # standard error falls with the root of the readings
    enough = 40 + few.readings_needed
    assert verdict(1.0, 2.0 * np.sqrt(40 / enough)).verdict == "in_tolerance"
    assert verdict(1.0, 2.0 * np.sqrt(40 / (enough - 2))).verdict == "too_few_readings"


def test_no_number_is_named_at_the_edge_or_where_readings_do_not_help() -> None:
    assert verdict(2.999, 0.5).readings_needed is None
    assert verdict(1.0, 2.0, lasting=1.9).readings_needed is None


def test_every_distance_must_hold() -> None:
    at = np.array([50.0, 150.0, 400.0])
    found = judge(np.array([0.5, 1.0, 9.5]), np.full(3, 0.2), np.zeros(3), tolerated_error(at, SETTINGS), 1e6, 0.90, 40)
    assert found.verdict == "out_of_tolerance"


def test_the_range_checked_is_the_middle_four_fifths_with_the_bend_where_it_lies_inside() -> None:
    assert check_distances(np.linspace(20, 120, 101), SETTINGS) == pytest.approx([30, 110])
    assert check_distances(np.linspace(200, 300, 101), SETTINGS) == pytest.approx([210, 290])
    assert check_distances(np.zeros(0), Locating(tolerance_pct=4, tolerance_m=3)) == pytest.approx([50, 75, 150])
    assert check_distances(np.zeros(0), SETTINGS) == pytest.approx([50, 150])


def test_limits_on_the_tolerance_are_inside_it() -> None:
    assert verdict(3.0, 0.0).verdict == "in_tolerance"
    assert verdict(1.0, 0.1).readings_needed == verdict(9.0, 0.1).readings_needed == 0
    two = judge(np.array([3.0, 1.0]), np.array([0.0, 5.0]), np.zeros(2), np.full(2, 3.0), 1e6, 0.90, 40)
    assert two.verdict == "too_few_readings"


def test_out_at_one_of_three_distances_needs_the_stricter_limit() -> None:
    """Student's quantile with 7 degrees of freedom: 1 - 0.05 inside, 1 - 0.05 / 3 outside."""
    strict, loose = stats.t.ppf(1 - 0.05 / 3, 7), stats.t.ppf(0.95, 7)
    for share, expected in ((0.99, "out_of_tolerance"), (1.01, "too_few_readings")):
        se = np.array([0.1, 2.0 / strict * share, 0.1])
        assert judge(np.array([1, -5, 1]), se, np.zeros(3), np.full(3, 3.0), 7, 0.90, 9).verdict == expected
        se = np.full(3, 2.0 / loose * share)
        expected = "in_tolerance" if share < 1 else "too_few_readings"
        assert judge(np.array([1, -1, 0.5]), se, np.zeros(3), np.full(3, 3.0), 7, 0.90, 9).verdict == expected


def test_the_number_needed_is_the_smaller_of_that_to_clear_and_that_to_condemn() -> None:
    """Variance (se^2 - lasting^2) / factor + lasting^2 = (gap / quantile)^2; all distances to clear, one to condemn."""
    se, lasting, tolerance = np.array([2.0, 3.0]), np.array([0.5, 0.4]), np.array([3.0, 4.0])
    inside, outside = stats.norm.ppf([0.95, 0.975])

    def needed(error: list[float], readings: int = 20) -> int | None:
        return judge(np.array(error), se, lasting, tolerance, 1e9, 0.90, readings).readings_needed

    def more(gap: float, quantile: float, k: int) -> float:
        return 20 * ((se[k] ** 2 - lasting[k] ** 2) / ((gap / quantile) ** 2 - lasting[k] ** 2) - 1)

    assert needed([1.0, -1.5]) == math.ceil(max(more(2.0, inside, 0), more(2.5, inside, 1)))
    assert needed([1.0, 5.5]) == math.ceil(more(1.5, outside, 1))
    assert needed([6.0, 6.5]) == math.ceil(min(more(3.0, outside, 0), more(2.5, outside, 1)))
    assert needed([6.0, 6.5]) != math.ceil(max(more(3.0, outside, 0), more(2.5, outside, 1)))


def test_no_number_above_five_hundred() -> None:
    inside = stats.norm.ppf(0.95)
    for factor, expected in ((1 + 0.5 / 40, 1), (1 + 499.5 / 40, 500), (1 + 500.5 / 40, None)):
        assert verdict(1.0, 2.0 / inside * factor**0.5).readings_needed == expected


def test_a_verdict_says_why() -> None:
    assert verdict(1.0, 0.1).reason == "limits_inside"
    assert verdict(9.0, 0.1).reason == "limits_outside"
    assert verdict(1.0, 2.0).reason == "more_readings"
    assert verdict(2.999, 0.5).reason == "at_the_edge"
    assert verdict(1.0, 2.0, lasting=1.9).reason == "others_needed"
    assert verdict(2.9, 2.0, lasting=1.9).reason == "at_the_edge"  # nor would others bring it off the edge


def moved(error: float, se: float, moved_se: float, test_se: float = 2.0, lasting: float = 0.0):
    """A verdict at one distance with a tolerance of 3 m, part of the doubt from movement since the readings."""
    values = (np.array([value]) for value in (error, se, lasting, 3.0))
    return judge(*values, 1e9, 0.90, 40, np.array([moved_se]), np.array([test_se]))


def test_where_the_doubt_is_movement_readings_of_the_day_are_counted() -> None:
    """Their precision adds to that of the estimate: n / 2^2 + 1 / 1.6^2 = (q / (3 - 1.5))^2."""
    inside = stats.norm.ppf(0.95)
    found = moved(1.5, 1.6, 1.5)
    needed = 2.0**2 * ((inside / 1.5) ** 2 - 1 / 1.6**2)
    assert (found.verdict, found.reason, found.tests_needed) == (
        "too_few_readings", "readings_now", math.ceil(needed)
    )  # fmt: skip
    enough = (1 / (1 / 1.6**2 + found.tests_needed / 2.0**2)) ** 0.5
    assert moved(1.5, enough, 0.0).verdict == "in_tolerance"
    assert moved(2.99, 1.6, 1.5).reason == "at_the_edge"
    assert moved(1.5, 1.6, 1.1).reason == "more_readings"  # less than half of the variance
    assert moved(1.5, 1.6, 1.14).reason == "readings_now"
    assert moved(1.5, 1.6, 1.5, test_se=7.7).tests_needed == 49
    beyond = moved(1.5, 1.6, 1.5, test_se=7.9)  # 51 are more than can be promised to settle it
    assert (beyond.reason, beyond.tests_needed) == ("more_readings", None)
    assert moved(0.1, 0.2, 0.2).reason == "limits_inside"


def test_readings_that_others_must_bring_are_counted() -> None:
    """Own part 0.2, lasting 1.9: the lasting variance must fall to (2 / q)^2 - own variance; a reading has 2^2."""
    inside = stats.norm.ppf(0.95)
    se = (0.2**2 + 1.9**2) ** 0.5
    found = moved(1.0, se, 0.0, lasting=1.9)
    room = (2.0 / inside) ** 2 - 0.2**2
    assert (found.reason, found.tests_needed) == ("others_needed", math.ceil(2.0**2 * (1 / room - 1 / 1.9**2)))
