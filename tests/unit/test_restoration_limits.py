"""Limits over storms and days: against deletion of whole clusters, Student's t, and by hand."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy import stats
from statsmodels.stats.proportion import proportion_confint

from pipelines.restoration import limits
from pipelines.restoration.limits import (
    FEWEST_DAYS,
    FREEDOM_KEPT,
    LEAST_FREEDOM,
    SortedGroups,
    find_means,
    limit_by_spread,
    limit_clustered_means,
    limit_groups,
    limit_means,
    limit_quantiles,
    limit_shares,
    sort_groups,
)


def one_group(values: np.ndarray, clusters: np.ndarray | None = None) -> SortedGroups:
    return sort_groups(values, np.full(len(values), "g"), np.arange(len(values)) if clusters is None else clusters)


def stormy(rng: np.random.Generator, clusters: int = 40) -> tuple[np.ndarray, np.ndarray]:
    """Minutes and clusters of jobs: one to six a cluster, alike within it."""
    cluster = np.repeat(np.arange(clusters), rng.integers(1, 7, clusters))
    return rng.lognormal(4, 0.4, clusters)[cluster] + rng.lognormal(3, 0.6, len(cluster)), cluster


def test_the_spread_of_a_mean_is_that_of_leaving_out_each_cluster() -> None:
    values, cluster = stormy(np.random.default_rng(1))
    mean, spread = find_means(one_group(values, cluster))
    without = np.array([values[cluster != c].mean() for c in range(40)])
    added = (values.mean() - without) * np.sqrt(39 / 40)
    assert mean[0] == pytest.approx(values.mean())
    assert spread.variance[0] == pytest.approx((added**2).sum())
    assert spread.third[0] == pytest.approx((added**3).sum())
    assert spread.fourth[0] == pytest.approx((added**4).sum() - (added**2).sum() ** 2 / 40)


def test_alone_on_its_day_each_job_counts_as_in_students_t() -> None:
    """The standard error is s / sqrt(n); of symmetric values the limits are those of t with the freedom found."""
    values = np.append(np.arange(1.0, 31), -np.arange(1.0, 31))
    mean, spread = find_means(one_group(values))
    assert np.sqrt(spread.variance[0]) == pytest.approx(stats.sem(values))
    freedom = FREEDOM_KEPT * 2 * spread.variance[0] ** 2 / spread.fourth[0]
    lo, hi = limit_by_spread(mean, spread, 0.9)
    assert (lo[0], hi[0]) == pytest.approx(stats.t.interval(0.9, freedom, scale=stats.sem(values)), rel=1e-5)


def test_normal_values_have_the_freedom_of_students_t() -> None:
    """Of C normal values the estimated freedom is near C - 1 before a part of it is taken."""
    values = np.random.default_rng(2).normal(size=20_000)
    spread = find_means(one_group(values))[1]
    assert 2 * spread.variance[0] ** 2 / spread.fourth[0] == pytest.approx(19_999, rel=0.05)


def test_one_storm_that_outweighs_all_other_days_leaves_little_freedom() -> None:
    rng = np.random.default_rng(3)
    cluster = np.append(np.arange(60), np.full(40, 60))
    values = np.append(rng.lognormal(4, 0.3, 60), rng.lognormal(5, 0.3, 40))
    spread = find_means(one_group(values, cluster))[1]
    assert 2 * spread.variance[0] ** 2 / spread.fourth[0] < LEAST_FREEDOM
    assert spread.reach(0.9)[0] == pytest.approx(stats.t.ppf(0.95, LEAST_FREEDOM))


def test_limits_reach_further_to_the_side_to_which_the_values_are_skewed() -> None:
    """Hall's transformation g(T) = T + g T^2 / 3 + g^2 T^3 / 27 + g / 6 brings the limits back to t."""
    values = np.random.default_rng(4).lognormal(4, 0.8, 50)
    mean, spread = find_means(one_group(values))
    lo, hi = limit_by_spread(mean, spread, 0.9)
    assert hi[0] - mean[0] > 1.2 * (mean[0] - lo[0])
    g, reach = spread.skewness()[0], spread.reach(0.9)[0]
    for end, t in ((lo[0], reach), (hi[0], -reach)):
        studentised = (mean[0] - end) / np.sqrt(spread.variance[0])
        assert studentised + g * studentised**2 / 3 + g**2 * studentised**3 / 27 + g / 6 == pytest.approx(t)


def test_the_spread_of_a_difference() -> None:
    """Variances add up, skewness of one takes away from that of the other, the less certain one sets the freedom."""
    rng = np.random.default_rng(5)
    (a, first), (_, second) = (find_means(one_group(rng.lognormal(4, 0.5, n))) for n in (30, 80))
    both = first - second
    assert both.variance[0] == pytest.approx(first.variance[0] + second.variance[0])
    freedom = [spread.variance[0] ** 2 / spread.fourth[0] for spread in (first, second, both)]
    assert freedom[2] == pytest.approx(min(freedom[:2]))
    assert both.third[0] == pytest.approx(first.third[0] - second.third[0])
    alike = limit_by_spread(a - a, first - first, 0.9)
    assert alike[0] == pytest.approx(-alike[1])


