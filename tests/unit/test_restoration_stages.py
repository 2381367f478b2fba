"""Every stage in every grouping."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from pipelines.restoration.limits import limit_groups, limit_shares, sort_groups
from pipelines.restoration.stages import CLOCKS, GROUPINGS, STAGES, summarise_stages


def make_jobs(size: int = 60) -> pd.DataFrame:
    rng = np.random.default_rng(1)
    jobs = pd.DataFrame({stage: rng.integers(1, 700, size).astype(float) for stage in (*STAGES, *CLOCKS)})
    jobs["cluster"] = rng.integers(1, 40, size)
    for grouping in GROUPINGS:
        jobs[grouping] = "all" if grouping == "all" else rng.choice(["a", "b", "c"], size)
    return jobs


def summarise(jobs: pd.DataFrame) -> pd.DataFrame:
    return summarise_stages(jobs, coverage=0.9, small_group=10)


def test_figures_of_a_group_are_those_of_its_jobs() -> None:
    jobs = make_jobs()
    found = summarise(jobs).set_index(["grouped_by", "group_name", "stage"])
    own = jobs.loc[jobs["method"] == "b", "report_to_restore"]
    row = found.loc[("method", "b", "report_to_restore")]
    assert row["jobs"] == len(own)
    assert row["mean_min"] == pytest.approx(own.mean())
    assert row["median_min"] == pytest.approx(own.median())
    assert row["p90_min"] == pytest.approx(np.quantile(own, 0.9))
    assert row["share_over_4h"] == pytest.approx((own > 240).mean())
    assert row["share_over_8h"] == pytest.approx((own > 480).mean())
    assert row["share_over_8h_lo"] < row["share_over_8h"] < row["share_over_8h_hi"]


def test_a_missing_stamp_leaves_a_job_out_of_that_stage_alone() -> None:
    jobs = make_jobs()
    jobs.loc[:9, "arrive_to_locate"] = np.nan
    found = summarise(jobs).set_index(["grouped_by", "group_name", "stage"])
    assert found.loc[("all", "all", "arrive_to_locate"), "jobs"] == len(jobs) - 10
    assert found.loc[("all", "all", "report_to_restore"), "jobs"] == len(jobs)


def test_small_groups_are_marked_and_empty_ones_make_no_row() -> None:
    jobs = make_jobs()
    jobs["district"] = ["rare"] * 9 + ["usual"] * (len(jobs) - 9)
    jobs.loc[:8, "report_to_dispatch"] = np.nan
    found = summarise(jobs).set_index(["grouped_by", "group_name", "stage"])
    assert found.loc[("district", "rare", "report_to_restore"), "is_small_group"]
    assert not found.loc[("district", "usual", "report_to_restore"), "is_small_group"]
    assert ("district", "rare", "report_to_dispatch") not in found.index


def test_the_order_of_the_jobs_changes_nothing() -> None:
    jobs = make_jobs()
    pd.testing.assert_frame_equal(summarise(jobs), summarise(jobs.sample(frac=1, random_state=2)))


def test_the_same_jobs_give_the_same_figures_again() -> None:
    pd.testing.assert_frame_equal(summarise(make_jobs()), summarise(make_jobs()))


def test_shares_over_four_and_eight_hours_count_what_is_longer() -> None:
    jobs = make_jobs(6)
    jobs["crew"] = list("aaabbb")
    jobs["report_to_restore"] = [240.0, 241.0, 263.0, 480.0, 481.0, 527.0]
    found = summarise(jobs).set_index(["grouped_by", "group_name", "stage"])
    for group, over_4h, over_8h, size in (("a", 2, 0, 3), ("b", 3, 2, 3)):
        row = found.loc[("crew", group, "report_to_restore")]
        for name, over in (("share_over_4h", over_4h), ("share_over_8h", over_8h)):
            assert row[name] == pytest.approx(over / size)
            assert np.isnan([row[f"{name}_lo"], row[f"{name}_hi"]]).all()  # three days are too few
    assert found.loc[("all", "all", "report_to_restore"), "share_over_8h"] == pytest.approx(2 / 6)


def test_rows_come_in_order_and_ten_jobs_are_no_small_group() -> None:
    jobs = make_jobs(19)
    jobs["district"] = ["nine"] * 9 + ["ten"] * 10
    found = summarise(jobs)
    assert found.index.tolist() == list(range(len(found)))
    keys = [tuple(key) for key in found[["grouped_by", "group_name", "stage"]].to_numpy()]
    assert keys == sorted(keys)
    small = found[found["grouped_by"] == "district"].groupby("group_name")["is_small_group"]
    assert small.unique().map(list).to_dict() == {"nine": [True], "ten": [False]}


def test_limits_are_those_of_storms_and_days() -> None:
    jobs = make_jobs()
    jobs.loc[4, "arrive_to_locate"] = np.nan
    found = summarise(jobs).set_index(["grouped_by", "group_name", "stage"])
    known = jobs.dropna(subset=["arrive_to_locate"])
    groups = sort_groups(known["arrive_to_locate"].to_numpy(), known["all"].to_numpy(), known["cluster"].to_numpy())
    wanted = limit_groups(groups, coverage=0.9).iloc[0]
    row = found.loc[("all", "all", "arrive_to_locate")]
    names = ["mean_lo", "mean_hi", "median_lo", "median_hi", "p90_lo"]
    assert row[names].tolist() == pytest.approx(wanted[names].tolist())
    _, lo, hi = limit_shares(groups, groups.values > 240, coverage=0.9)
    assert (row["share_over_4h_lo"], row["share_over_4h_hi"]) == (pytest.approx(lo[0]), pytest.approx(hi[0]))
