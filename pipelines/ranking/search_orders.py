"""In which order are opening points tested: the best order, the outward walk, halving, and what each costs."""

from collections.abc import Callable

import numpy as np
from numpy.typing import ArrayLike

from shared.arrays import Floats

Order = Callable[[int, int, int], int]
"""Two terminals that the fault lies between, and the terminal where the crew is, to the terminal to test at next."""

Tests = dict[tuple[int, int], tuple[int, int]]
"""Tests of an order by the two terminals that the fault lies between: where the crew comes from, and where it tests."""


def walk_outward(low: int, _high: int, _here: int) -> int:
    """Test section after section from the source."""
    return low + 1


def halve_by_count(low: int, high: int, _here: int) -> int:
    """Test in the middle of the sections left."""
    return (low + high) // 2


def find_best_order(chances: ArrayLike, hop: Floats, out: Floats) -> Order:
    """The order of tests that costs least on average, the order of the sections kept.

    Parameters
    ----------
    chances
        Chance of each section, shape (n,).
    hop, out
        Of cost_tests, shape (n + 1, n + 1).

    Notes
    -----
    The least cost between two terminals is that of one test plus those of either outcome, each times its chance; the
    crew is then at one of the two. With unit costs this is the optimal alphabetic tree. Of equal orders the one that
    tests nearer to the source is taken. Time and memory grow with n^3 and n^2: a half-loop has some tens of sections.

    References
    ----------
    E. N. Gilbert and E. F. Moore, Bell System Technical Journal 38 (1959): the recursion, and less than 2 tests above
    the entropy. D. E. Knuth, Acta Informatica 1 (1971). T. C. Hu and A. C. Tucker, SIAM Journal on Applied Mathematics
    21 (1971).

    Checked by: tests/published/test_ranking_search_sequence.py, tests/unit/test_ranking_search_sequence.py
    """
    mass = np.concatenate([[0.0], np.cumsum(np.asarray(chances, dtype=np.float64))])
    n = len(mass) - 1
    # the last index: whether the crew is at the far one of the two terminals
    cost, best = np.zeros((n + 1, n + 1, 2)), np.zeros((n + 1, n + 1, 2), dtype=np.int64)
    for width in range(2, n + 1):
        low = np.arange(n - width + 1)[:, None]
        high, at = low + width, low + np.arange(1, width)
        later = cost[low, at, 1] + cost[at, high, 0]
        for side, here in enumerate((low, high)):
            total = (mass[high] - mass[low]) * out[low, high] * hop[here, at] + later
            least = total.min(axis=1)
            # equal orders differ by rounding
            best[low[:, 0], high[:, 0], side] = low[:, 0] + 1 + (total <= least[:, None] * (1 + 1e-12)).argmax(axis=1)
            cost[low[:, 0], high[:, 0], side] = least
    return lambda low, high, here: int(best[low, high, int(here == high)])


def follow(order: Order, sections: int) -> Tests:
    """Every test that an order may come to, the first one first, those toward the source before those beyond."""
    tests: Tests = {}
    waiting = [(0, sections, 0)]
    while waiting:
        low, high, here = waiting.pop()
        if high - low > 1:
            at = order(low, high, here)
            tests[low, high] = here, at
            waiting += [(at, high, at), (low, at, at)]
    return tests


def add_costs(tests: Tests, hop: Floats, out: Floats) -> Floats:
    """What an order costs by the section that holds the fault, shape (sections,)."""
    spent = np.zeros(len(hop) - 1)
    for (low, high), (here, at) in tests.items():
        spent[low:high] += hop[here, at] * out[low, high]
    return spent


def count_tests(order: Order, sections: int) -> Floats:
    """Tests that an order needs by the section that holds the fault, shape (sections,)."""
    unit = np.ones((sections + 1, sections + 1))
    return add_costs(follow(order, sections), unit, unit)


def measure_entropy(chances: ArrayLike) -> float:
    """Entropy of chances that sum to 1, in bits: the least tests that any order can need on average.

    References
    ----------
    C. E. Shannon, Bell System Technical Journal 27 (1948).

    Checked by: tests/published/test_ranking_search_sequence.py
    """
    p = np.asarray(chances, dtype=np.float64)
    return float(-(p[p > 0] * np.log2(p[p > 0])).sum()) + 0.0
