"""The closing lag under right truncation, and the adjusted mean."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from pipelines.restoration.closing_delay import adjust_recent_mean, fit_closing_lag, summarise_weeks


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
