"""Fleets of known truth: velocities, offsets, verdicts and windows come out as promised.

Small by default; LOOPWEAR_FULL=1 makes 1,000 fleets. Every figure of those:
`python -m tests.simulated.test_locating_recovery`, or with the names of some designs after it.
"""

from __future__ import annotations

import os
import sys

import numpy as np
import pytest

from tests.locating_study import DESIGNS, print_study, score_design, summarise

FULL = os.environ.get("LOOPWEAR_FULL") == "1"
FLEETS = 125 if FULL else 6
SEED = 20261125
"""Not used while the method was developed."""


def margin(share: float, count: int) -> float:
    """Three standard errors of a share over a count: what chance alone allows."""
    return 3.0 * float(np.sqrt(max(share * (1 - share), 0.02) / count))


@pytest.mark.parametrize("name", list(DESIGNS))
def test_truth_is_recovered(name: str) -> None:
    scores = score_design(DESIGNS[name], FLEETS, SEED)
    found = summarise(scores)
    classes, instruments = len(scores["velocity_error"]), len(scores["scale_covered"])
    if name != "few readings":
        slack = 3.0 * found["velocity sd"] / np.sqrt(classes)
        assert abs(found["velocity bias"]) < 0.1 + slack
        assert abs(found["velocity drawn"]) < 0.1 + slack
        assert found["offset rmse m"] < 0.5
    # limits may be wide where little is known, never too narrow
    assert found["velocity covered"] > 0.87 - margin(0.9, classes)
    assert found["scale covered"] > 0.87 - margin(0.9, instruments)
    assert found["offset covered"] > 0.87 - margin(0.9, instruments)
    assert found["good condemned"] < 0.02 + margin(0.02, len(scores["good_condemned"]))
    if "bad scale passed" in found:
        assert found["bad scale passed"] < 0.10 + margin(0.1, len(scores["bad_scale_passed"]))
    for coverage in (0.5, 0.8, 0.95):
        tried = len(scores[f"window_{coverage}"])
        assert abs(found[f"window {coverage:.0%}"] - coverage) < 0.03 + margin(coverage, tried)


def test_a_class_read_by_one_instrument_alone_is_called_not_separable() -> None:
    scores = score_design(DESIGNS["confounded instrument"], 2, SEED)
    assert scores["not_separable"].reshape(2, -1)[:, 4].all()
    assert scores["class_not_separable"].reshape(2, -1)[:, 2].all()


if __name__ == "__main__":
    print_study(125, SEED, sys.argv[1:])
