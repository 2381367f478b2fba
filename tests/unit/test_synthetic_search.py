"""The crew's search over a half-loop, worked by hand."""

import numpy as np
import pytest

from synthetic_data.search import HALVING, INDICATORS, OUTWARD, SEEN, search_half_loop

EVEN = np.ones(12)
CUSTOMERS = np.array([5, 7, 6, 8, 4, 9, 3, 0])


def _search(fault, habit, *, can_backfeed=True, is_misled=False):
    return search_half_loop(CUSTOMERS, fault, habit, EVEN, can_backfeed=can_backfeed, is_misled=is_misled)


def test_halving_of_eight_takes_three_tests():
    search = _search(6, HALVING)
    assert [(t.first, t.last, t.is_clear) for t in search.tests] == [(1, 4, True), (5, 6, False), (5, 5, True)]
    # 18 to the first test, 14 a test, four minutes a pad walked: 0 to 4, 4 to 6, 6 to 5
    assert search.located_min == 18 + (14 + 4 * 4) + (14 + 4 * 2) + (14 + 4 * 1)


def test_halving_brings_about_half_back_at_the_first_step():
    first = _search(6, HALVING).steps[0]
    assert first == (18 + 30 + 6, 5 + 7 + 6 + 8)


def test_outward_tests_every_section_up_to_the_fault():
    search = _search(3, OUTWARD)
    assert len(search.tests) == 3
    assert search.located_min == 18 + 3 * 18


def test_indicators_need_one_test_unless_they_mislead():
    told, misled = _search(5, INDICATORS), _search(5, INDICATORS, is_misled=True)
    assert [(t.first, t.last, t.is_clear) for t in told.tests] == [(5, 5, False)]
    # 18 to the first test, two minutes a pad passed, 14 for the test
    assert told.located_min == 18 + 2 * 5 + 14
    # 40 minutes at the wrong place, then halving: pads 4, 6 and 5
    assert [(t.first, t.last, t.is_clear) for t in misled.tests] == [(1, 4, True), (5, 6, False), (5, 5, False)]
    assert misled.located_min == 18 + 40 + (14 + 4 * 4) + (14 + 4 * 2) + (14 + 4 * 1)


def test_a_place_in_plain_sight_needs_none():
    assert _search(5, SEEN).tests == ()


@pytest.mark.parametrize("habit", [HALVING, OUTWARD, INDICATORS, SEEN])
@pytest.mark.parametrize("fault", range(1, 9))
def test_on_a_loop_every_customer_is_back_once(habit, fault):
    steps = _search(fault, habit).steps
    assert sum(count for _, count in steps) == CUSTOMERS.sum()
    assert all(count > 0 for _, count in steps)


@pytest.mark.parametrize("habit", [HALVING, OUTWARD, INDICATORS, SEEN])
@pytest.mark.parametrize("fault", range(1, 9))
def test_on_a_radial_only_those_before_the_fault_are_back_by_switching(habit, fault):
    steps = _search(fault, habit, can_backfeed=False).steps
    assert sum(count for _, count in steps) == CUSTOMERS[: fault - 1].sum()
