"""Limits of restoration hold on simulated fleets with storms, skewed times and few days.

With LOOPWEAR_FULL=1 every world of the study and 300 fleets of each: about three minutes.
"""

from __future__ import annotations

import os

import pytest

from tests.simulated.restoration_limits_study import BELOW, WORLDS, study_world

FULL = os.environ.get("LOOPWEAR_FULL") == "1"
FLEETS = 300 if FULL else 40
SHOWN = [name for name in WORLDS if name not in BELOW]
FEW = ["3 to 6 storm days, 120 days"]


@pytest.mark.parametrize("name", SHOWN if FULL else ["no storm, 60 days", "20 and more storm days, 1 year"])
def test_limits_hold_where_they_are_given(name: str) -> None:
    """All figures together within 88 to 92 %; each within three standard errors of it.

    Shares of a job in a hundred are left out: of few jobs they are told in steps.
    """
    found = study_world(WORLDS[name], FLEETS, 7118)
    told = found[(found["withheld"] < 0.6) & (found["figure"] != "share over 8 h")]
    assert len(told) >= 11
    slack = 3 * (0.9 * 0.1 / told["fleets"]) ** 0.5
    assert 0.88 - slack.min() / 2 <= told["holds"].mean() <= 0.92 + slack.min() / 2
    assert (told["holds"] >= 0.88 - slack).all()
    assert (told["holds"] <= 0.92 + slack).all()


@pytest.mark.parametrize("name", FEW)
def test_a_few_storms_that_weigh_leave_no_limits(name: str) -> None:
    found = study_world(WORLDS[name], FLEETS, 7119)
    assert (found["withheld"] >= 0.9).all()
