"""The shrinkage behind the comparison before and after, against a published example of regression to the mean.

Source: E. Hauer, D. W. Harwood, F. M. Council, M. S. Griffith, "Estimating Safety by the Empirical Bayes Method: A
Tutorial", Transportation Research Record 1784 (2002) 126-131. A road segment of 1.8 km with 4,000 vehicles a day;
results were read on a slide page after the paper, the constants 0.0224 and 0.564 and phi = 2.05 per km are from memory,
and the recomputation gives the published digits.
"""

from __future__ import annotations

import numpy as np
import pytest

from pipelines.survival import hierarchical_frailty

LENGTH_KM, PHI_PER_KM = 1.8, 2.05
MU_PER_KM_YEAR = 0.0224 * 4000.0**0.564
"""Accidents per km and year that segments of its kind have: what a class curve is to a section."""


def expect_next_year(counts: list[int]) -> tuple[float, float]:
    """Mean and standard deviation of the next year, with nothing done, from the counts of the years before."""
    mu = MU_PER_KM_YEAR * LENGTH_KM
    one = np.zeros(1, dtype=np.int64)
    tree = hierarchical_frailty.Tree(np.array([float(sum(counts))]), np.array([mu * len(counts)]), np.ones(1), one, one)
    # a gamma multiplier with precision phi per km: variance 1 / (phi x length), and no level above the segment
    variances = hierarchical_frailty.Variances(loop=0.0, half_loop=0.0, section=1.0 / (PHI_PER_KM * LENGTH_KM))
    totals = hierarchical_frailty.fit_totals(tree, variances, np.array([mu]))
    return float(totals.loop_mean[0]), float(np.sqrt(totals.loop_variance[0]))


def test_one_year_of_twelve_accidents() -> None:
    mean, deviation = expect_next_year([12])
    # published 4.71 +/- 1.19 per km and year; recomputed 8.476370 and 2.139924 for the segment
    assert mean / LENGTH_KM == pytest.approx(4.71, abs=0.005)
    assert deviation / LENGTH_KM == pytest.approx(1.19, abs=0.005)
    assert (mean, deviation) == (pytest.approx(8.476370, rel=1e-5), pytest.approx(2.139924, rel=1e-5))


def test_three_years_weigh_more_than_one() -> None:
    mean, deviation = expect_next_year([12, 7, 8])
    # published 7.97 +/- 1.44 a year
    assert (mean, deviation) == (pytest.approx(7.97, abs=0.005), pytest.approx(1.44, abs=0.005))


def test_the_record_carried_on_would_have_promised_more() -> None:
    one_year, _ = expect_next_year([12])
    # 12 in the year before, 8.5 to be expected after: a fall of 29 % that nobody brought about
    assert 1 - one_year / 12 == pytest.approx(0.294, abs=0.001)
