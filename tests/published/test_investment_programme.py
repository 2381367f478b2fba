"""The programme against a published knapsack problem."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from pipelines.investment.programme import arrange_fleet, choose_work, find_prices

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
    fleet = arrange_fleet(options, np.array([PROFITS], dtype=float), [CAPACITY])
    work = choose_work(fleet, 0.0)
    assert work.gain == OPTIMUM
    assert options.loc[work.year == 0, "section_id"].tolist() == ITEMS
    assert work.spent.tolist() == [165]
    assert work.gap == pytest.approx(0.0, abs=1e-9)
    # with the capacity priced the bound is 309.02 where each item is a loop; one loop of all answers as one
    _, bound, _ = find_prices(fleet)
    assert one_loop or bound == pytest.approx(309.02, abs=0.04)
    assert bound >= OPTIMUM
