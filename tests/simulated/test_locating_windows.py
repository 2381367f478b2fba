"""Windows of next year's digs on three invented worlds, asked by terminals and by class, hold what they promise.

The full study: `python -m tests.simulated.windows_study`.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from pipelines.locating.correction import ALONG, BY_CLASS
from tests.simulated.windows_study import judge_windows, try_world

pytestmark = pytest.mark.slow
SEED = 20261201
"""Not used while the method was developed."""


@pytest.fixture(scope="module")
def worlds() -> dict[str, pd.DataFrame]:
    found = [try_world(kind, SEED, number) for number, kind in enumerate(("tails known", "tails absent", "drift"))]
    return {name: pd.concat([each[name] for each in found]) for name in found[0]}


@pytest.mark.parametrize("way", [ALONG, BY_CLASS])
@pytest.mark.parametrize("level", [0.5, 0.8, 0.95])
def test_windows_hold_what_they_promise(worlds: dict[str, pd.DataFrame], way: str, level: float) -> None:
    found = judge_windows(worlds["windows"])
    held = found.loc[(found["way"] == way) & (found["level"] == level), "held_recorded"]
    # digs of one year share the errors of one fit, so chance allows more than their number says
    assert abs(held.mean() - level) < 0.02 + 4.0 * np.sqrt(level * (1 - level) / len(held))


def test_windows_by_class_are_wider_for_the_tails_they_do_not_know(worlds: dict[str, pd.DataFrame]) -> None:
    found = judge_windows(worlds["windows"])
    known = found[(found["kind"] == "tails known") & (found["level"] == 0.8) & (found["route_m"] < 30)]
    width = known.groupby("way")["width_m"].median()
    assert width[BY_CLASS] > 1.5 * width[ALONG]


def test_a_dig_can_be_asked_both_ways(worlds: dict[str, pd.DataFrame]) -> None:
    assert worlds["windows"]["level"].notna().all()


def test_a_drifting_instrument_gets_the_setting_of_today(worlds: dict[str, pd.DataFrame]) -> None:
    own = worlds["proposals"][worlds["proposals"]["instrument_kind"] == "drifts"]
    assert len(own) == 4
    assert own["error_pct"].abs().median() < 1.0
