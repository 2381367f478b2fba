"""Tests of trend by hand, windows that enter late among them."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from pipelines.survival.trend import run_laplace_test, run_log_ratio_test


def test_laplace_s_statistic_is_the_distance_from_the_middle_of_each_window() -> None:
    # middles 3 and 5, widths 2 and 10
    found = run_laplace_test([2.0, 0.0], [4.0, 10.0], [3.5, 4.0])
    z = (0.5 - 1.0) / np.sqrt((4 + 100) / 12)
    assert (found.statistic, found.degrees) == (pytest.approx(z), 0)
    assert found.p_value == pytest.approx(2 * stats.norm.cdf(-abs(z)))


@pytest.mark.parametrize(("ages", "widths"), [([3.5, 4.0], [1.5, 4.0]), ([2.0, 0.001], [0.5 / 365.25, 0.5 / 365.25])])
def test_the_log_ratio_counts_from_the_entry_and_half_a_day_at_least(ages: list[float], widths: list[float]) -> None:
    found = run_log_ratio_test([2.0, 0.0], [4.0, 10.0], ages)
    statistic = 2 * (np.log(2 / widths[0]) + np.log(10 / widths[1]))
    assert (found.statistic, found.degrees) == (pytest.approx(statistic), 4)
    two_sided = 2 * min(stats.chi2.cdf(statistic, 4), stats.chi2.sf(statistic, 4))
    assert found.p_value == pytest.approx(two_sided)
