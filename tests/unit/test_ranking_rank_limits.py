"""Rank limits from the posterior: small cases worked by hand, and scipy's own distributions."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from pipelines.ranking.rank_limits import chance_of_being_worse, gamma_log_quantiles, group_alike, rank_units


def test_units_that_chance_cannot_mix_have_one_rank_each() -> None:
    # Means 1, 100 and 10,000 with a relative error of one in a hundred.
    limits = rank_units(np.full(3, 1e4), np.array([1e4, 1e0, 1e2]), 0.90)
    assert limits.rank.tolist() == limits.rank_lo.tolist() == limits.rank_hi.tolist() == [3, 1, 2]


def test_alike_units_may_stand_anywhere() -> None:
    # Ranks of 101 units alike are uniform: 5 % and 95 % of 1..101 are 6 and 96.
    limits = rank_units(np.full(101, 2.0), np.full(101, 3.0), 0.90)
    assert limits.rank.tolist() == list(range(1, 102))
    inner = slice(10, 90)  # elsewhere the limits are stretched to hold the point rank
    assert limits.rank_lo[inner] == pytest.approx(6, abs=1.5)
    assert limits.rank_hi[inner] == pytest.approx(96, abs=1.5)


def test_units_with_nothing_expected_come_last_and_share_their_limits() -> None:
    limits = rank_units(np.array([1.0, 2.0, 1.0, 3.0]), np.array([np.inf, 1.0, np.inf, 1.0]), 0.90)
    assert limits.rank.tolist() == [3, 2, 4, 1]
    assert limits.rank_lo.tolist()[::2] == [3, 3]
    assert limits.rank_hi.tolist()[::2] == [4, 4]


def test_quantiles_of_many_shapes_agree_with_scipy() -> None:
    shapes = np.random.default_rng(4).lognormal(0.0, 1.5, 1500)
    found = gamma_log_quantiles(shapes, np.array([0.05, 0.5, 0.95]))
    with np.errstate(divide="ignore"):
        expected = np.log(stats.gamma.ppf(np.array([0.05, 0.5, 0.95]), shapes[:, None]))
    inside = np.isfinite(expected)
    assert np.abs(found - expected)[inside].max() < 2e-3


def test_chance_of_being_worse_agrees_with_integration() -> None:
    found = chance_of_being_worse(3.0, 2.0, 1.5, 1.0)
    x = np.linspace(1e-6, 40.0, 400_001)
    density = stats.gamma.pdf(x, 3.0, scale=0.5)
    assert found == pytest.approx(np.trapezoid(density * stats.gamma.cdf(x, 1.5), x), abs=1e-6)


def test_a_group_ends_where_its_first_is_told_apart() -> None:
    # Means 10, 9, 5, 4.9 with shape 100 (relative error 0.1): 10 and 9 are alike, 10 and 5 are not.
    groups = group_alike(np.full(4, 100.0), 100.0 / np.array([4.9, 10.0, 5.0, 9.0]), 0.95)
    assert groups.tolist() == [2, 1, 2, 1]
    of_9, of_5 = (chance_of_being_worse(100.0, 100.0 / 10.0, 100.0, 100.0 / mean) for mean in (9.0, 5.0))
    assert of_9 < 0.95 < of_5
