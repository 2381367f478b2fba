"""A history recorded two ways ranks the loops alike; the whole list with LOOPWEAR_FULL=1."""

from __future__ import annotations

import os
from collections.abc import Callable

import pytest

from tests.simulated.histories_study import HISTORIES, Fleet, Recorded, compare, make_fleet, replaced

SOME = HISTORIES if os.environ.get("LOOPWEAR_FULL") == "1" else (replaced,)


@pytest.fixture(scope="module")
def fleet() -> Fleet:
    return make_fleet(24, 5)


@pytest.mark.parametrize("history", SOME, ids=lambda history: history.__name__)
def test_a_history_ranks_the_loops_alike_both_ways(fleet: Fleet, history: Callable[[Fleet], Recorded]) -> None:
    came, apart = compare(history, fleet)
    assert len(came.ranking) > 10 and came.failures["is_counted"].sum() > 40
    assert apart == pytest.approx({"failures": 0, "exposure": 0, "ranking": 0}, abs=1e-9)
