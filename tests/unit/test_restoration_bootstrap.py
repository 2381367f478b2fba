"""Limits without drawing agree with limits drawn."""

from __future__ import annotations

import functools
import itertools

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from pipelines.restoration import quantile_limits
from pipelines.restoration.bootstrap import (
    SMALLEST_FOR_SADDLEPOINT,
    limit_clustered_means,
    limit_groups,
    limit_means,
    limit_means_by_day,
    limit_shares,
)
from pipelines.restoration.quantile_limits import limit_quantiles
from pipelines.restoration.sorted_groups import SortedGroups, sort_groups
from tests.benchmarks.restoration_limits import exact_median_distribution, exact_median_limits


def plain_bootstrap(values: np.ndarray, statistic, coverage: float, replicates: int, rng) -> np.ndarray:
    drawn = np.concatenate(
        [
            statistic(values[rng.integers(0, len(values), size=(1000, len(values)))], axis=1)
            for _ in range(replicates // 1000)
        ]
    )
    return np.quantile(drawn, [(1 - coverage) / 2, (1 + coverage) / 2])


@pytest.mark.parametrize("size", [25, 40, 150, 700])
def test_limits_of_the_mean_agree_with_a_plain_bootstrap(size: int) -> None:
    rng = np.random.default_rng(size)
    values = rng.lognormal(4, 0.9, size)
    found = limit_groups(sort_groups(values, np.full(size, "a")), coverage=0.9, replicates=2000, rng=rng)
    drawn = plain_bootstrap(values, np.mean, 0.9, 60_000, rng)
    se = values.std() / np.sqrt(size)
    # 60,000 replicates leave 0.009 standard errors of noise; the approximation is allowed 0.02 more
    assert abs(found["mean_lo"][0] - drawn[0]) < 0.03 * se
    assert abs(found["mean_hi"][0] - drawn[1]) < 0.03 * se
    # and the method must see the skewness: symmetric limits are wrong by more than that
    if size <= 150:
        z = stats.norm.ppf(0.95)
        assert abs(values.mean() + z * se - drawn[1]) > 0.03 * se


@pytest.mark.parametrize(("size", "probability"), [(15, 0.5), (16, 0.5), (101, 0.5), (200, 0.5), (80, 0.9), (301, 0.9)])
def test_limits_of_quantiles_agree_with_a_plain_bootstrap(size: int, probability: float) -> None:
    rng = np.random.default_rng(size)
    values = rng.lognormal(4, 0.9, size)
    value, lo, hi = limit_quantiles(sort_groups(values, np.full(size, "a")), probability, coverage=0.9)
    drawn = np.quantile(values[rng.integers(0, size, size=(40_000, size))], probability, axis=1)
    assert value[0] == pytest.approx(np.quantile(values, probability))
    for end, tail in ((lo[0], 0.05), (hi[0], 0.95)):
        # the resampled quantile is lumpy: compare probabilities, not minutes
        assert np.mean(drawn < end * (1 - 1e-9)) - 0.02 <= tail <= np.mean(drawn <= end * (1 + 1e-9)) + 0.02


def test_coverage_of_the_mean_is_near_the_level() -> None:
    rng = np.random.default_rng(7)
    size, groups = 60, 2000
    values = rng.gamma(2.0, 30.0, size * groups)
    names = pd.Categorical(np.repeat([f"g{i:04}" for i in range(groups)], size))
    found = limit_groups(sort_groups(values, names), coverage=0.9, replicates=2000, rng=rng)
    covered = np.mean((found["mean_lo"] <= 60.0) & (found["mean_hi"] >= 60.0))
    # percentile limits of 60 skewed values run a little short of 90 %
    assert 0.86 <= covered <= 0.91


@pytest.mark.parametrize("coverage", [0.8, 0.9])
@pytest.mark.parametrize("size", range(2, SMALLEST_FOR_SADDLEPOINT))
def test_limits_of_the_mean_of_few_jobs_are_those_of_all_resamples(size: int, coverage: float) -> None:
    """The chance of every sum of `size` whole minutes drawn from as many is their chances folded together."""
    minutes = np.array([1, 2, 4, 8, 15, 28, 40, 61, 90])[:size]
    one = np.bincount(minutes) / size
    below = np.cumsum(functools.reduce(np.convolve, [one] * size))
    names = np.repeat(["a", "b"], size)
    both = np.append(minutes, 100.0 + minutes)
    rng = np.random.default_rng(size)
    found = limit_groups(sort_groups(both, names), coverage=coverage, replicates=20_000, rng=rng)
    for end, tail in (("mean_lo", (1 - coverage) / 2), ("mean_hi", (1 + coverage) / 2)):
        total = round(found[end][0] * size)
        assert found[end][0] * size == pytest.approx(total, abs=1e-6)
        # 20,000 draws leave 0.003 of noise in a chance
        assert (below[total - 1] if total else 0) - 0.01 <= tail <= below[total] + 0.01
        assert found[end][1] == pytest.approx(found[end][0] + 100)


def test_ten_jobs_are_enough_for_limits_without_drawing() -> None:
    minutes = np.array([3.0, 5, 8, 12, 20, 22, 31, 40, 55, 90])
    for size, same in ((9, False), (10, True)):
        limits = [
            limit_groups(sort_groups(minutes[:size], np.full(size, "a")), coverage=0.8, replicates=2000, rng=rng)[
                "mean_hi"
            ][0]
            for rng in map(np.random.default_rng, range(8))
        ]
        assert (len(set(limits)) == 1) is same
        # 80 % of a normal mean lie within 1.28 standard errors; right skew lengthens the upper limit a little
        sums = np.random.default_rng(1).choice(minutes[:size], (40_000, size)).mean(axis=1)
        assert np.mean(limits) == pytest.approx(np.quantile(sums, 0.9), abs=0.05 * minutes[:size].std() / size**0.5)


def test_groups_are_told_apart_and_missing_values_left_out() -> None:
    rng = np.random.default_rng(1)
    names = np.array(["b", "a", "b", "a", "c", "a"])
    values = np.array([4.0, 1.0, 6.0, 3.0, np.nan, 2.0])
    found = limit_groups(sort_groups(values, names), coverage=0.9, replicates=2000, rng=rng)
    assert found["group_name"].tolist() == ["a", "b"]
    assert found["jobs"].tolist() == [3, 2]
    assert found["mean"].tolist() == [2.0, 5.0]
    assert found["median"].tolist() == [2.0, 5.0]
    assert found["p90"].tolist() == pytest.approx([2.8, 5.8])


def test_one_job_has_no_limits_and_equal_jobs_have_tight_ones() -> None:
    rng = np.random.default_rng(1)
    names = np.array(["one"] + ["same"] * 30)
    values = np.array([9.0] + [5.0] * 30)
    found = limit_groups(sort_groups(values, names), coverage=0.9, replicates=2000, rng=rng).set_index("group_name")
    assert found.loc["one", ["mean_lo", "mean_hi", "median_lo", "p90_hi"]].isna().all()
    assert found.loc["same", ["mean_lo", "mean_hi", "median_lo", "p90_hi"]].tolist() == [5.0] * 4


def test_no_jobs_give_no_rows() -> None:
    found = limit_groups(
        sort_groups(np.array([]), np.array([], dtype=object)),
        coverage=0.9,
        replicates=200,
        rng=np.random.default_rng(1),
    )
    assert found.empty
    one = limit_groups(
        sort_groups(np.array([1.0]), np.array(["a"], dtype=object)),
        coverage=0.9,
        replicates=200,
        rng=np.random.default_rng(1),
    )
    assert list(found.columns) == list(one.columns)


def test_tied_minutes_change_nothing() -> None:
    rng = np.random.default_rng(3)
    values = rng.lognormal(4, 0.5, 500).round()
    names = np.full(500, "a")
    tied = limit_groups(sort_groups(values, names), coverage=0.9, replicates=200, rng=rng)
    apart = limit_groups(sort_groups(values + rng.uniform(0, 1e-7, 500), names), coverage=0.9, replicates=200, rng=rng)
    assert tied["mean_hi"][0] == pytest.approx(apart["mean_hi"][0], abs=1e-5)


def make_days(rng: np.random.Generator, days: int) -> tuple[np.ndarray, np.ndarray]:
    """Minutes and days of jobs: one to six a day, alike within the day."""
    jobs = rng.integers(1, 7, days)
    day = np.repeat(np.arange(days), jobs)
    return rng.lognormal(4, 0.4, days)[day] + rng.lognormal(3, 0.6, len(day)), day


def test_whole_days_are_resampled() -> None:
    rng = np.random.default_rng(11)
    minutes, day = make_days(rng, 60)
    names = pd.Categorical(np.full(len(day), "a"))
    codes, lo, hi = limit_means_by_day(minutes, names, day, coverage=0.9, replicates=200, rng=rng)
    sums, jobs = np.bincount(day, weights=minutes), np.bincount(day)
    drawn = rng.integers(0, 60, size=(40_000, 60))
    plain = np.quantile(sums[drawn].sum(axis=1) / jobs[drawn].sum(axis=1), [0.05, 0.95])
    width = plain[1] - plain[0]
    assert codes.tolist() == [0]
    # linearising leaves out the wobble of the days' number of jobs beyond the first order
    assert (lo[0], hi[0]) == pytest.approx(tuple(plain), abs=0.04 * width)
    alone = limit_groups(sort_groups(minutes, names), coverage=0.9, replicates=200, rng=rng)
    assert width > 1.3 * (alone["mean_hi"][0] - alone["mean_lo"][0])


def test_with_one_job_a_day_days_and_jobs_are_the_same() -> None:
    rng = np.random.default_rng(12)
    minutes = rng.lognormal(4, 0.8, 300)
    names = pd.Categorical(rng.choice(["a", "b", "c"], 300))
    codes, lo, hi = limit_means_by_day(minutes, names, np.arange(300), coverage=0.9, replicates=200, rng=rng)
    plain = limit_groups(sort_groups(minutes, names), coverage=0.9, replicates=200, rng=rng)
    assert codes.tolist() == [0, 1, 2]
    assert lo == pytest.approx(plain["mean_lo"].to_numpy())
    assert hi == pytest.approx(plain["mean_hi"].to_numpy())


def test_groups_of_few_days_are_left_to_their_jobs() -> None:
    rng = np.random.default_rng(13)
    names = pd.Categorical(["few"] * 30 + ["many"] * 30)
    days = np.concatenate([np.arange(30) % 9, np.arange(30)])
    codes, lo, _ = limit_means_by_day(rng.lognormal(4, 1, 60), names, days, coverage=0.9, replicates=200, rng=rng)
    assert codes.tolist() == [1]
    assert len(lo) == 1


def test_coverage_with_alike_days_needs_the_days() -> None:
    rng = np.random.default_rng(14)
    truth = np.exp(4 + 0.08) + np.exp(3 + 0.18)
    held = {"days": 0, "jobs": 0}
    fleets = 300
    for _ in range(fleets):
        minutes, day = make_days(rng, 120)
        names = pd.Categorical(np.full(len(day), "a"))
        _, lo, hi = limit_means_by_day(minutes, names, day, coverage=0.9, replicates=200, rng=rng)
        held["days"] += int(lo[0] <= truth <= hi[0])
        found = limit_groups(sort_groups(minutes, names), coverage=0.9, replicates=200, rng=rng)
        held["jobs"] += int(found["mean_lo"][0] <= truth <= found["mean_hi"][0])
    assert 0.85 <= held["days"] / fleets <= 0.95
    assert held["jobs"] / fleets < 0.80


@pytest.mark.parametrize("values", [[1.0, 2.0, 4.0, 7.0, 11.0], [1.0, 2.0, 4.0, 7.0], [1.0, 2.0, 2.0, 5.0, 9.0, 9.0]])
def test_the_exact_distribution_of_the_median_is_that_of_all_resamples(values: list[float]) -> None:
    """Against every one of the n^n resamples, equally likely."""
    drawn = np.array(list(itertools.product(values, repeat=len(values))))
    seen, counts = np.unique(np.median(drawn, axis=1), return_counts=True)
    middles, chance = exact_median_distribution(np.array(values))
    there = chance > 1e-12
    assert middles[there].tolist() == seen.tolist()
    assert chance[there] == pytest.approx(counts / counts.sum(), abs=1e-12)


@pytest.mark.parametrize("size", [4, 10, 11, 40, 300, 4001])
def test_limits_of_the_median_in_whole_minutes_are_those_of_its_exact_distribution(size: int) -> None:
    for seed in range(20):
        minutes = np.sort(np.random.default_rng(seed).lognormal(4.6, 0.8, size).round())
        lo, hi, _ = exact_median_limits(minutes, 0.9)
        _, ours_lo, ours_hi = limit_quantiles(sort_groups(minutes, np.full(size, "g", dtype=object)), 0.5, coverage=0.9)
        assert (ours_lo[0], ours_hi[0]) == (lo, hi)


@pytest.mark.parametrize("probability", [0.5, 0.9])
def test_limits_of_a_quantile_of_few_values_are_those_of_all_resamples(probability: float) -> None:
    values = [1.0, 2.0, 4.0, 7.0, 11.0, 30.0]
    drawn = np.quantile(np.array(list(itertools.product(values, repeat=6))), probability, axis=1)
    _, lo, hi = limit_quantiles(sort_groups(np.array(values), np.full(6, "g", dtype=object)), probability, coverage=0.9)
    wanted = np.quantile(drawn, [0.05, 0.95], method="inverted_cdf")
    assert (lo[0], hi[0]) == (pytest.approx(wanted[0], abs=1e-9), pytest.approx(wanted[1], abs=1e-9))


def test_values_are_sorted_within_any_number_of_groups() -> None:
    """Also where they come in falling order, and where the codes of the groups need more than 16 bits."""
    falling = sort_groups(np.array([3.0, 2.0, 1.0]), np.array(["a", "b", "a"], dtype=object))
    assert falling.values.tolist() == [1, 3, 2]
    assert (falling.starts.tolist(), falling.counts.tolist()) == ([0, 2], [2, 1])
    codes = np.arange(70_000)
    many = sort_groups(-codes.astype(float), pd.Categorical.from_codes(codes, categories=range(70_000)))
    assert np.array_equal(many.values, -codes.astype(float))


def one_group(values: list[float]) -> SortedGroups:
    return sort_groups(np.array(values), np.full(len(values), "g", dtype=object))


@pytest.mark.parametrize(
    ("values", "coverage", "limits"),
    [
        ([1.0, 5.0], 0.5, (1, 3)),  # medians of two drawn: 1, 3 and 5 with chances 1/4, 1/2, 1/4
        ([1.0, 5.0], 0.49, (3, 3)),
        ([1.0, 5.0, 11.0], 13 / 27, (1, 5)),  # of three drawn: 1, 5 and 11 with chances 7/27, 13/27, 7/27
        ([1.0, 5.0, 11.0], 12 / 27, (5, 5)),
        ([1.0, 5.0, 11.0], 0.99, (1, 11)),
    ],
)
def test_limits_of_the_median_of_two_and_three_by_hand(values, coverage: float, limits: tuple[float, float]) -> None:
    _, lo, hi = limit_quantiles(one_group(values), 0.5, coverage=coverage)
    assert (lo[0], hi[0]) == pytest.approx(limits)


def test_up_to_four_hundred_jobs_a_quantile_takes_its_limits_from_pairs(monkeypatch) -> None:
    for size in (400, 401):
        group = one_group((2.0 ** (np.arange(size) / 9)).tolist())
        found = {}
        for name, largest in (("ours", quantile_limits.LARGEST_FOR_PAIRS), ("pairs", 1000), ("single", 0)):
            monkeypatch.setattr(quantile_limits, "LARGEST_FOR_PAIRS", largest)
            limits = [limit_quantiles(group, at / 31, coverage=0.8)[1:] for at in range(1, 31)]
            found[name] = np.array(limits).tolist()
        monkeypatch.undo()
        assert found["pairs"] != found["single"]
        assert found["ours"] == found["pairs" if size == 400 else "single"]


def test_equal_values_have_tight_limits_whatever_their_rounding() -> None:
    each = 1e6 * np.sqrt(np.arange(1.0, 51.0))
    found = limit_means(
        sort_groups(np.repeat(each, 49), pd.Categorical(np.repeat(np.arange(50), 49))),
        coverage=0.9,
        replicates=200,
        rng=np.random.default_rng(1),
    )
    for part in found:
        assert part == pytest.approx(each, rel=1e-12)


def test_a_value_that_ends_one_group_and_begins_the_next_counts_in_both() -> None:
    groups = sort_groups(np.array([1.0, 2.0, 2.0, 5.0]), np.array(["a", "a", "b", "b"], dtype=object))
    mean, lo, hi = limit_means(groups, coverage=0.9, replicates=1000, rng=np.random.default_rng(1))
    assert mean.tolist() == [1.5, 3.5]
    assert (lo.tolist(), hi.tolist()) == ([1, 2], [2, 5])  # both twice with chance 1/4


def test_limits_by_day_of_two_groups_that_share_their_days() -> None:
    """The mean of the days' sums over their jobs, linearised; ten days are enough for limits of days, nine are not."""
    rng = np.random.default_rng(5)
    parts = {"a": rng.integers(1, 5, 12), "b": rng.integers(1, 5, 12), "c": np.ones(10, int), "d": np.full(9, 2)}
    names = np.concatenate([np.repeat(name, jobs.sum()) for name, jobs in parts.items()])
    days = np.concatenate([np.repeat(np.arange(len(jobs)), jobs) for jobs in parts.values()])
    values = rng.lognormal(4, 0.7, len(names))
    options = {"coverage": 0.8, "replicates": 300, "rng": rng}
    codes, lo, hi = limit_means_by_day(values, pd.Categorical(names), days, **options)
    assert codes.tolist() == [0, 1, 2]
    for at, (name, jobs) in enumerate(list(parts.items())[:3]):
        own = names == name
        sums = np.bincount(days[own], weights=values[own])
        mean = values[own].mean()
        linear = mean + len(jobs) * (sums - mean * jobs) / jobs.sum()
        _, wanted_lo, wanted_hi = limit_means(one_group(linear.tolist()), **options)
        assert (lo[at], hi[at]) == (pytest.approx(wanted_lo[0]), pytest.approx(wanted_hi[0]))
    groups, means, all_lo, all_hi = limit_clustered_means(values, pd.Categorical(names), days, **options)
    assert groups.counts.tolist() == [jobs.sum() for jobs in parts.values()]
    assert means == pytest.approx([values[names == name].mean() for name in parts])
    assert (all_lo[:3].tolist(), all_hi[:3].tolist()) == (lo.tolist(), hi.tolist())
    _, wanted_lo, wanted_hi = limit_means(one_group(values[names == "d"].tolist()), **options)
    assert (all_lo[3], all_hi[3]) == (pytest.approx(wanted_lo[0]), pytest.approx(wanted_hi[0]))


def test_shares_of_nothing_are_unknown_and_all_lie_between_nought_and_one() -> None:
    totals = np.repeat(np.arange(40), 2)
    lo, hi = limit_shares(totals * np.tile([0, 1], 40), totals, 0.9)
    assert np.isnan([*lo[:2], *hi[:2]]).all()
    assert lo[2::2].tolist() == pytest.approx([0] * 39, abs=1e-12) and lo.min(where=totals > 0, initial=1) >= 0
    assert hi[3::2].tolist() == pytest.approx([1] * 39, abs=1e-12) and hi.max(where=totals > 0, initial=0) <= 1
