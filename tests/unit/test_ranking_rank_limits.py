"""Rank limits from the posterior: small cases worked by hand, and scipy's own distributions."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import special, stats

from pipelines.ranking.rank_limits import (
    _count_above,
    _read_grid,
    _split_shapes,
    _spread_on_grid,
    chance_of_being_worse,
    gamma_log_quantiles,
    group_alike,
    rank_units,
)


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
    # ties keep their order; what expects nothing (no failures, or none per km) is a group behind all others
    last = group_alike(np.array([2.0, 0.0, 2.0, 0.5]), np.array([1.0, 1.0, np.inf, 1e3]), 0.6)
    assert last.tolist() == [1, 3, 3, 2]
    assert group_alike(np.zeros(2), np.ones(2), 0.9).tolist() == [1, 1]
    # at the very chance they are told apart
    assert group_alike([3.0, 3.0], [1.0, 2.0], float(chance_of_being_worse(3.0, 1.0, 3.0, 2.0))).tolist() == [1, 2]


@pytest.mark.parametrize("alike", [1, 255, 256, 257, 1000])
def test_a_group_may_be_longer_than_what_is_looked_at_at_once(alike: int) -> None:
    shape = np.full(alike + 2, 400.0)
    groups = group_alike(shape, np.r_[np.full(alike, 1.0), 100.0, 1e4], 0.9)
    assert groups.tolist() == [1] * alike + [2, 3]


def limits_by_sums(shape: np.ndarray, rate: np.ndarray, coverage: float) -> np.ndarray:
    """Rank limits before rounding, every tail probability from scipy, unit by unit."""
    tail = (1 - coverage) / 2
    at = stats.gamma.ppf([1 - tail, 0.5, tail], shape[:, None], scale=1 / rate[:, None])
    p = stats.gamma.sf(at[:, None, :], shape[None, :, None], scale=1 / rate[None, :, None])
    p[np.arange(len(shape)), np.arange(len(shape))] = 0.0
    above, chance = p.sum(axis=1), (p * (1 - p)).sum(axis=1)
    half = stats.norm.ppf(1 - tail) * np.sqrt(chance[:, 1])
    middle = 1 + above[:, 1]
    up, down = np.hypot(above[:, 2] - above[:, 1], half), np.hypot(above[:, 1] - above[:, 0], half)
    return np.stack([middle - down, middle + up])


@pytest.mark.parametrize(("units", "fleets", "coverage"), [(2, 40, 0.6), (9, 40, 0.8)])
def test_limits_are_those_of_sums_of_tail_probabilities(units: int, fleets: int, coverage: float) -> None:
    rng, off, all_of_them = np.random.default_rng(units), 0, 0
    for _ in range(fleets):
        shape, rate = 0.3 + rng.gamma(1.5, 1.0, units), rng.lognormal(0.0, 0.7, units)
        found, exact = rank_units(shape, rate, coverage), limits_by_sums(shape, rate, coverage)
        lo, hi = np.clip(np.floor(exact + 0.5), 1, units)
        sure = np.abs(exact + 0.5 - np.round(exact + 0.5)) > 2e-3  # the grid may round what lies nearer another way
        all_of_them += sure.sum()
        off += (found.rank_lo != np.minimum(lo, found.rank))[sure[0]].sum()
        off += (found.rank_hi != np.maximum(hi, found.rank))[sure[1]].sum()
    assert off == 0 < all_of_them


def test_a_unit_of_no_shape_expects_nothing_and_one_alone_has_its_place() -> None:
    limits = rank_units(np.array([0.0, 0.5, 0.4]), np.array([1.0, 1.0, 1.0]), 0.90)
    assert limits.to_frame().to_numpy().tolist() == [[3, 3, 3], [1, 1, 2], [2, 1, 2]]
    assert rank_units(np.array([0.0, 2.0]), np.ones(2), 0.90).to_frame().to_numpy().tolist() == [[2] * 3, [1] * 3]


def test_units_above_a_value_are_counted_as_scipy_counts_them() -> None:
    rng = np.random.default_rng(1)
    for shapes in (np.array([0.6, 1.5, 3.0]), np.linspace(0.6, 9.0, 150)):  # kept apart, and split between nodes
        shape, rate = rng.choice(shapes, 200), rng.lognormal(0.0, 1.0, 200)
        values = rng.normal(0.0, 1.0, (5, 3))
        p = stats.gamma.sf(np.exp(values)[:, :, None], shape, scale=1 / rate)
        above, chance = _count_above(shape, rate, values)
        assert above == pytest.approx(p.sum(axis=2), abs=0.02)
        assert chance == pytest.approx((p * (1 - p)).sum(axis=2), abs=0.02)


def test_the_grid_is_read_and_filled_between_its_points_and_at_its_end() -> None:
    places = np.arange(2048.0)
    found = _read_grid(places**2, np.array([[0.0, 1.5, 2046.25, 2047.0]]))
    assert found.tolist() == [[0, (1 + 4) / 2, 2046**2 + 0.25 * (2 * 2046 + 1), 2047**2]]
    filled = _spread_on_grid(np.array([0.0, 1.25, 2046.5, 2047.0]), np.array([1.0, 2.0, 4.0, 8.0]))
    assert len(filled) == 2048
    assert filled[[0, 1, 2, 2046, 2047]].tolist() == [1, 1.5, 0.5, 2, 2 + 8]
    assert filled.sum() == 15


def test_up_to_96_shapes_are_kept_apart_and_more_are_split_between_96() -> None:
    shape = np.arange(1.0, 97.0)[::-1]
    nodes, members = _split_shapes(shape)
    assert nodes.tolist() == sorted(shape)
    assert [(group.tolist(), share.tolist()) for group, share in members] == [([95 - k], [1.0]) for k in range(96)]
    shape = np.geomspace(1.0, 50.0, 97)
    nodes, members = _split_shapes(shape)
    assert nodes == pytest.approx(np.geomspace(1.0, 50.0, 96))
    whole, middle = np.zeros(97), np.zeros(97)
    for node, (group, share) in zip(nodes, members, strict=True):
        assert len(set(group)) == len(group)
        assert (np.abs(np.log(shape[group] / node)) <= np.log(50) / 95 * 1.0001).all()
        whole[group] += share
        middle[group] += share * np.log(node)
    assert whole == pytest.approx(np.ones(97))
    assert middle == pytest.approx(np.log(shape), abs=1e-9)


@pytest.mark.parametrize("probability", [0.001, 0.5, 0.999])
def test_quantiles_of_shapes_near_nought_and_of_a_thousand_shapes(probability: float) -> None:
    # Near nought P(X <= x) is x^a / gamma(a + 1); at 1e-3 the quantile itself is too small for a number.
    for small in (1e-3, 0.0101):
        found = gamma_log_quantiles(np.array([small]), np.array([probability])).item()
        exact = stats.gamma.ppf(probability, small)
        by_hand = (np.log(probability) + special.gammaln(1 + small)) / small
        assert found == pytest.approx(np.log(exact) if exact > 1e-280 else by_hand, rel=1e-9)
    shapes = np.geomspace(0.5, 50.0, 1001)
    exact = np.log(stats.gamma.ppf(probability, shapes))
    assert gamma_log_quantiles(shapes[:-1], np.array([probability]))[:, 0] == pytest.approx(exact[:-1], abs=1e-12)
    split = gamma_log_quantiles(shapes, np.array([probability]))[:, 0]
    assert split == pytest.approx(exact, abs=1e-4)
    assert np.abs(split - exact).max() > 1e-9


def test_units_are_grouped_at_the_least_coverage_that_the_settings_allow() -> None:
    """A unit is worse than itself in half of cases: it must not be told apart from itself."""
    assert group_alike([9.0, 4.0, 4.0], [1.0, 1.0, 1.0], 0.5).tolist() == [1, 2, 3]
