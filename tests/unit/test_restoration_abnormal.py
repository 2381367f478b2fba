"""Days away from the normal open point."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from pipelines.restoration.abnormal import summarise_abnormal_days
from pipelines.restoration.limits import limit_clustered_means


def test_days_shares_and_strandings() -> None:
    jobs = pd.DataFrame(
        {
            "all": "all",
            "cluster": range(5),
            "abnormal_days": [2.0, 10.0, 10.5, 20.0, np.nan],
            "loop_failures_per_year": [0.1, 0.2, 0.1, 0.5, 9.0],
        }
    )
    found = summarise_abnormal_days(jobs, ("all",), coverage=0.9).iloc[0]
    assert found["jobs"] == 4
    assert found["mean_days"] == pytest.approx((2 + 10 + 10.5 + 20) / 4)
    assert found["median_days"] == pytest.approx(10.25)
    assert found["p90_days"] == pytest.approx(np.quantile([2, 10, 10.5, 20], 0.9))
    assert found["share_over_10_days"] == pytest.approx(2 / 4)
    assert found[["mean_days_lo", "share_over_10_days_lo", "share_over_10_days_hi"]].isna().all()  # of four days
    assert found["abnormal_loop_years"] == pytest.approx(42.5 / 365.25)
    assert found["expected_strandings"] == pytest.approx((2 * 0.1 + 10 * 0.2 + 10.5 * 0.1 + 20 * 0.5) / 365.25)


def test_jobs_of_few_stormy_days_have_wider_limits_than_as_many_days() -> None:
    """Twelve days of five jobs alike: the mean of twelve values; the shares and the sums are those of sixty jobs."""
    length = np.repeat(np.arange(1.0, 13.0), 5)
    jobs = pd.DataFrame({"all": "all", "abnormal_days": length, "loop_failures_per_year": 0.1})
    apart, together = (
        summarise_abnormal_days(jobs.assign(cluster=days), ("all",), coverage=0.9).iloc[0]
        for days in (range(60), np.repeat(range(12), 5))
    )
    limits = [f"{name}_{end}" for name in ("mean_days", "share_over_10_days") for end in ("lo", "hi")]
    for lo, hi in (limits[:2], limits[2:]):
        # the few days also leave the limits less freedom
        assert 5**0.5 < (together[hi] - together[lo]) / (apart[hi] - apart[lo]) < 1.25 * 5**0.5
    assert apart.drop(limits).equals(together.drop(limits))


def test_no_jobs_give_no_rows() -> None:
    empty = pd.DataFrame({"all": [], "cluster": [], "abnormal_days": [], "loop_failures_per_year": []}, dtype=float)
    found = summarise_abnormal_days(empty, ("all",), coverage=0.9)
    assert found.empty
    one = summarise_abnormal_days(empty.reindex([0]).fillna(1.0), ("all",), coverage=0.9)
    assert list(found.columns) == list(one.columns)


def test_every_group_has_its_own_days_shares_and_strandings() -> None:
    jobs = pd.DataFrame(
        {
            "all": "all",
            "district": ["B", "A", "A"],
            "cluster": range(3),
            "abnormal_days": [11.0, 10.0, 30.0],
            "loop_failures_per_year": [0.5, 0.1, 0.3],
        }
    )
    found = summarise_abnormal_days(jobs, ("all", "district"), coverage=0.8)
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
    many = pd.concat([jobs.assign(cluster=3 * n + jobs["cluster"], abnormal_days=n + 1.0) for n in range(30)])
    found = summarise_abnormal_days(many, ("all", "district"), coverage=0.8).set_index("group_name")
    own = many[many["district"] == "A"]
    _, mean, lo, hi = limit_clustered_means(
        own["abnormal_days"].to_numpy(), pd.Categorical(own["district"]), own["cluster"].to_numpy(), coverage=0.8
    )
    wanted = [mean[0], lo[0], hi[0]]
    assert found.loc["A", ["mean_days", "mean_days_lo", "mean_days_hi"]].tolist() == pytest.approx(wanted)
