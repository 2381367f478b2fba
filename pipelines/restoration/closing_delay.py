"""How much of the latest weeks is already on file, and what will their mean be once the rest has come in?

Only closed jobs are on file, and slow jobs close last: seen too early, every recent week looks fast.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from pipelines.restoration.limits import sort_groups
from shared.arrays import Floats, Integers

FEWEST_SETTLED_JOBS = 100
"""Settled jobs below which no adjusted mean is given: common practice, no source."""

MATURE_SHARE = 0.95
"""Share closed from which a period counts as mature: our choice."""

SETTLED_SHARE = 0.995
"""Share closed from which jobs count as settled: our choice."""

MISSED_RECORDS = 10.0
"""Closings that should have come since the last stamp for the record to count as ended: chance alone leaves out ten
once in 22,000."""


@dataclass(frozen=True)
class ClosingLag:
    """Distribution of the days from report to closing.

    Attributes
    ----------
    lags_days
        Distinct lags, ascending, shape (n,).
    shares
        Share of jobs closed within each lag, shape (n,); of those that close within the longest lag seen.
    jobs
        Jobs the distribution stands on.
    """

    lags_days: Floats
    shares: Floats
    jobs: int

    def share_closed(self, ages_days: Floats | float) -> Floats:
        """Share of the jobs of these ages (days since the report) that are closed; NaN where no lag is known."""
        ages = np.asarray(ages_days, dtype=np.float64)
        if not len(self.lags_days):
            return np.full(ages.shape, np.nan)
        place = np.searchsorted(self.lags_days, ages, side="right")
        return np.asarray(np.where(place > 0, self.shares[place - 1], 0.0), dtype=np.float64)

    def mean_share_closed(self, from_days: float, to_days: float) -> float:
        """Share closed of jobs reported evenly between two ages."""
        return float(self.share_closed(np.linspace(from_days, to_days, 201)).mean())

    def days_until(self, share: float) -> float:
        """Age by which this share is closed, in days; NaN where no lag is known."""
        if not len(self.lags_days):
            return float("nan")
        place = int(np.searchsorted(self.shares, share))
        return float(self.lags_days[min(place, len(self.lags_days) - 1)])


def fit_closing_lag(lags_days: Floats, ages_days: Floats) -> ClosingLag:
    """Distribution of the closing lag from jobs of which only the closed ones are seen.

    Parameters
    ----------
    lags_days
        Days from report to closing, shape (jobs,).
    ages_days
        Days from report to the last moment the file knows of, shape (jobs,); a job is on file only because
        its lag is no longer than its age (right truncation).

    Notes
    -----
    Product-limit estimate in reversed time: F(l) is the product over the lags l' > l of 1 - d(l') / n(l'), with
    n(l') the jobs whose lag is at most l' and whose age is at least l'.

    References
    ----------
    S. W. Lagakos, L. M. Barraj and V. De Gruttola, Biometrika 75 (1988).

    Checked by: tests/unit/test_restoration_closing_delay.py,
    tests/simulated/test_restoration_maturity_simulated.py (through summarise_weeks)
    """
    lags, ages = np.asarray(lags_days, dtype=np.float64), np.asarray(ages_days, dtype=np.float64)
    seen = ~np.isnan(lags) & ~np.isnan(ages) & (lags >= 0) & (lags <= ages)
    lags, ages = lags[seen], ages[seen]
    values, counts = np.unique(lags, return_counts=True)
    if not len(values):
        return ClosingLag(values, values, 0)
    # at risk in reversed time: lag <= value <= age
    at_risk = np.searchsorted(np.sort(lags), values, side="right") - np.searchsorted(np.sort(ages), values)
    kept = 1.0 - counts / at_risk
    shares = np.append(np.cumprod(kept[:0:-1])[::-1], 1.0)
    return ClosingLag(values, shares, len(lags))


@dataclass(frozen=True)
class AdjustedMean:
    """Mean of a window of recent jobs, as seen and as it should be once all have closed; same unit as the values."""

    jobs: int
    mean: float
    factor: float
    adjusted: float
    adjusted_lo: float
    adjusted_hi: float


def adjust_recent_mean(
    recent: Floats,
    settled: Floats,
    settled_lags_days: Floats,
    window_days: tuple[float, float],
    *,
    coverage: float,
    clusters: tuple[Integers, Integers] | None = None,
) -> AdjustedMean:
    """What the mean of a recent window will be, judged by how settled jobs looked at the same age.

    Parameters
    ----------
    recent
        Values of the window's jobs that have closed so far, shape (n,).
    settled, settled_lags_days
        Values and closing lags of earlier jobs, old enough that all have closed, shape (m,).
    window_days
        The window's age: days since its last and since its first day.
    coverage
        Two-sided coverage of the limits.
    clusters
        Storm or day of each recent and of each settled job (core.job_groups); none: each job is its own.

    Returns
    -------
    AdjustedMean
        factor = mean of the settled jobs as they would have looked at that age, over their mean in the end;
        adjusted = mean / factor. NaN with fewer than FEWEST_SETTLED_JOBS settled jobs; limits NaN where the recent jobs
        are those of less than two days of equal weight, or where few storms weigh (limits.py).

    Notes
    -----
    A settled job of lag l counts with the share of the window's days on which it would have been on file,
    (to - max(l, from)) / (to - from) within 0 and 1. Limits: delta method on the log of the ratio, over clusters, with
    Student's t for the few that are recent: (sum n)^2 / sum n^2 clusters of equal weight.

    Checked by: tests/unit/test_restoration_closing_delay.py,
    tests/simulated/test_restoration_maturity_simulated.py (through summarise_weeks)
    """
    from scipy.special import stdtrit

    nan = float("nan")
    there = ~np.isnan(recent)
    recent_clusters, settled_clusters = clusters or (np.arange(len(recent)), np.arange(len(settled)))
    recent, recent_clusters = recent[there], recent_clusters[there]
    of_recent = pd.factorize(recent_clusters)[0]
    known = ~np.isnan(settled) & ~np.isnan(settled_lags_days)
    of_settled = pd.factorize(settled_clusters[known])[0]
    y, lags = settled[known], settled_lags_days[known]
    mean = float(recent.mean()) if len(recent) else nan
    begin, end = window_days
    weight = np.clip((end - np.maximum(lags, begin)) / (end - begin), 0.0, 1.0)
    if len(y) < FEWEST_SETTLED_JOBS or len(recent) < 2 or weight.sum() == 0 or mean <= 0:
        return AdjustedMean(len(recent), mean, nan, nan, nan, nan)
    seen_early = float(np.average(y, weights=weight))
    factor = seen_early / float(y.mean())
    # influence of each settled job on the log of the factor; of each recent job on the log of the mean
    influence = weight * (y - seen_early) / (weight.sum() * seen_early) - (y / y.mean() - 1.0) / len(y)
    adjusted, sizes = mean / factor, np.bincount(of_recent)
    alike = len(recent) ** 2 / float((sizes**2).sum())
    if alike < 2.0 or sort_groups(recent, np.full(len(recent), ""), recent_clusters).has_few_storms[0]:
        return AdjustedMean(len(recent), mean, factor, adjusted, nan, nan)
    of_factor, of_mean = np.bincount(of_settled, influence), np.bincount(of_recent, recent / mean - 1.0) / len(recent)
    variance = float((of_factor**2).sum() + (of_mean**2).sum() * len(sizes) / (len(sizes) - 1))
    reach = float(np.exp(stdtrit(alike - 1.0, 0.5 + coverage / 2.0) * np.sqrt(variance)))
    return AdjustedMean(len(recent), mean, factor, adjusted, adjusted / reach, adjusted * reach)


def keep_on_file(jobs: pd.DataFrame, known_until: pd.Timestamp) -> pd.DataFrame:
    """Jobs that were on file at a moment: reported and closed by then, as far as their stamps tell."""
    return jobs[(jobs["reported_at"] <= known_until) & ~(jobs["closed_at"] > known_until)]


def find_record_end(jobs: pd.DataFrame, known_until: pd.Timestamp) -> pd.Timestamp:
    """Until when the record tells: known_until, or the last stamp where closings stopped coming in before it.

    Notes
    -----
    The record has ended where, at the closings a day of the year before its last stamp, more than MISSED_RECORDS should
    have followed.

    Checked by: tests/unit/test_restoration_closing_delay.py
    """
    on_file = keep_on_file(jobs, known_until)
    last = on_file[["reported_at", "closed_at"]].max().max()
    if pd.isna(last):
        return known_until
    closed = on_file["closed_at"].dropna()
    year = pd.Timedelta(days=365)
    missed = (closed > last - year).sum() * ((known_until - last) / year)
    return last if missed > MISSED_RECORDS else known_until


def summarise_weeks(
    jobs: pd.DataFrame,
    known_until: pd.Timestamp,
    record_end: pd.Timestamp | None = None,
    *,
    weeks: int,
    history_days: float,
    coverage: float,
) -> tuple[pd.DataFrame, ClosingLag]:
    """The latest weeks one by one and together, as seen and adjusted.

    Parameters
    ----------
    jobs
        One row a closed job: reported_at, closed_at (instants), cluster, and time_to_restore in minutes; those not yet
        on file are passed over.
    known_until
        End of the as-of day.
    record_end
        Until when the record tells, where the jobs are a part of it; else it is told by them (find_record_end).
    weeks
        How many of the latest weeks are shown; the last row is the last four of them together.
    history_days
        Jobs reported longer before known_until than this are not used: the office may have worked otherwise.
    coverage
        Two-sided coverage of the limits.

    Returns
    -------
    DataFrame
        marts.restoration_maturity. unknown_because, empty where all is known: no_closing_stamps, record_ended before
        the as-of day, delay_beyond_record (half of the record does not hold the delays of MATURE_SHARE of the jobs),
        for all of which the share closed is not given either; too_few_settled, none_on_file, for which the mean is not.
    ClosingLag
        The distribution behind it.

    Notes
    -----
    Checked by: tests/unit/test_restoration_closing_delay.py
    """
    day, until = pd.Timedelta(days=1), record_end or find_record_end(jobs, known_until)
    jobs = keep_on_file(jobs, known_until)
    ages = (known_until - jobs["reported_at"]).dt.total_seconds().to_numpy() / 86_400.0
    lags = (jobs["closed_at"] - jobs["reported_at"]).dt.total_seconds().to_numpy() / 86_400.0
    minutes, cluster = jobs["time_to_restore"].to_numpy(dtype=np.float64), jobs["cluster"].to_numpy(dtype=np.int64)
    kept = ages <= history_days
    ages, lags, minutes, cluster = ages[kept], lags[kept], minutes[kept], cluster[kept]
    lag = fit_closing_lag(lags, ages - (known_until - until) / day)
    settled = ages > lag.days_until(SETTLED_SHARE)
    unknown = ""
    if not lag.jobs:
        unknown = "no_closing_stamps"
    elif until < known_until:
        unknown = "record_ended"
    elif 2.0 * lag.days_until(MATURE_SHARE) > ages.max():
        unknown = "delay_beyond_record"
    windows = [(7.0 * w, 7.0 * (w + 1)) for w in range(weeks)] + [(0.0, 28.0)]
    rows = []
    for begin, end in windows:
        own, old = (ages >= begin) & (ages < end), settled & (unknown == "")
        found = adjust_recent_mean(
            minutes[own],
            minutes[old],
            lags[old],
            (begin, end),
            coverage=coverage,
            clusters=(cluster[own], cluster[old]),
        )
        share = lag.mean_share_closed(begin, end) if not unknown else np.nan
        why = unknown or ("" if own.any() else "none_on_file")
        if not why and (settled & ~np.isnan(minutes) & ~np.isnan(lags)).sum() < FEWEST_SETTLED_JOBS:
            why = "too_few_settled"
        rows.append(
            {
                "window_from": (known_until - end * day).date(),
                "window_to": (known_until - begin * day).date(),
                "window_weeks": round((end - begin) / 7),
                "jobs": int(own.sum()),
                "share_closed": share,
                "jobs_expected": int(own.sum()) / share if share > 0 else np.nan,
                "mean_min": found.mean,
                "maturity_factor": found.factor,
                "adjusted_mean_min": found.adjusted,
                "adjusted_lo": found.adjusted_lo,
                "adjusted_hi": found.adjusted_hi,
                "is_immature": not share >= MATURE_SHARE,
                "unknown_because": why,
            }
        )
    return pd.DataFrame(rows), lag
