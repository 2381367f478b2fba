"""Months on the chart."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from pipelines.restoration.closing_delay import ClosingLag, adjust_recent_mean, fit_closing_lag
from pipelines.restoration.periods import compare_means
from pipelines.restoration.trend import TREND_MONTHS, compare_last_years
from pipelines.restoration.trend import chart_months as chart_of_clusters


def chart_months(jobs: pd.DataFrame, *others: object, **terms: float) -> pd.DataFrame:
    """Each job its own cluster."""
    return chart_of_clusters(jobs.assign(cluster=np.arange(len(jobs))), *others, **terms)


def make_jobs(rng: np.random.Generator) -> tuple[pd.DataFrame, pd.Timestamp]:
    start, end = pd.Timestamp("2012-01-01", tz="UTC"), pd.Timestamp("2020-01-01", tz="UTC")
    reported = start + pd.to_timedelta(np.sort(rng.uniform(0, (end - start).days, 6000)), unit="D")
    minutes = rng.gamma(4, 40, 6000)
    lag = rng.exponential(6, 6000) * minutes / 160
    jobs = pd.DataFrame(
        {
            "reported_at": reported,
            "closed_at": reported + pd.to_timedelta(lag, unit="D"),
            "reported_month": reported.tz_localize(None).to_period("M").to_timestamp(),
            "time_to_locate": minutes / 2,
            "time_to_restore": minutes,
        }
    )
    return jobs[jobs["closed_at"] <= end].reset_index(drop=True), end


def chart(jobs: pd.DataFrame, end: pd.Timestamp) -> pd.DataFrame:
    day = pd.Timedelta(days=1)
    lag = fit_closing_lag(
        ((jobs["closed_at"] - jobs["reported_at"]) / day).to_numpy(), ((end - jobs["reported_at"]) / day).to_numpy()
    )
    return chart_months(jobs, end, lag, coverage=0.9)


def test_the_latest_month_is_immature_adjusted_and_never_judged() -> None:
    jobs, end = make_jobs(np.random.default_rng(1))
    late = jobs["reported_at"] >= pd.Timestamp("2019-12-01", tz="UTC")
    jobs.loc[late, "time_to_restore"] /= 10
    found = chart(jobs, end)
    restore = found[found["measure"] == "time_to_restore"].reset_index(drop=True)
    assert len(restore) == TREND_MONTHS
    last = restore.iloc[-1]
    assert last["is_immature"] and last["mean_min"] < last["lower_min"] and last["signal"] == ""
    assert last["adjusted_mean_min"] > last["mean_min"]
    assert restore["is_immature"].sum() <= 2
    assert restore.loc[~restore["is_immature"], "adjusted_mean_min"].isna().all()


def test_limits_stand_on_the_mature_months_alone() -> None:
    jobs, end = make_jobs(np.random.default_rng(1))
    late = jobs["reported_at"] >= pd.Timestamp("2019-12-01", tz="UTC")
    changed = jobs.assign(time_to_restore=jobs["time_to_restore"].where(~late, 1e5))
    a, b = chart(jobs, end), chart(changed, end)
    assert a["upper_min"].tolist() == b["upper_min"].tolist()


def test_only_settled_jobs_say_what_the_latest_month_will_be() -> None:
    """Jobs reported 31 to 36 days before the end are not all closed: their minutes are no measure of the late ones."""
    jobs, end = make_jobs(np.random.default_rng(1))
    unsettled = jobs["reported_at"].between("2019-11-26", "2019-11-30 23:59")
    settled = jobs["reported_at"].between("2019-06-01", "2019-08-30")
    adjusted = [
        chart(jobs.assign(time_to_restore=jobs["time_to_restore"].where(~changed, 1e4)), end)
        .query("measure == 'time_to_restore'")["adjusted_mean_min"]
        .iloc[-1]
        for changed in (unsettled & False, unsettled, settled)
    ]
    assert adjusted[0] == adjusted[1]
    assert adjusted[2] != pytest.approx(adjusted[0], rel=0.01)


def test_a_month_far_out_is_signalled() -> None:
    jobs, end = make_jobs(np.random.default_rng(1))
    odd = jobs["reported_month"] == pd.Timestamp("2018-05-01")
    jobs.loc[odd, "time_to_locate"] *= 5
    found = chart(jobs, end).set_index(["measure", "reported_month"])
    assert found.loc[("time_to_locate", pd.Timestamp("2018-05-01")), "signal"] == "outside"


def test_no_jobs_give_no_rows() -> None:
    jobs, end = make_jobs(np.random.default_rng(1))
    found = chart(jobs[:0], end)
    assert found.empty
    assert list(chart(jobs[:50], end).columns) == list(found.columns)


def jobs_of_months(levels: list[float]) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Ten jobs a month within five minutes of its level, on days of their own, and the chart of these months."""
    months = pd.date_range("2020-01-01", periods=len(levels), freq="MS")
    jobs = pd.DataFrame(
        {
            "reported_month": months.repeat(10),
            "cluster": range(1, 10 * len(levels) + 1),
            "m": np.repeat(levels, 10) + np.tile(np.linspace(-5, 5, 10), len(levels)),
        }
    )
    return jobs, pd.DataFrame({"measure": "m", "reported_month": months, "is_immature": False})


