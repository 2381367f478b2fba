"""On simulated closing lags the adjusted mean of the last four weeks is right where the raw one is low.

Lags: lognormal, median 6 days, sigma 1.1, correlation 0.5 with the log of the duration; durations lognormal, sigma
0.55. The truth of a fleet is the mean of all jobs reported in its last four weeks, closed or not.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from pipelines.restoration.closing_delay import summarise_weeks

FLEETS = 200
SIGMA, LAG_SIGMA, CORRELATION = 0.55, 1.1, 0.5
STORM = 0.4
"""Standard deviation of the logs of storms' factors."""


def simulate_jobs(
    rng: np.random.Generator, jobs_a_year: int, years: int, storms_a_year: int = 0
) -> tuple[pd.DataFrame, pd.Timestamp, float]:
    """Jobs on file at the end, the end, and the true mean of the last four weeks.

    A storm is a day with 15 jobs, whose times it moves alike by a factor about one.
    """
    n, days, storms = jobs_a_year * years, 365.25 * years, storms_a_year * years
    storm = np.repeat(np.arange(storms), 15)
    reported = np.concatenate([rng.uniform(0, days, n), rng.uniform(0, days, storms)[storm]])
    cluster = np.concatenate([np.floor(reported[:n]), -1.0 - storm]).astype(int)
    n += len(storm)
    z = rng.normal(size=n)
    factor = np.concatenate([np.zeros(n - len(storm)), rng.normal(-(STORM**2) / 2, STORM, storms)[storm]])
    minutes = np.exp(np.log(180) + SIGMA * z + factor)
    lags = 6 * np.exp(LAG_SIGMA * (CORRELATION * z + np.sqrt(1 - CORRELATION**2) * rng.normal(size=n)))
    start = pd.Timestamp("2015-01-01", tz="UTC")
    jobs = pd.DataFrame(
        {
            "reported_at": start + pd.to_timedelta(reported, unit="D"),
            "closed_at": start + pd.to_timedelta(reported + lags, unit="D"),
            "time_to_restore": minutes,
            "cluster": cluster,
        }
    )
    truth = float(minutes[reported > days - 28].mean())
    end = start + pd.Timedelta(days=days)
    return jobs[jobs["closed_at"] <= end], end, truth


def test_adjusted_mean_of_the_last_four_weeks() -> None:
    rng = np.random.default_rng(20260101)
    raw, adjusted, covered, shares = [], [], [], []
    for _ in range(FLEETS):
        jobs, end, truth = simulate_jobs(rng, jobs_a_year=700, years=5)
        weeks, _ = summarise_weeks(jobs, end, weeks=4, history_days=5 * 365.25, coverage=0.9)
        last = weeks.iloc[-1]
        raw.append(last["mean_min"] / truth)
        adjusted.append(last["adjusted_mean_min"] / truth)
        covered.append(last["adjusted_lo"] <= 180 * np.exp(SIGMA**2 / 2) <= last["adjusted_hi"])
        shares.append(last["share_closed"])
    print(f"raw {np.mean(raw) - 1:+.1%}, adjusted {np.mean(adjusted) - 1:+.1%}, limits hold {np.mean(covered):.0%}")
    assert -0.14 < np.mean(raw) - 1 < -0.08
    assert abs(np.mean(adjusted) - 1) < 0.03
    # 90 % limits of some 36 jobs a fleet
    assert 0.83 <= np.mean(covered) <= 0.96
    lags = 6 * np.exp(LAG_SIGMA * rng.normal(size=20_000))
    true_share = np.mean([np.mean(lags <= age) for age in np.linspace(0, 28, 57)])
    assert abs(np.mean(shares) - true_share) < 0.01


def test_limits_hold_where_storms_make_jobs_alike() -> None:
    rng = np.random.default_rng(20260102)
    covered = []
    for fleet in range(FLEETS):
        storms = 24 if fleet % 2 else 100  # about two in the last four weeks, or eight
        jobs, end, _ = simulate_jobs(rng, jobs_a_year=350, years=5, storms_a_year=storms)
        weeks, _ = summarise_weeks(jobs, end, weeks=1, history_days=5 * 365.25, coverage=0.9)
        last = weeks.iloc[-1]
        if not np.isnan(last["adjusted_lo"]):
            covered.append(last["adjusted_lo"] <= 180 * np.exp(SIGMA**2 / 2) <= last["adjusted_hi"])
    print(f"limits given in {len(covered) / FLEETS:.0%} of fleets, and hold {np.mean(covered):.0%}")
    assert 0.4 < len(covered) / FLEETS < 0.7  # mostly those of eight storms
    assert 0.83 <= np.mean(covered) <= 0.97


def test_a_true_improvement_is_not_hidden() -> None:
    rng = np.random.default_rng(5)
    found = []
    for _ in range(40):
        jobs, end, _ = simulate_jobs(rng, jobs_a_year=700, years=5)
        late = jobs["reported_at"] > end - pd.Timedelta(days=28)
        jobs["time_to_restore"] = jobs["time_to_restore"].where(~late, 0.7 * jobs["time_to_restore"])
        weeks, _ = summarise_weeks(jobs, end, weeks=4, history_days=5 * 365.25, coverage=0.9)
        found.append(weeks.iloc[-1]["adjusted_mean_min"] / (180 * np.exp(SIGMA**2 / 2)))
    assert abs(np.mean(found) - 0.7) < 0.03
