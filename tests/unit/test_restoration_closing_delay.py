"""The closing lag under right truncation, and the adjusted mean."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from pipelines.restoration.closing_delay import ClosingLag, adjust_recent_mean, find_record_end, fit_closing_lag
from pipelines.restoration.closing_delay import summarise_weeks as summarise


def summarise_weeks(jobs: pd.DataFrame, *moments: pd.Timestamp, **terms: float) -> tuple[pd.DataFrame, ClosingLag]:
    """Each job its own cluster."""
    return summarise(jobs.assign(cluster=np.arange(len(jobs))), *moments, **terms)


def test_product_limit_by_hand() -> None:
    # lags 1, 2, 3 with ages 2, 9, 9. At lag 3: at risk are lags <= 3 with age >= 3, two jobs, one ends: 1/2 left.
    # At lag 2: lags <= 2 with age >= 2, two jobs, one ends: 1/4 left.
    lag = fit_closing_lag(np.array([1.0, 2.0, 3.0]), np.array([2.0, 9.0, 9.0]))
    assert lag.lags_days.tolist() == [1, 2, 3]
    assert lag.shares.tolist() == pytest.approx([1 / 4, 1 / 2, 1])
    assert lag.share_closed(np.array([0.5, 1.0, 2.5, 40.0])).tolist() == pytest.approx([0, 1 / 4, 1 / 2, 1])


def test_without_truncation_it_is_the_plain_distribution() -> None:
    lags = np.random.default_rng(1).exponential(5, 200)
    lag = fit_closing_lag(lags, np.full(200, 1e6))
    assert lag.shares == pytest.approx(np.arange(1, 201) / 200)


def test_the_truncated_distribution_is_found_where_the_plain_one_is_too_short() -> None:
    rng = np.random.default_rng(2)
    lags, ages = rng.exponential(20, 20_000), rng.uniform(0, 200, 20_000)
    seen = lags <= ages
    plain = np.mean(lags[seen] <= 10)
    found = fit_closing_lag(lags[seen], ages[seen]).share_closed(10.0)
    truth = 1 - np.exp(-0.5)
    assert found == pytest.approx(truth, abs=0.01)
    assert plain > truth + 0.03


def test_jobs_that_cannot_be_on_file_and_missing_lags_are_passed_over() -> None:
    clean = fit_closing_lag(np.array([1.0, 2.0]), np.array([9.0, 9.0]))
    odd = fit_closing_lag(np.array([1.0, 2.0, np.nan, -1.0, 8.0]), np.array([9.0, 9.0, 9.0, 9.0, 3.0]))
    assert odd.shares.tolist() == clean.shares.tolist()
    assert odd.jobs == 2


def test_no_jobs_know_nothing() -> None:
    lag = fit_closing_lag(np.empty(0), np.empty(0))
    assert np.isnan(lag.share_closed(3.0))
    assert np.isnan(lag.days_until(0.9))


def test_slow_jobs_closing_late_make_a_factor_below_one() -> None:
    # half the jobs take 100 min and close at once, half take 300 and close after 14 of the 28 days
    settled = np.tile([100.0, 300.0], 100)
    lags = np.tile([0.0, 14.0], 100)
    found = adjust_recent_mean(np.array([100.0, 100.0, 300.0]), settled, lags, (0.0, 28.0), coverage=0.9)
    seen_early = (1 * 100 + 0.5 * 300) / 1.5
    assert found.factor == pytest.approx(seen_early / 200)
    assert found.adjusted == pytest.approx(500 / 3 / (seen_early / 200))
    assert found.adjusted_lo < found.adjusted < found.adjusted_hi


def test_too_little_to_go_by_gives_no_adjusted_mean() -> None:
    found = adjust_recent_mean(np.array([100.0, 120.0]), np.full(99, 100.0), np.zeros(99), (0.0, 28.0), coverage=0.9)
    assert found.mean == 110
    assert np.isnan(found.adjusted)


def test_weeks_go_back_from_the_last_moment_known() -> None:
    rng = np.random.default_rng(3)
    start, end = pd.Timestamp("2020-01-01", tz="UTC"), pd.Timestamp("2021-01-01", tz="UTC")
    reported = start + pd.to_timedelta(rng.uniform(0, 366, 4000), unit="D")
    closed = reported + pd.to_timedelta(rng.exponential(6, 4000), unit="D")
    jobs = pd.DataFrame({"reported_at": reported, "closed_at": closed, "time_to_restore": rng.gamma(4, 40, 4000)})
    jobs = jobs[jobs["closed_at"] <= end]
    weeks, lag = summarise_weeks(jobs, end, weeks=6, history_days=1e9, coverage=0.9)
    assert weeks["window_weeks"].tolist() == [1] * 6 + [4]
    assert weeks["window_to"][0] == end.date()
    assert weeks["share_closed"][:6].is_monotonic_increasing
    assert weeks["share_closed"][0] == pytest.approx(np.mean(1 - np.exp(-np.linspace(0, 7, 1000) / 6)), abs=0.02)
    assert weeks["is_immature"].tolist()[:2] == [True, True]
    assert lag.jobs == len(jobs)
    # 4000 jobs over 366 days
    assert weeks["jobs_expected"][6] == pytest.approx(4000 * 28 / 366, rel=0.1)


def test_ages_and_shares_of_a_lag_by_hand() -> None:
    lag = ClosingLag(np.array([1.0, 2.0, 3.0]), np.array([0.25, 0.5, 1.0]), 4)
    assert [lag.days_until(share) for share in (0.25, 0.26, 0.5, 0.51, 1.0, 2.0)] == [1, 2, 2, 3, 3, 3]
    # 201 ages from 0 to 1 in steps of 0.005: 101 of them are 0.5 or more
    assert ClosingLag(np.array([0.5]), np.array([1.0]), 1).mean_share_closed(0.0, 1.0) == pytest.approx(101 / 201)


def test_a_job_closed_at_once_and_one_closed_at_the_last_moment_are_on_file() -> None:
    lag = fit_closing_lag(np.array([0.0, 2.0]), np.array([5.0, 2.0]))
    assert (lag.jobs, lag.lags_days.tolist(), lag.shares.tolist()) == (2, [0, 2], [0.5, 1])


RECENT, WINDOW = np.array([80.0, 130.0, np.nan, 150.0]), (7.0, 21.0)
SETTLED = np.array([50.0, 80.0, 120.0, 400.0] * 25)
LAGS = np.array([1.0, 7.0, 14.0, 30.0] * 25)  # 1, 1, (21 - 14) / 14 and none of the window's days on file
SEEN = np.array([1.0, 1.0, 0.5, 0.0] * 25)


def test_the_adjusted_mean_and_its_limits_by_the_infinitesimal_jackknife() -> None:
    def log_factor(mass: np.ndarray) -> float:
        early = np.average(SETTLED, weights=SEEN * mass)
        return float(np.log(early / np.average(SETTLED, weights=mass)))

    found = adjust_recent_mean(RECENT, SETTLED, LAGS, WINDOW, coverage=0.8)
    factor = (50 + 80 + 60) / 2.5 / (650 / 4)
    assert (found.jobs, found.mean, found.factor) == (3, 120, pytest.approx(factor))
    one = np.eye(100) * 1e-6
    slopes = np.array([(log_factor(1 + step) - log_factor(1 - step)) / 2e-6 for step in one])
    variance = (slopes**2).sum() + np.var([80, 130, 150], ddof=1) / 3 / 120**2
    reach = stats.t(2).ppf(0.9) * variance**0.5
    assert np.log([found.adjusted_lo, found.adjusted, found.adjusted_hi]) == pytest.approx(
        np.log(120 / factor) + np.array([-reach, 0, reach]), rel=1e-6
    )


@pytest.mark.parametrize(
    ("recent", "settled", "lags", "is_given"),
    [
        (RECENT, SETTLED, LAGS, True),
        (RECENT[:2], SETTLED, LAGS, True),
        (RECENT[:1], SETTLED, LAGS, False),  # one recent job
        (RECENT * 0, SETTLED, LAGS, False),  # no minutes at all
        (RECENT, SETTLED, LAGS + 40, False),  # none of the settled would have been on file
        (RECENT, SETTLED[1:], LAGS[1:], False),  # 99 settled
        (RECENT, np.where(np.arange(100) == 3, np.nan, SETTLED), LAGS, False),
        (RECENT, SETTLED, np.where(np.arange(100) == 3, np.nan, LAGS), False),
    ],
)
def test_an_adjusted_mean_needs_two_recent_and_a_hundred_settled_jobs(recent, settled, lags, is_given: bool) -> None:
    found = adjust_recent_mean(recent, settled, lags, WINDOW, coverage=0.9)
    figures = [found.factor, found.adjusted, found.adjusted_lo, found.adjusted_hi]
    assert np.isnan(figures).tolist() == [not is_given] * 4


def test_jobs_of_one_day_count_as_one() -> None:
    days = np.repeat([3, 7, 1, 2], [10, 10, 1, 1])
    recent = np.where(days > 2, 300.0, 100.0) + np.where(days == 3, 60.0, 0.0)
    clusters = days, np.arange(100)
    alike = adjust_recent_mean(recent, SETTLED, LAGS, WINDOW, coverage=0.8, clusters=clusters)
    mean = recent.mean()
    sums = np.array([10 * (360 - mean), 10 * (300 - mean), 100 - mean, 100 - mean]) / 22 / mean
    one = adjust_recent_mean(recent, SETTLED, LAGS, WINDOW, coverage=0.8)
    of_factor = (np.log(one.adjusted_hi / one.adjusted) / stats.t(21).ppf(0.9)) ** 2 - np.var(
        recent, ddof=1
    ) / 22 / mean**2
    reach = stats.t(22**2 / 202 - 1).ppf(0.9) * ((sums**2).sum() * 4 / 3 + of_factor) ** 0.5
    assert np.log(alike.adjusted_hi / alike.adjusted) == pytest.approx(reach)
    assert alike.adjusted == one.adjusted
    # two storms that weigh, or a day and a job beside it: the mean is told, and no limits
    for some, which in ((recent, np.where(days > 2, -days, days)), (recent[9:20], np.where(days > 3, 0, 1)[9:20])):
        alone = adjust_recent_mean(some, SETTLED, LAGS, WINDOW, coverage=0.8, clusters=(which, np.arange(100)))
        assert alone.adjusted > 0 and np.isnan([alone.adjusted_lo, alone.adjusted_hi]).all()


def test_weeks_by_hand() -> None:
    """Jobs 0, 6.5, 7, 27.9 and 28 days before the end, closed after 8 days but for the first three, which carry no
    closing; and a hundred long settled."""
    end = pd.Timestamp("2021-03-01", tz="UTC")
    ages = np.array([0.0, 6.5, 7.0, 27.9, 28.0, *np.full(100, 50.0), 50.5])
    reported = end - pd.to_timedelta(ages, unit="D")
    jobs = pd.DataFrame({"reported_at": reported, "time_to_restore": [10.0, 30, 50, 90, 70, *[60.0] * 100, 1e6]})
    jobs["closed_at"] = (jobs["reported_at"] + pd.Timedelta(days=8)).where(ages > 7)
    found, lag = summarise_weeks(jobs, end, weeks=3, history_days=50, coverage=0.9)
    assert lag.lags_days.tolist() == [8] and lag.jobs == 102  # those on file at 8 days or more; not the one too old
    assert found["window_from"].astype(str).tolist() == ["2021-02-22", "2021-02-15", "2021-02-08", "2021-02-01"]
    assert found["window_to"].astype(str).tolist() == ["2021-03-01", "2021-02-22", "2021-02-15", "2021-03-01"]
    assert found["window_weeks"].tolist() == [1, 1, 1, 4]
    assert found["jobs"].tolist() == [2, 1, 0, 4]
    assert found["mean_min"].tolist() == pytest.approx([20, 50, np.nan, 45], nan_ok=True)
    # of 201 days evenly over the second week 172 lie at 8 or more, of those over four weeks 143
    share = [0, 172 / 201, 1, 143 / 201]
    assert found["share_closed"].tolist() == pytest.approx(share)
    assert found["jobs_expected"].tolist() == pytest.approx([np.nan, 201 / 172, 0, 4 * 201 / 143], nan_ok=True)
    assert found["is_immature"].tolist() == [True, True, False, True]
    # the settled all look alike at any age
    assert found["maturity_factor"].tolist() == pytest.approx(
        [np.nan, np.nan, np.nan, 60.1 / 60.1], nan_ok=True, abs=0.01
    )


def test_without_jobs_every_week_is_immature() -> None:
    stamps = pd.to_datetime(pd.Series([], dtype=str), utc=True)
    jobs = pd.DataFrame({"reported_at": stamps, "closed_at": stamps, "time_to_restore": pd.Series([], dtype=float)})
    end = pd.Timestamp("2021-03-01", tz="UTC")
    found, lag = summarise_weeks(jobs, end, weeks=2, history_days=50, coverage=0.9)
    assert lag.jobs == 0 and found["is_immature"].tolist() == [True] * 3
    assert found[["share_closed", "jobs_expected", "mean_min"]].isna().all(axis=None)


def closed_jobs(rng: np.random.Generator, jobs: int, days: float, mean_delay: float) -> pd.DataFrame:
    """Jobs reported over some days, up to 1 January 2021, with exponential closing delays; closed or not."""
    end = pd.Timestamp("2021-01-01", tz="UTC")
    reported = end - pd.to_timedelta(rng.uniform(0, days, jobs), unit="D")
    closed = reported + pd.to_timedelta(rng.exponential(mean_delay, jobs), unit="D")
    return pd.DataFrame({"reported_at": reported, "closed_at": closed, "time_to_restore": rng.gamma(4, 40, jobs)})


END = pd.Timestamp("2021-01-01", tz="UTC")


def last_weeks(jobs: pd.DataFrame, as_of: pd.Timestamp) -> pd.Series:
    return summarise_weeks(jobs, as_of, weeks=2, history_days=1e9, coverage=0.9)[0].iloc[-1]


def test_an_earlier_as_of_day_knows_nothing_of_later_records() -> None:
    """What is loaded later changes nothing: the file of that day gives the same weeks."""
    jobs = closed_jobs(np.random.default_rng(1), 4000, 700, 6)
    as_of = END - pd.Timedelta(days=200)
    then = jobs[(jobs["reported_at"] <= as_of) & (jobs["closed_at"] <= as_of)]
    found, kept = (summarise_weeks(f, as_of, weeks=6, history_days=1e9, coverage=0.9)[0] for f in (jobs, then))
    pd.testing.assert_frame_equal(found, kept)
    assert found["unknown_because"].tolist() == [""] * 7
    assert found.iloc[-1]["jobs_expected"] == pytest.approx(4000 * 28 / 700, rel=0.2)


def test_months_after_the_last_record_nothing_is_said() -> None:
    jobs = closed_jobs(np.random.default_rng(2), 4000, 700, 6)
    jobs = jobs[jobs["closed_at"] <= END]
    found = last_weeks(jobs, END + pd.Timedelta(days=90))
    assert found["unknown_because"] == "record_ended" and found["jobs"] == 0 and found["is_immature"]
    assert np.isnan([found["share_closed"], found["jobs_expected"], found["adjusted_mean_min"]]).all()
    # two days without a closing are chance; the record still ends on the as-of day
    assert last_weeks(jobs, END + pd.Timedelta(days=1))["unknown_because"] == ""
    assert find_record_end(jobs, END + pd.Timedelta(days=90)) == jobs[["reported_at", "closed_at"]].max().max()
    assert find_record_end(jobs, END + pd.Timedelta(days=1)) == END + pd.Timedelta(days=1)
    # ten closings missed at 120 in the year before the last stamp: 30.4 days
    few = jobs.sort_values("closed_at").tail(120).assign(closed_at=END - pd.to_timedelta(np.arange(120) * 3, unit="D"))
    few["reported_at"] = few["closed_at"]
    assert find_record_end(few, END + pd.Timedelta(days=30)) > END
    assert find_record_end(few, END + pd.Timedelta(days=31)) == END


def test_the_weeks_say_why_they_cannot_tell() -> None:
    rng = np.random.default_rng(3)
    jobs = closed_jobs(rng, 4000, 700, 6)
    jobs = jobs[jobs["closed_at"] <= END]
    assert (
        last_weeks(jobs.assign(closed_at=jobs["closed_at"].where(jobs["closed_at"] > END)), END)["unknown_because"]
        == "no_closing_stamps"
    )
    slow = closed_jobs(rng, 4000, 60, 30)  # two months of records, delays of months
    assert last_weeks(slow[slow["closed_at"] <= END], END)["unknown_because"] == "delay_beyond_record"
    few = last_weeks(closed_jobs(rng, 90, 700, 6), END)
    assert few["unknown_because"] == "too_few_settled" and few["share_closed"] > 0
    rare = closed_jobs(rng, 300, 6000, 6)
    rare = rare[(rare["closed_at"] <= END) & (rare["reported_at"] < END - pd.Timedelta(days=28))]
    gone = last_weeks(rare, END)
    assert gone["unknown_because"] == "none_on_file" and gone["jobs_expected"] == 0 and gone["share_closed"] > 0.7
    assert find_record_end(jobs[:0], END) == END
