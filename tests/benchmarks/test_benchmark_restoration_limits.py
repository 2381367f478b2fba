"""The benchmark of the limits runs, and both ways agree; nothing is timed here."""

from __future__ import annotations

import numpy as np

from tests.benchmarks.restoration_limits import compare


def test_both_ways_agree_on_a_small_fleet() -> None:
    found = compare(3000, 6, 2000, whole_minutes=False)
    # 2,000 replicates leave 0.05 standard errors of noise at each end
    assert np.sqrt(np.mean(found.mean_gaps**2)) < 0.12
    assert np.sqrt(np.mean(found.median_gaps**2)) < 0.25
    assert found.seconds_ours > 0
    # medians against the exact distribution of what the plain bootstrap samples
    assert np.sqrt(np.mean(found.exact_gaps**2)) < 0.03 < np.sqrt(np.mean(found.floor_gaps**2))