def test_groups_are_told_apart_and_missing_values_left_out() -> None:
    names = np.array(["b", "a", "b", "a", "c", "a"])
    values = np.array([4.0, 1.0, 6.0, 3.0, np.nan, 2.0])
    found = limit_groups(sort_groups(values, names, np.arange(6)), coverage=0.9)
    assert found["group_name"].tolist() == ["a", "b"]
    assert found["jobs"].tolist() == [3, 2]
    assert found["mean"].tolist() == found["median"].tolist() == [2.0, 5.0]
    assert found["p90"].tolist() == pytest.approx([2.8, 5.8])
    assert found.filter(regex="_lo|_hi").isna().all(axis=None)


def test_the_limits_of_each_group_are_those_it_has_alone() -> None:
    rng = np.random.default_rng(6)
    values, cluster = stormy(rng, 60)
    names = rng.choice(["a", "b", "c"], len(values))
    together = limit_groups(sort_groups(values, names, -cluster), coverage=0.9).set_index("group_name")
    groups, mean, lo, hi = limit_clustered_means(values, pd.Categorical(names), -cluster, coverage=0.9)
    assert groups.names.tolist() == ["a", "b", "c"]
    for at, name in enumerate(groups.names):
        own = names == name
        alone = limit_groups(one_group(values[own], -cluster[own]), coverage=0.9).drop(columns="group_name")
        assert together.loc[name].tolist() == pytest.approx(alone.iloc[0].tolist())
        assert (mean[at], lo[at], hi[at]) == pytest.approx(alone[["mean", "mean_lo", "mean_hi"]].iloc[0].tolist())


def test_no_jobs_give_no_rows() -> None:
    empty = limit_groups(one_group(np.array([])), coverage=0.9)
    assert empty.empty
    assert list(empty.columns) == list(limit_groups(one_group(np.array([1.0])), coverage=0.9).columns)


def test_under_ten_days_there_are_no_limits() -> None:
    values = np.arange(40.0)
    for days, is_known in ((FEWEST_DAYS - 1, False), (FEWEST_DAYS, True)):
        group = one_group(values, np.arange(40) % days)
        ends = (limit_means(group, coverage=0.9), limit_quantiles(group, 0.5, coverage=0.9))
        ends += (limit_shares(group, group.values > 20, coverage=0.9),)
        for value, lo, hi in ends:
            assert np.isfinite(value[0])
            assert (np.isfinite(lo[0]), np.isfinite(hi[0])) == (is_known, is_known)


@pytest.mark.parametrize(
    ("storms", "has_too_few"),
    [
        ([], False),
        ([1] * 3, False),
        ([4], False),  # 4 x 3 is no more than a quarter of 64
        ([5], True),  # 5 x 4 is more than a quarter of 65
        ([20, 20, 20], True),
        ([20, 20, 20, 20], False),
        ([40, 10, 10, 10], True),  # as much as 70^2 / 1900 = 2.6 storms alike
    ],
)
def test_storms_that_weigh_and_are_few_leave_no_limits(storms: list[int], has_too_few: bool) -> None:
    clusters = np.concatenate([np.arange(1, 61), *(np.full(n, -1 - at) for at, n in enumerate(storms))])
    group = one_group(np.arange(float(len(clusters))), clusters)
    assert group.has_too_few.tolist() == [has_too_few]
    # the same days without the mark of a storm: only the mark makes them few
    assert not one_group(np.arange(float(len(clusters))), np.abs(clusters)).has_too_few[0]


def test_what_is_never_below_nought_has_no_limit_below_it() -> None:
    values = np.append(np.zeros(30), [100.0])
    assert limit_means(one_group(values), coverage=0.99)[1][0] == 0
    below = np.append(values, -1.0)
    assert limit_means(one_group(below), coverage=0.99)[1][0] < 0


def test_equal_values_have_tight_limits_whatever_their_rounding() -> None:
    each = 1e6 * np.sqrt(np.arange(1.0, 51.0))
    found = limit_groups(
        sort_groups(np.repeat(each, 49), pd.Categorical(np.repeat(np.arange(50), 49)), np.tile(np.arange(49), 50)),
        coverage=0.9,
    )
    for column in found.columns[2:]:
        assert found[column].to_numpy() == pytest.approx(each, rel=1e-12)