def test_the_last_year_is_set_beside_the_one_before() -> None:
    """Their jobs are compared as those of two periods are; the latest month is not complete."""
    jobs, trend = jobs_of_months([900.0, *[100.0] * 12, *[109.0] * 12, 0.0])
    trend.loc[25, "is_immature"] = True
    row = compare_last_years(jobs, trend.sample(frac=1, random_state=1), 0.9).iloc[0]
    wanted = compare_means(jobs[130:250], jobs[10:130], "m", 0.9)
    assert row.tolist()[1:5] == pytest.approx([109.0, 100.0, wanted.lo, wanted.hi])
    assert (row["measure"], row["judged"]) == ("m", "rise")
    assert 8 < wanted.lo < 9 < wanted.hi < 10


@pytest.mark.parametrize(
    ("levels", "judged"),
    [
        ([100.0] * 12 + [91.0] * 12, ["fall"]),
        ([100.0] * 12 + [100.1] * 12, ["within"]),
        ([7.0] * 23, []),  # months to a year are missing
    ],
)
def test_a_rise_or_a_fall_is_said_where_the_limits_leave_no_difference_out(levels: list[float], judged: list) -> None:
    assert compare_last_years(*jobs_of_months(levels), 0.9)["judged"].tolist() == judged


def test_years_of_few_storms_that_weigh_are_not_judged() -> None:
    jobs, trend = jobs_of_months([100.0] * 12 + [150.0] * 12)
    jobs.loc[jobs["reported_month"] == trend.loc[20, "reported_month"], "cluster"] = -1
    found = compare_last_years(jobs, trend, 0.9).iloc[0]
    assert (round(found["last_mean_min"]), round(found["before_mean_min"]), found["judged"]) == (150, 100, "too_few")
    assert np.isnan(found["difference_lo"])


LAG = ClosingLag(np.array([0.5, 10.0]), np.array([0.5, 1.0]), 2)
"""Half the jobs close within half a day, all within ten days."""


def test_months_by_hand() -> None:
    """Jobs of December to February seen six hours into March; those of January and before are older than ten days."""
    end = pd.Timestamp("2021-03-01 06:00", tz="UTC")
    reported = pd.to_datetime(["2020-12-01"] * 60 + ["2021-01-20"] * 60 + ["2021-02-25"] * 3 + ["2021-03-01"], utc=True)
    jobs = pd.DataFrame(
        {"reported_at": reported, "reported_month": reported.tz_localize(None).to_period("M").to_timestamp()}
    )
    jobs["closed_at"] = jobs["reported_at"] + pd.to_timedelta([0, 9] * 60 + [0, 0, 3, 0], unit="D")
    jobs["time_to_locate"] = [100.0, 300.0] * 30 + [100.0, 500.0] * 30 + [50.0, 70.0, 90.0, 20.0]
    jobs["time_to_restore"] = 7.0
    found = chart_months(jobs, end, LAG, coverage=0.9).set_index("measure")
    located = found.loc["time_to_locate"].reset_index(drop=True)
    assert located["reported_month"].dt.strftime("%Y-%m").tolist() == ["2020-12", "2021-01", "2021-02", "2021-03"]
    assert located["jobs"].tolist() == [60, 60, 3, 1]
    assert located["mean_min"].tolist() == [200, 300, 70, 20]
    # of 201 ages from 0.25 to 28.25 days 131 are ten or more and two less than half a day, of the first day 101 half
    assert located["share_closed"].tolist() == pytest.approx([1, 1, (68 / 2 + 131) / 201, 101 / 402])
    assert located["is_immature"].tolist() == [False, False, True, True]
    early = adjust_recent_mean(
        np.array([50.0, 70.0, 90.0]),
        np.array([100.0, 300.0] * 30 + [100.0, 500.0] * 30),
        np.array([0.0, 9.0] * 60),
        (0.25, 28.25),
        coverage=0.9,
    )
    adjusted = located.loc[2, ["adjusted_mean_min", "adjusted_lo", "adjusted_hi"]].tolist()
    assert adjusted == pytest.approx([early.adjusted, early.adjusted_lo, early.adjusted_hi])
    assert located["adjusted_mean_min"].isna().tolist() == [True, True, False, True]
    # the two mature months alone: mean 250, moving range 100
    assert located[["centre_min", "lower_min", "upper_min"]].drop_duplicates().to_numpy().tolist() == [
        [250, 0, pytest.approx(250 + 3 * 100 / 1.128)]
    ]
    assert found.loc["time_to_restore", "lower_min"].tolist() == [7] * 4


def test_sixty_months_are_charted() -> None:
    jobs, end = make_jobs(np.random.default_rng(1))
    assert chart(jobs, end)["reported_month"].min() == pd.Timestamp("2015-01-01")
