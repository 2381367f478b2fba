"""Committed work on fleets of known truth: limits hold, and what can be told is told right; all of it at full size."""

from __future__ import annotations

import os

import numpy as np
import pandas as pd
import pytest

from tests.simulated.follow_up_study import PROGRAMMES, study_fleet

FULL = os.environ.get("LOOPWEAR_FULL") == "1"
WORLDS = list(PROGRAMMES) if FULL else ["bad year after", "injected"]
FLEETS = 30 if FULL else 4


@pytest.fixture(scope="module")
def found() -> pd.DataFrame:
    return pd.DataFrame([study_fleet(100 + n, name, 4) for name in WORLDS for n in range(FLEETS)])


def test_the_limits_hold(found: pd.DataFrame) -> None:
    held = found[["halved held", "idle held", "halved rest held", "idle rest held"]].to_numpy()
    assert held.mean() >= 0.90 - 2.5 * np.sqrt(0.09 / held.size)
    # without the cohort a bad year is taken for a failure of the work
    plain = found[["halved plain held", "idle plain held"]].to_numpy()
    assert plain.mean() < held[:, :2].mean()


def test_work_that_halves_failures_and_work_that_does_nothing_are_told_apart(found: pd.DataFrame) -> None:
    for told, ratio in (("halved", 0.5), ("idle", 1.0)):
        sums = found[[f"{told} seen", f"{told} adjusted"]].sum()
        assert sums.iloc[0] / sums.iloc[1] == pytest.approx(ratio, abs=0.15)
    right = found[["halved told right", "idle told right"]].to_numpy().ravel()
    right = right[~np.isnan(right)]
    assert len(right) >= FLEETS
    assert right.mean() >= 0.8 - 2.5 * np.sqrt(0.16 / len(right))