def test_shares_of_jobs_on_days_of_their_own_have_wilsons_limits() -> None:
    """With t of many days near the normal deviate; none or all told: exactly Wilson's."""
    for told, jobs, near in ((0, 40, 1e-9), (40, 40, 1e-9), (300, 1000, 2e-3), (60, 1000, 2e-3)):
        group = one_group(np.arange(float(jobs)))
        share, lo, hi = limit_shares(group, group.values < told, coverage=0.9)
        assert share[0] == pytest.approx(told / jobs)
        assert (lo[0], hi[0]) == pytest.approx(proportion_confint(told, jobs, 0.1, "wilson"), rel=near, abs=1e-9)


def test_days_of_five_alike_make_a_fifth_of_the_jobs_in_a_share() -> None:
    """On many days the limits are Wilson's of as many days."""
    told = np.random.default_rng(7).random(4000) < 0.5
    group = one_group(np.repeat(np.where(told, 1.0, 0.0), 5), np.repeat(np.arange(4000), 5))
    _, lo, hi = limit_shares(group, group.values > 0, coverage=0.9)
    assert (lo[0], hi[0]) == pytest.approx(proportion_confint(told.sum(), 4000, 0.1, "wilson"), rel=1e-3)


def test_a_share_reaches_further_where_storms_skew_it() -> None:
    """Most storms tell none and one tells all its jobs: the upper limit is longer than Wilson's, the lower his."""
    clusters = np.repeat(np.arange(1, 41), 10)
    told = np.append(np.arange(390) % 10 == 0, np.full(10, True))
    group = one_group(np.where(told, 1.0, 0.0), clusters)
    share, lo, hi = limit_shares(group, group.values > 0, coverage=0.9)
    spread = limits.find_spread(
        group, (group.values > 0) - share[0], (1 - 6 * share * (1 - share)) / (share * (1 - share))
    )
    n, t = share[0] * (1 - share[0]) / spread.variance[0], spread.reach(0.9)[0]
    wilson = proportion_confint(share[0] * n, n, 2 * stats.norm.sf(t), "wilson")
    assert lo[0] == pytest.approx(wilson[0])
    assert hi[0] > wilson[1] + 0.02


@pytest.mark.parametrize(("size", "probability"), [(60, 0.5), (301, 0.5), (301, 0.9), (4000, 0.9)])
def test_limits_of_quantiles_are_near_those_of_order_statistics(size: int, probability: float) -> None:
    """Jobs on days of their own: ranks of the exact binomial limits, within one and a hundredth of their distance."""
    values = np.arange(float(size))
    value, lo, hi = limit_quantiles(one_group(values), probability, coverage=0.9)
    exact = stats.binom.ppf([0.05, 0.95], size, probability)
    assert value[0] == pytest.approx(np.quantile(values, probability))
    assert (lo[0], hi[0]) == pytest.approx((exact[0] - 0.5, exact[1] - 0.5), abs=1 + 0.01 * (exact[1] - exact[0]))


def test_days_of_five_alike_widen_a_quantile_by_the_root_of_five() -> None:
    values = np.repeat(np.random.default_rng(8).random(3000), 5)
    apart = limit_quantiles(one_group(values), 0.5, coverage=0.9)
    alike = limit_quantiles(one_group(values, np.repeat(np.arange(3000), 5)), 0.5, coverage=0.9)
    assert alike[2] - alike[1] == pytest.approx(5**0.5 * (apart[2] - apart[1]), rel=0.1)


def test_a_limit_beyond_the_last_job_is_not_known() -> None:
    """Of twenty jobs the 90th percentile's upper limit lies beyond the last, its lower one among them."""
    _, lo, hi = limit_quantiles(one_group(np.arange(20.0)), 0.9, coverage=0.9)
    assert 14 < lo[0] < 17
    assert np.isnan(hi[0])


def test_values_are_sorted_within_any_number_of_groups() -> None:
    """Also where they come in falling order, and where the codes of the groups need more than 16 bits."""
    falling = sort_groups(np.array([3.0, 2.0, 1.0]), np.array(["a", "b", "a"], dtype=object), np.arange(3))
    assert falling.values.tolist() == [1, 3, 2]
    assert (falling.starts.tolist(), falling.counts.tolist()) == ([0, 2], [2, 1])
    codes = np.arange(70_000)
    names = pd.Categorical.from_codes(codes, categories=range(70_000))
    many = sort_groups(-codes.astype(float), names, np.zeros(70_000, np.int64))
    assert np.array_equal(many.values, -codes.astype(float))


def test_the_order_of_the_jobs_changes_nothing() -> None:
    rng = np.random.default_rng(9)
    values, cluster = stormy(rng, 60)
    values = values.round(-1)  # ties
    order = rng.permutation(len(values))
    first, second = (
        limit_groups(one_group(values[o], cluster[o]), coverage=0.9) for o in (np.arange(len(values)), order)
    )
    pd.testing.assert_frame_equal(first, second)
