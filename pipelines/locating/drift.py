"""Has an instrument drifted: EWMA and CUSUM charts of its readings in time."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from shared.arrays import Floats
from shared.units import DAYS_PER_YEAR

EWMA_WEIGHT = 0.2
EWMA_LIMIT = 2.86
"""Weight and limit, in standard errors, of the EWMA chart. NIST/SEMATECH e-Handbook 6.3.2.4: 0.2 to 0.3, and three;
2.86 makes a false alarm about as rare as three does without weighting (Lucas and Saccucci 1990, Technometrics 32)."""
CUSUM_SLACK = 0.5
CUSUM_LIMIT = 5.0
"""Slack and limit of the CUSUM chart in standard errors. NIST/SEMATECH e-Handbook 6.3.2.3: 0.5 and 4 to 5."""
WINSOR = 3.0
"""Standard errors at which a single reading is cut before it is charted, so that one slip raises no alarm."""
HINGES = 24
"""Moments tried for the start of a drift."""
ENOUGH = 12
"""Readings below which an instrument is not charted."""


@dataclass(frozen=True)
class Cusum:
    """Upper and lower sums, and the first place where either passes the limit (none: -1)."""

    high: Floats
    low: Floats
    first_out: int
    onset: int


def weigh_exponentially(values: Floats, weight: float, start: float) -> Floats:
    """Exponentially weighted moving averages: z_t = weight x_t + (1 - weight) z_(t-1).

    References
    ----------
    NIST/SEMATECH e-Handbook 6.3.2.4.

    Checked by: tests/published/test_locating_published.py
    """
    found, last = np.empty(len(values)), start
    for t, value in enumerate(values):
        last = weight * value + (1.0 - weight) * last
        found[t] = last
    return found


def ewma_limits(count: int, weight: float, limit: float) -> Floats:
    """Limits of the EWMA of standardised values about nought, exact from the first value on, shape (count,)."""
    t = np.arange(1, count + 1)
    return np.asarray(limit * np.sqrt(weight / (2.0 - weight) * (1.0 - (1.0 - weight) ** (2 * t))))


def sum_cumulatively(values: Floats, target: float, slack: float, limit: float) -> Cusum:
    """Tabular CUSUM.

    Notes
    -----
    high_t = max(0, high_(t-1) + x_t - target - slack), low_t = max(0, low_(t-1) + target - slack - x_t). The onset is
    where the sum that first passes the limit last stood at nought.

    References
    ----------
    NIST/SEMATECH e-Handbook 6.3.2.3; Page 1954, Biometrika 41.

    Checked by: tests/published/test_locating_published.py
    """
    high, low = np.zeros(len(values)), np.zeros(len(values))
    up = down = 0.0
    for t, value in enumerate(values):
        up = max(0.0, up + value - target - slack)
        down = max(0.0, down + target - slack - value)
        high[t], low[t] = up, down
    out = np.flatnonzero(np.maximum(high, low) > limit)
    if not len(out):
        return Cusum(high, low, -1, -1)
    first = int(out[0])
    path = high if high[first] > limit else low
    at_nought = np.flatnonzero(path[: first + 1] == 0.0)
    return Cusum(high, low, first, int(at_nought[-1]) + 1 if len(at_nought) else 0)


def chart_drift(readings: pd.DataFrame) -> pd.DataFrame:
    """Charts of every instrument, a row a reading.

    Parameters
    ----------
    readings
        Right readings: instrument_id, reading_id, read_at, relative_error (of time, offset taken off, the
        instrument's scale left in) and standard_error of it.

    Returns
    -------
    DataFrame
        Rows of marts.drift_chart, in order of instrument and time.

    Checked by: tests/unit/test_locating_drift.py
    """
    parts = []
    for _, own in readings.sort_values(["instrument_id", "read_at", "reading_id"]).groupby("instrument_id", sort=True):
        if len(own) < ENOUGH:
            continue
        score = np.clip((own["relative_error"] / own["standard_error"]).to_numpy(float), -WINSOR, WINSOR)
        ewma = weigh_exponentially(score, EWMA_WEIGHT, 0.0)
        limit = ewma_limits(len(score), EWMA_WEIGHT, EWMA_LIMIT)
        cusum = sum_cumulatively(score, 0.0, CUSUM_SLACK, CUSUM_LIMIT)
        parts.append(
            own[["instrument_id", "reading_id", "read_at"]].assign(
                error_pct=100.0 * own["relative_error"],
                standardised_error=score,
                ewma=ewma,
                ewma_limit=limit,
                cusum_high=cusum.high,
                cusum_low=cusum.low,
                is_out=(np.abs(ewma) > limit) | (np.maximum(cusum.high, cusum.low) > CUSUM_LIMIT),
            )
        )
    columns = [
        "instrument_id",
        "reading_id",
        "read_at",
        "error_pct",
        "standardised_error",
        "ewma",
        "ewma_limit",
        "cusum_high",
        "cusum_low",
        "is_out",
    ]
    return pd.concat(parts, ignore_index=True)[columns] if parts else pd.DataFrame(columns=columns)


def describe_drift(chart: pd.DataFrame, readings: pd.DataFrame, calibrated: pd.Series, coverage: float) -> pd.DataFrame:
    """When each instrument first went out of control, since when, and how fast it has moved since.

    Parameters
    ----------
    chart
        Rows of marts.drift_chart.
    readings
        As for chart_drift.
    calibrated
        Day of the last calibration on record, by instrument.
    coverage
        Two-sided level of the limits of the drift.

    Returns
    -------
    DataFrame
        Rows of marts.instrument_drift.

    Notes
    -----
    Drifting: both charts have gone out and the hinge (fit_hinge) is not chance.

    Checked by: tests/unit/test_locating_drift.py
    """
    facts = readings.set_index("reading_id")
    rows = []
    for instrument, own in chart.groupby("instrument_id", sort=True):
        score = own["standardised_error"].to_numpy(float)
        cusum = sum_cumulatively(score, 0.0, CUSUM_SLACK, CUSUM_LIMIT)
        ewma_out = np.flatnonzero(own["ewma"].abs().to_numpy() > own["ewma_limit"].to_numpy())
        at = own["read_at"].to_numpy()
        years = (own["read_at"] - own["read_at"].iloc[0]).dt.total_seconds().to_numpy() / (DAYS_PER_YEAR * 86400.0)
        error = facts["standard_error"].reindex(list(own["reading_id"])).to_numpy(float)
        hinge = fit_hinge(years, score * error, error, coverage)
        rows.append(
            {
                "instrument_id": instrument,
                "readings": len(own),
                "is_drifting": bool(len(ewma_out)) and cusum.first_out >= 0 and hinge.is_real,
                "ewma_out_at": at[ewma_out[0]] if len(ewma_out) else None,
                "cusum_out_at": at[cusum.first_out] if cusum.first_out >= 0 else None,
                "drift_from_at": at[hinge.place] if hinge.is_real else None,
                "drift_pct_per_year": 100.0 * hinge.slope,
                "drift_lo": 100.0 * hinge.slope_lo,
                "drift_hi": 100.0 * hinge.slope_hi,
                "last_ewma_pct": float(own["ewma"].iloc[-1]) * 100.0 * float(np.median(error)),
                "last_calibrated_on": calibrated.get(instrument),
            }
        )
    frame = pd.DataFrame(
        rows,
        columns=[
            "instrument_id",
            "readings",
            "is_drifting",
            "ewma_out_at",
            "cusum_out_at",
            "drift_from_at",
            "drift_pct_per_year",
            "drift_lo",
            "drift_hi",
            "last_ewma_pct",
            "last_calibrated_on",
        ],
    )
    return frame.astype(dict.fromkeys(("ewma_out_at", "cusum_out_at", "drift_from_at"), "datetime64[us, UTC]"))


@dataclass(frozen=True)
class Hinge:
    """Level up to a reading, then a straight drift: its place, slope a year with limits, whether it is no chance."""

    place: int
    slope: float
    slope_lo: float
    slope_hi: float
    is_real: bool


def fit_hinge(years: Floats, error: Floats, standard_error: Floats, coverage: float) -> Hinge:
    """Best start of a linear drift, by weighted least squares over moments spread evenly over the readings.

    Parameters
    ----------
    years
        Time of each reading in years, in order.
    error, standard_error
        Relative error and its standard error.
    coverage
        Two-sided level of the limits of the slope, given the start.

    Notes
    -----
    The start was searched for, so the drift counts as real only at (1 - level) over the number of moments tried
    (Bonferroni).

    Checked by: tests/unit/test_locating_drift.py
    """
    from scipy.special import stdtr, stdtrit

    n, best = len(years), None
    for place in np.unique((np.arange(HINGES) * 0.85 * n / HINGES).astype(int)):
        x = np.column_stack([np.ones(n), np.maximum(years - years[place], 0.0)]) / standard_error[:, None]
        if x[:, 1].any():
            inverse = np.linalg.inv(x.T @ x)
            found = inverse @ (x.T @ (error / standard_error))
            misfit = float(np.sum((error / standard_error - x @ found) ** 2))
            if best is None or misfit < best[0]:
                best = (misfit, int(place), float(found[1]), float(np.sqrt(inverse[1, 1])))
    if best is None:
        return Hinge(0, float("nan"), float("nan"), float("nan"), False)
    misfit, place, slope, se = best
    se *= max(1.0, float(np.sqrt(misfit / (n - 2))))
    reach = float(stdtrit(n - 2, 0.5 + coverage / 2.0)) * se
    chance = 2.0 * float(stdtr(n - 2, -abs(slope) / se)) * HINGES
    return Hinge(place, slope, slope - reach, slope + reach, chance < 1.0 - coverage)
