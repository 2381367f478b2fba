"""Do the months drift, or only wander?"""

import numpy as np
import pandas as pd

from pipelines.restoration.closing_delay import MATURE_SHARE, SETTLED_SHARE, ClosingLag, adjust_recent_mean
from pipelines.restoration.control_limits import find_signals, fit_individuals
from pipelines.restoration.periods import compare_means
from shared import dictionary

TREND_MONTHS = 60
"""Latest months that are charted; the limits stand on the mature ones among them: our choice."""


def chart_months(jobs: pd.DataFrame, known_until: pd.Timestamp, lag: ClosingLag, *, coverage: float) -> pd.DataFrame:
    """Monthly means with the limits of an individuals chart; immature months are shown and never judged.

    Parameters
    ----------
    jobs
        One row a job: reported_at, closed_at (instants), cluster, reported_month (first day, datetime) and a column a
        measure of MEASURES in minutes.
    known_until
        Last moment the file knows of.
    lag
        Closing lag of the jobs.
    coverage
        Coverage of the limits of an adjusted mean.

    Returns
    -------
    DataFrame
        marts.restoration_trend: one row a measure and month.

    Notes
    -----
    A month is mature when the share already closed of jobs reported evenly over it is MATURE_SHARE or more.

    Checked by: tests/unit/test_restoration_trend.py
    """
    if jobs.empty:
        return dictionary.make_frame("marts.restoration_trend")
    day = pd.Timedelta(days=1)
    ages = (known_until - jobs["reported_at"]).dt.total_seconds().to_numpy() / 86_400.0
    lags = (jobs["closed_at"] - jobs["reported_at"]).dt.total_seconds().to_numpy() / 86_400.0
    settled, cluster = ages > lag.days_until(SETTLED_SHARE), jobs["cluster"].to_numpy(dtype=np.int64)
    last = jobs["reported_month"].max()
    months = pd.date_range(end=last, periods=TREND_MONTHS, freq="MS")
    months = months[months >= jobs["reported_month"].min()]
    parts = []
    for measure in MEASURES:
        minutes = jobs[measure].to_numpy(dtype=np.float64)
        rows = []
        for month in months:
            own = (jobs["reported_month"] == month).to_numpy()
            first = month.tz_localize("UTC")
            begin = max((known_until - (first + pd.offsets.MonthBegin(1))) / day, 0.0)
            window = (begin, max((known_until - first) / day, begin + 1.0))
            share = lag.mean_share_closed(*window)
            mature = bool(share >= MATURE_SHARE)
            old = settled & (not mature)  # a mature month is not adjusted, so nothing is learnt for it
            found = adjust_recent_mean(
                minutes[own], minutes[old], lags[old], window, coverage=coverage, clusters=(cluster[own], cluster[old])
            )
            rows.append(
                {
                    "measure": measure,
                    "reported_month": month,
                    "jobs": found.jobs,
                    "mean_min": found.mean,
                    "share_closed": share,
                    "is_immature": not mature,
                    "adjusted_mean_min": found.adjusted,
                    "adjusted_lo": found.adjusted_lo,
                    "adjusted_hi": found.adjusted_hi,
                }
            )
        frame = pd.DataFrame(rows)
        judged = frame["mean_min"].where(~frame["is_immature"])
        chart = fit_individuals(judged)
        parts.append(
            frame.assign(
                centre_min=chart.centre,
                lower_min=max(chart.lower, 0.0),
                upper_min=chart.upper,
                signal=find_signals(judged, chart),
            )
        )
    return pd.concat(parts, ignore_index=True)


MEASURES = ("time_to_locate", "time_to_restore")


def compare_last_years(jobs: pd.DataFrame, trend: pd.DataFrame, coverage: float) -> pd.DataFrame:
    """Whether the jobs of the last twelve complete months differ from those of the twelve before, measure by measure.

    Parameters
    ----------
    jobs
        As for chart_months, with cluster (core.job_groups).
    trend
        marts.restoration_trend, which tells the complete months.
    coverage
        Two-sided coverage of the limits of the difference.

    Returns
    -------
    DataFrame
        fitted.restoration_year_change: a row a measure with 24 complete months; judged rise or fall where the limits
        leave no difference out, else within; too_few where a year has too few days or storms for limits.

    Notes
    -----
    Checked by: tests/unit/test_restoration_trend.py
    """
    rows = []
    complete = trend[~trend["is_immature"].astype(bool)].sort_values("reported_month")
    for measure, months in complete.groupby("measure", sort=True)["reported_month"]:
        if len(months) < 24:
            continue
        last, before = (
            jobs[jobs["reported_month"].isin(months.iloc[part])] for part in (slice(-12, None), slice(-24, -12))
        )
        found = compare_means(last, before, str(measure), coverage)
        judged = {"longer": "rise", "shorter": "fall"}.get(found.judged, found.judged)
        rows.append((measure, found.mean, found.mean_before, found.lo, found.hi, judged))
    columns = ["measure", "last_mean_min", "before_mean_min", "difference_lo", "difference_hi", "judged"]
    return pd.DataFrame(rows, columns=columns)
