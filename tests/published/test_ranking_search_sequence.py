"""The order of tests against published optimal alphabetic trees and bounds."""

from __future__ import annotations

import math

import numpy as np
import pytest

from pipelines.ranking.search_orders import count_tests, find_best_order, measure_entropy

# E. N. Gilbert and E. F. Moore, Bell System Technical Journal 38 (1959), 933-967: probabilities of the space and the
# letters A to Z in English, and the mean length of the best alphabetical code, 4.1978 digits a letter; digits from
# memory, they sum to 1.
ENGLISH = [
    0.1859, 0.0642, 0.0127, 0.0218, 0.0317, 0.1031, 0.0208, 0.0152, 0.0467, 0.0575, 0.0008, 0.0049, 0.0321, 0.0198,
    0.0574, 0.0632, 0.0152, 0.0008, 0.0484, 0.0514, 0.0796, 0.0228, 0.0083, 0.0175, 0.0013, 0.0164, 0.0005,
]  # fmt: skip
BEST_ALPHABETICAL = 4.1978


def expect_tests(chances: np.ndarray) -> float:
    unit = np.ones((len(chances) + 1, len(chances) + 1))
    return float(chances @ count_tests(find_best_order(chances, unit, unit), len(chances)))


def test_the_best_alphabetical_code_of_english_has_the_published_length() -> None:
    chances = np.array(ENGLISH)
    assert chances.sum() == pytest.approx(1.0, abs=1e-12)
    assert expect_tests(chances) == pytest.approx(BEST_ALPHABETICAL, abs=5e-5)  # four decimals are printed
    # The lengths of its code words are those of a binary tree: Kraft's sum is 1.
    unit = np.ones((28, 28))
    assert (0.5 ** count_tests(find_best_order(chances, unit, unit), 27)).sum() == 1.0


def test_entropy_of_published_sources() -> None:
    """C. E. Shannon, Bell System Technical Journal 27 (1948), section 6 (a choice of three: 1/2, 1/3, 1/6; from memory)
    and section 9 (four letters: 7/4 bits)."""
    thirds = math.log2(2) / 2 + math.log2(3) / 3 + math.log2(6) / 6
    assert measure_entropy([1 / 2, 1 / 3, 1 / 6]) == pytest.approx(thirds, rel=1e-12)
    assert measure_entropy([1 / 2, 1 / 4, 1 / 8, 1 / 8]) == 7 / 4
    assert measure_entropy([1.0, 0.0]) == 0.0


@pytest.mark.parametrize("sections", [2, 3, 7, 20, 60])
def test_expected_tests_lie_between_the_entropy_and_two_more(sections: int) -> None:
    """Gilbert and Moore (1959): the best alphabetical code has a mean length from H to below H + 2."""
    rng = np.random.default_rng(sections)
    for spread in (0.05, 0.3, 1.0, 10.0):
        chances = rng.dirichlet(np.full(sections, spread))
        entropy, found = measure_entropy(chances), expect_tests(chances)
        assert entropy - 1e-9 <= found < entropy + 2
