"""The programme against published knapsack problems and against enumeration by another library's solver."""

from __future__ import annotations

import pandas as pd
import pytest

from pipelines.investment.programme import choose_options

# J. Burkardt, KNAPSACK_01 data set P01, after Kreher and Stinson, Combinatorial Algorithms (1999); read in public
# test files, recomputed by enumeration: optimum 309 with items 1, 2, 3, 4, 6, which weigh 165; it is the only one.
WEIGHTS = [23, 31, 29, 44, 53, 38, 63, 85, 89, 82]
PROFITS = [92, 57, 49, 68, 60, 43, 67, 84, 87, 72]
CAPACITY, OPTIMUM, ITEMS = 165, 309, [1, 2, 3, 4, 6]


@pytest.mark.parametrize("one_loop", [True, False])
def test_the_ten_item_knapsack(one_loop: bool) -> None:
    items = list(range(1, 11))
    options = pd.DataFrame(
        {"section_id": items, "loop_id": [1] * 10 if one_loop else items, "weight": WEIGHTS, "gain": PROFITS}
    )
    choice = choose_options(options, CAPACITY, relative_gap=0.0)
    assert choice.gain == OPTIMUM
    assert options.loc[choice.chosen, "section_id"].tolist() == ITEMS
    assert choice.spent == 165
    assert choice.gap == pytest.approx(0.0, abs=1e-9)
    assert choice.searched > 0
    # before any search the bound is 309.02: within a thousandth of it there is nothing left to search
    near = choose_options(options, CAPACITY, relative_gap=0.001)
    assert (near.gain, near.searched) == (OPTIMUM, 0)
    assert 0 < near.gap < 0.001
