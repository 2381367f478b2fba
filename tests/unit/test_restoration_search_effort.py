"""The least number of tests."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pandas as pd
import pytest

from pipelines.restoration.limits import limit_clustered_means
from pipelines.restoration.search_effort import count_expected_tests, fit_class_rates, measure_search_effort


def best_by_trying_all(p: tuple[float, ...]) -> float:
    """Least expected tests over every order of splits, by recursion."""
    if len(p) < 2:
        return 0.0
    return sum(p) + min(best_by_trying_all(p[:k]) + best_by_trying_all(p[k:]) for k in range(1, len(p)))


@pytest.mark.parametrize("sections", [1, 2, 3, 4, 8, 16])
def test_equal_chances_need_the_logarithm(sections: int) -> None:
    found = count_expected_tests(np.ones(sections))
    assert math.log2(sections) <= found + 1e-9
    assert found < math.log2(sections) + 0.1


def test_two_sections_need_one_test_and_one_none() -> None:
    assert count_expected_tests([3.0]) == 0
    assert count_expected_tests([9.0, 1.0]) == 1


def test_a_likely_section_at_the_end_is_tried_first() -> None:
    # 0.9 | 0.05 | 0.05: one test, and with chance 0.1 a second
    assert count_expected_tests([18, 1, 1]) == pytest.approx(1 + 0.1)
    assert count_expected_tests([18, 1, 1]) < count_expected_tests([1, 1, 1])


def test_halving_is_near_the_best_of_all_orders() -> None:
    rng = np.random.default_rng(1)
    gaps = []
    for _ in range(100):
        p = rng.gamma(0.7, size=7)
        p = tuple(p / p.sum())
        found, best = count_expected_tests(p), best_by_trying_all(p)
        entropy = -sum(q * math.log2(q) for q in p)
        gaps.append(found - best)
        assert best - 1e-9 <= found
        assert entropy - 1e-9 <= found <= entropy + 2
    # the rule splits one run at a time and so misses the best order at times, on average by little
    assert np.mean(gaps) < 0.05


def test_the_order_of_reading_the_chain_does_not_matter() -> None:
    for p in itertools.permutations([1.0, 2.0, 4.5, 8.0]):
        assert count_expected_tests(p) == pytest.approx(count_expected_tests(p[::-1]))


def test_class_rates_are_drawn_to_the_fleet_where_little_is_seen() -> None:
    rates = fit_class_rates(np.array([99.0, 0.0, 1.0]), np.array([1000.0, 0.0, 0.1]))
    fleet = 100 / 1000.1
    assert rates[0] == pytest.approx((99 + 1) / (1000 + 1 / fleet))
    assert rates[1] == pytest.approx(fleet)
    assert fleet < rates[2] < 1 / 0.1
    assert fit_class_rates(np.zeros(2), np.array([5.0, 5.0])).tolist() == [1.0, 1.0]


def test_effort_is_averaged_over_jobs() -> None:
    jobs = pd.DataFrame(
        {
            "all": "all",
            "district": ["A"] * 20 + ["B"] * 20,
            "tests": [3.0] * 20 + [5.0] * 20,
            "least_tests": 2.5,
            "least_tests_by_count": 2.6,
            "locate_min": [50.0] * 20 + [90.0] * 20,
            "cluster": range(40),
        }
    )
    found = measure_search_effort(jobs, ("all", "district"), coverage=0.9)
    found = found.set_index("group_name")
    assert found.loc["all", "excess_tests"] == pytest.approx((3 + 5) / 2 - 2.5)
    assert found.loc["A", ["mean_tests", "excess_tests", "excess_lo", "excess_hi"]].tolist() == [3, 0.5, 0.5, 0.5]
    # 40 minutes more for two tests more
    assert found.loc["B", "minutes_per_test"] == pytest.approx(20)
    assert found.loc["B", "excess_min"] == pytest.approx(2.5 * 20)


def test_no_jobs_give_no_rows() -> None:
    columns = ["all", "cluster", "tests", "least_tests", "least_tests_by_count", "locate_min"]
    empty = pd.DataFrame(columns=columns, dtype=float)
    found = measure_search_effort(empty, ("all",), coverage=0.9)
    assert found.empty
    one = measure_search_effort(empty.reindex([0]).fillna(1.0), ("all",), coverage=0.9)
    assert list(found.columns) == list(one.columns)


def test_minutes_of_a_test_need_thirty_timed_jobs_that_differ() -> None:
    jobs = pd.DataFrame(
        {"all": "all", "tests": [2.0, 4.0] * 15, "least_tests": 2.5, "least_tests_by_count": 2.6, "cluster": range(30)}
    ).assign(locate_min=lambda frame: 12 * frame["tests"] + 5)
    for given, slope in (
        (jobs, 12),
        (jobs.assign(locate_min=jobs["locate_min"].where(jobs.index > 0)), np.nan),
        (jobs.assign(tests=3.0), np.nan),
    ):
        found = measure_search_effort(given, ("all",), coverage=0.9)
        columns = ["mean_least_tests", "mean_least_tests_by_count", "minutes_per_test", "excess_min"]
        assert found.loc[0, columns].tolist() == pytest.approx([2.5, 2.6, slope, 0.5 * slope], nan_ok=True)


@pytest.mark.parametrize(
    ("chances", "tests"),
    [
        ([0, 0, 0], 0),
        ([0, 0, 1], 1),  # one test sets the only possible section apart; the rest need none
        ([1, 0, 0], 1),
        ([4, 1, 2, 2], (9 + 5 + 3) / 9),  # 4 or 5 to the left are as near to half of 9: the first is taken
        ([2, 2, 1, 4], (9 + 4 + 5) / 9),
        ([1, 1, 1, 1, 1], (5 + 2 + 3 + 2) / 5),
    ],
)
def test_splits_of_short_chains_by_hand(chances: list[float], tests: float) -> None:
    assert count_expected_tests(chances) == pytest.approx(tests)


def test_class_rates_are_alike_where_no_cable_was_in_service() -> None:
    assert fit_class_rates(np.array([1.0, 2.0]), np.zeros(2)).tolist() == [1, 1]


def test_every_group_has_its_own_jobs_and_means() -> None:
    jobs = pd.DataFrame(
        {
            "all": "all",
            "district": ["B"] * 20 + ["A"] * 10,
            "tests": [4.0] * 20 + [2.0] * 10,
            "least_tests": [2.0] * 20 + [1.5] * 10,
            "least_tests_by_count": [3.0] * 20 + [2.5] * 10,
            "locate_min": [60.0] * 20 + [30.0] * 10,
            "cluster": range(30),
        }
    )
    found = measure_search_effort(jobs, ("all", "district"), coverage=0.9)
    assert found.index.tolist() == [0, 1, 2]
    wanted = [
        (30, 10 / 3, 55 / 30, 85 / 30, 1.5, 15, 1.5 * 15),
        (10, 2, 1.5, 2.5, 0.5, 15, 7.5),
        (20, 4, 2, 3, 2, 15, 30),
    ]
    assert found[["grouped_by", "group_name"]].to_numpy().tolist() == [
        ["all", "all"],
        ["district", "A"],
        ["district", "B"],
    ]
    figures = found.drop(columns=["grouped_by", "group_name", "excess_lo", "excess_hi"]).astype(float)
    assert figures.to_numpy() == pytest.approx(np.array(wanted))
    excess = (jobs["tests"] - jobs["least_tests"]).to_numpy()
    _, _, lo, hi = limit_clustered_means(excess, pd.Categorical(jobs["all"]), np.arange(30), coverage=0.9)
    assert found.loc[0, ["excess_lo", "excess_hi"]].tolist() == pytest.approx([lo[0], hi[0]])
