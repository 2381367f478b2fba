"""Days away from the normal open point."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from pipelines.restoration.abnormal import summarise_abnormal_days


def test_days_shares_and_strandings() -> None:
    jobs = pd.DataFrame(
        {
            "all": "all",
            "reported_on": range(5),
            "abnormal_days": [2.0, 10.0, 10.5, 20.0, np.nan],
            "loop_failures_per_year": [0.1, 0.2, 0.1, 0.5, 9.0],
        }
    )
    found = summarise_abnormal_days(jobs, ("all",), coverage=0.9, replicates=500, rng=np.random.default_rng(1)).iloc[0]
    assert found["jobs"] == 4
    assert found["mean_days"] == pytest.approx((2 + 10 + 10.5 + 20) / 4)
    assert found["median_days"] == pytest.approx(10.25)
    assert found["p90_days"] == pytest.approx(np.quantile([2, 10, 10.5, 20], 0.9))
    assert found["share_over_10_days"] == pytest.approx(2 / 4)
    wilson = stats.binomtest(2, 4).proportion_ci(0.9, method="wilson")
    assert tuple(found[["share_over_10_days_lo", "share_over_10_days_hi"]]) == pytest.approx((wilson.low, wilson.high))
    assert found["abnormal_loop_years"] == pytest.approx(42.5 / 365.25)
    assert found["expected_strandings"] == pytest.approx((2 * 0.1 + 10 * 0.2 + 10.5 * 0.1 + 20 * 0.5) / 365.25)


def test_jobs_of_few_stormy_days_have_wider_limits_than_as_many_days() -> None:
    """Twelve days of five jobs alike: the mean of twelve values; the shares and the sums are those of sixty jobs."""
    length = np.repeat(np.arange(1.0, 13.0), 5)
    jobs = pd.DataFrame({"all": "all", "abnormal_days": length, "loop_failures_per_year": 0.1})
    apart, together = (
        summarise_abnormal_days(
            jobs.assign(reported_on=days), ("all",), coverage=0.9, replicates=500, rng=np.random.default_rng(1)
        ).iloc[0]
        for days in (range(60), np.repeat(range(12), 5))
    )
    width = [row["mean_days_hi"] - row["mean_days_lo"] for row in (apart, together)]
    assert width[1] == pytest.approx(width[0] * 5**0.5, rel=0.02)
    assert apart.drop(["mean_days_lo", "mean_days_hi"]).equals(together.drop(["mean_days_lo", "mean_days_hi"]))


def test_no_jobs_give_no_rows() -> None:
    empty = pd.DataFrame({"all": [], "reported_on": [], "abnormal_days": [], "loop_failures_per_year": []}, dtype=float)
    found = summarise_abnormal_days(empty, ("all",), coverage=0.9, replicates=200, rng=np.random.default_rng(1))
    assert found.empty
    one = summarise_abnormal_days(
        empty.reindex([0]).fillna(1.0), ("all",), coverage=0.9, replicates=200, rng=np.random.default_rng(1)
    )
    assert list(found.columns) == list(one.columns)


def test_every_group_has_its_own_days_shares_and_strandings() -> None:
    jobs = pd.DataFrame(
        {
            "all": "all",
            "district": ["B", "A", "A"],
            "reported_on": range(3),
            "abnormal_days": [11.0, 10.0, 30.0],
            "loop_failures_per_year": [0.5, 0.1, 0.3],
        }
    )
    found = summarise_abnormal_days(
        jobs, ("all", "district"), coverage=0.8, replicates=500, rng=np.random.default_rng(1)
    )
    assert found.index.tolist() == [0, 1, 2]
    assert found[["grouped_by", "group_name", "jobs"]].to_numpy().tolist() == [
        ["all", "all", 3],
        ["district", "A", 2],
        ["district", "B", 1],
    ]
    assert found["mean_days"].tolist() == [17, 20, 11]
    assert found["share_over_10_days"].tolist() == pytest.approx([2 / 3, 1 / 2, 1])
    assert found["abnormal_loop_years"].tolist() == pytest.approx([51 / 365.25, 40 / 365.25, 11 / 365.25])
    assert found["expected_strandings"].tolist() == pytest.approx([15.5 / 365.25, 10 / 365.25, 5.5 / 365.25])
    wilson = stats.binomtest(1, 2).proportion_ci(0.8, method="wilson")
    assert found.loc[1, ["share_over_10_days_lo", "share_over_10_days_hi"]].tolist() == pytest.approx(list(wilson))
    assert found.loc[1, ["mean_days_lo", "mean_days_hi"]].tolist() == [10, 30]  # both twice with chance 1/4
