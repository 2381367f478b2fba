"""Limits of counts with an uncertain mean, against the mixture that defines them and Garwood's limits."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from shared.intervals import count_coverage, count_limits, jeffreys_ratio_limits, poisson_limits, ratio_limits

MEANS = np.array([0.0, 0.05, 0.7, 3.0, 22.0, 480.0])
SHAPES = np.array([2.0, 0.8, 5.0, 40.0, 200.0, 1000.0])


def chance_of_at_most(counts: np.ndarray) -> np.ndarray:
    """P(N <= n) of a Poisson count with a gamma mean, summed over the quantiles of that mean."""
    grid = (np.arange(20_000) + 0.5) / 20_000
    means = stats.gamma.ppf(grid[:, None], SHAPES, scale=np.maximum(MEANS, 1e-12) / SHAPES)
    return stats.poisson.cdf(counts, means).mean(axis=0)


@pytest.mark.parametrize("coverage", [0.5, 0.9, 0.99])
def test_limits_of_a_coming_count_are_the_smallest_that_reach_a_tail(coverage: float) -> None:
    for counts, tail in zip(
        count_limits(MEANS, SHAPES, coverage), ((1 - coverage) / 2, (1 + coverage) / 2), strict=True
    ):
        assert np.all(chance_of_at_most(counts) >= tail)
        assert np.all(chance_of_at_most(counts - 1) < tail)


def test_coverage_is_what_lies_between_the_limits() -> None:
    lo, hi = count_limits(MEANS, SHAPES, 0.9)
    inside = count_coverage(MEANS, SHAPES, lo, hi)
    assert inside == pytest.approx(chance_of_at_most(hi) - chance_of_at_most(lo - 1), abs=1e-5)
    assert np.all(inside >= 0.9)


def test_at_the_limits_of_the_ratio_the_count_seen_lies_in_the_tail() -> None:
    counts, means, shapes = np.array([0, 3, 17]), np.array([2.0, 5.5, 12.0]), np.array([4.0, 9.0, 60.0])
    lo, hi = ratio_limits(counts, means, shapes, 0.9)
    at_hi = stats.nbinom(shapes, shapes / (shapes + hi * means))
    assert at_hi.cdf(counts) == pytest.approx(0.05)
    assert lo[0] == 0.0
    at_lo = stats.nbinom(shapes[1:], shapes[1:] / (shapes[1:] + lo[1:] * means[1:]))
    assert at_lo.sf(counts[1:] - 1) == pytest.approx(0.05)


def test_with_a_mean_known_well_the_ratio_has_garwoods_limits() -> None:
    counts, means = np.array([0, 4, 30]), np.array([1.5, 6.0, 22.0])
    lo, hi = ratio_limits(counts, means, np.full(3, 1e9), 0.9)
    garwood_lo, garwood_hi = poisson_limits(counts, 0.9)
    assert lo * means == pytest.approx(garwood_lo, rel=1e-5)
    assert hi * means == pytest.approx(garwood_hi, rel=1e-5)


@pytest.mark.parametrize("coverage", [0.5, 0.8, 0.95])
def test_garwoods_limits_are_quantiles_of_chi_square(coverage: float) -> None:
    counts = np.array([0, 1, 2.5, 40])
    lo, hi = poisson_limits(counts, coverage)
    tail = (1 - coverage) / 2
    assert lo == pytest.approx([0.0, *stats.chi2.ppf(tail, 2 * counts[1:]) / 2])
    assert hi == pytest.approx(stats.chi2.ppf(1 - tail, 2 * counts + 2) / 2)


def test_limits_by_the_prior_of_jeffreys() -> None:
    lo, hi = jeffreys_ratio_limits([0, 7], 10.0, 1e9, 0.9)
    assert hi == pytest.approx(stats.gamma(np.array([0.5, 7.5])).ppf(0.95) / 10, rel=1e-4)
    assert lo == pytest.approx([0.0, stats.gamma(7.5).ppf(0.05) / 10], rel=1e-4)
