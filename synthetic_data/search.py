"""How a crew finds the faulted section, and what each test lets it switch back on.

One search is one short walk over a half-loop of up to twenty sections; there is a job's worth of randomness in
it, drawn by the caller, so that the walk itself is a plain function.
"""

from dataclasses import dataclass

import numpy as np

FIRST_TEST_MIN = 18.0
TEST_MIN = 14.0
WALK_MIN_PER_PAD = 4.0
SWITCH_MIN = 6.0

HALVING, OUTWARD, INDICATORS, SEEN = range(4)


@dataclass(frozen=True)
class Test:
    """A test over sections first..last of the half-loop, counted from the source, done at minute `at`."""

    at: float
    first: int
    last: int
    is_clear: bool


@dataclass(frozen=True)
class Search:
    """Minutes from arrival to the section being known, the tests, and the steps (minute, customers)."""

    located_min: float
    tests: tuple[Test, ...]
    steps: tuple[tuple[float, int], ...]


def search_half_loop(
    customers: np.ndarray, fault: int, habit: int, paces: np.ndarray, *, can_backfeed: bool, is_misled: bool
) -> Search:
    """Walk one search.

    Parameters
    ----------
    customers
        Customers at the downstream terminal of each section, in order from the source.
    fault
        Faulted section, from 1.
    habit
        HALVING, OUTWARD, INDICATORS or SEEN (the place is plain to see).
    paces
        Factors near one that the minutes of the successive tests are multiplied by.
    can_backfeed
        Whether the part beyond the fault can be fed over the normal open point.
    is_misled
        Whether fault indicators point at the wrong section.

    Returns
    -------
    Search
        Steps leave out customers that must wait for the repair.
    """
    if habit == SEEN:
        return _finish(customers, fault, FIRST_TEST_MIN * paces[0], [], 0, len(customers), can_backfeed, paces, [])
    if habit == OUTWARD:
        return _walk_outward(customers, fault, paces, can_backfeed)
    if habit == INDICATORS and not is_misled:
        at = FIRST_TEST_MIN * paces[0] + 2.0 * fault + TEST_MIN * paces[1]
        tests = [Test(at, fault, fault, is_clear=False)]
        return _finish(customers, fault, at, tests, 0, len(customers), can_backfeed, paces, [])
    start = FIRST_TEST_MIN * paces[0] + (40.0 * paces[1] if habit == INDICATORS else 0.0)
    return _halve(customers, fault, start, paces, can_backfeed)


def _walk_outward(customers: np.ndarray, fault: int, paces: np.ndarray, can_backfeed: bool) -> Search:
    at, tests = FIRST_TEST_MIN * paces[0], []
    for section in range(1, fault + 1):
        at += (TEST_MIN + WALK_MIN_PER_PAD) * paces[section % len(paces)]
        tests.append(Test(at, section, section, is_clear=section < fault))
    return _finish(customers, fault, at, tests, 0, len(customers), can_backfeed, paces, [])


def _halve(customers: np.ndarray, fault: int, at: float, paces: np.ndarray, can_backfeed: bool) -> Search:
    first, last, here = 1, len(customers), 0
    far_out = len(customers)
    tests: list[Test] = []
    steps: list[tuple[float, int]] = []
    while first < last or not tests:
        middle = (first + last) // 2
        at += (TEST_MIN + WALK_MIN_PER_PAD * abs(middle - here)) * paces[len(tests) % len(paces)]
        here = middle
        is_clear = fault > middle
        tests.append(Test(at, first, middle, is_clear))
        if first == last:
            break
        if is_clear:  # near part is sound: its terminals come back from the source
            steps.append((at + SWITCH_MIN, int(customers[first - 1 : middle].sum())))
            first = middle + 1
        else:  # fault in the near part: the far part comes back over the open point
            if can_backfeed:
                steps.append((at + SWITCH_MIN, int(customers[middle - 1 : far_out].sum())))
                far_out = middle - 1
            last = middle
    return _finish(customers, fault, at, tests, first - 1, far_out, can_backfeed, paces, steps)


def _finish(
    customers: np.ndarray,
    fault: int,
    at: float,
    tests: list[Test],
    near_back: int,
    far_out: int,
    can_backfeed: bool,
    paces: np.ndarray,
    steps: list[tuple[float, int]],
) -> Search:
    """Isolate the section, then switch back what is still out on either side.

    near_back: terminals already back from the source; far_out: terminals up to this number are still out.
    """
    near = int(customers[near_back : fault - 1].sum())
    far = int(customers[fault - 1 : far_out].sum()) if can_backfeed else 0
    done = [*steps, (at + SWITCH_MIN * paces[-1], near), (at + 2.2 * SWITCH_MIN * paces[-2], far)]
    return Search(at, tuple(tests), tuple((when, count) for when, count in done if count > 0))
