"""In, out, or not to be said."""

from __future__ import annotations

import numpy as np
import pytest

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
