"""Has an instrument drifted: EWMA and CUSUM charts of its readings in time."""

import datetime as dt
from dataclasses import dataclass

import numpy as np
import pandas as pd

from pipelines.locating.as_of import FitAsOf
from pipelines.locating.instrument_levels import ENOUGH
from pipelines.locating.verdicts import check_distances, tolerated_error
from shared import dictionary
from shared.arrays import Floats
from shared.settings import Settings
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
    return dictionary.stack_frames("marts.drift_chart", parts)


def describe_drift(
    chart: pd.DataFrame, found: FitAsOf, as_of: pd.Timestamp, calibrated: pd.Series, settings: Settings
) -> pd.DataFrame:
    """Whether each instrument has moved, since when, how fast it drifts, and when it left the tolerance.

    Parameters
    ----------
    chart
        Rows of marts.drift_chart.
    found
        The fit as of the day.
    calibrated
        Day of the last calibration on record, by instrument.

    Returns
    -------
    DataFrame
        Rows of marts.instrument_drift. The verdict rests on the evidence of fit_levels; the charts are shown beside it.

    Checked by: tests/unit/test_locating_drift.py
    """
    levels, limits = found.levels, found.fit.quantile(settings.general.interval_coverage)
    verdicts = levels.verdict(limits, settings.locating.tolerance_pct / 100.0)
    code = {name: i for i, name in enumerate(found.fit.readings.instruments)}
    left_on = leave_tolerance(found, as_of, settings)
    rows = []
    for instrument, own in chart.groupby("instrument_id", sort=True):
        g, score, at = code[str(instrument)], own["standardised_error"].to_numpy(float), own["read_at"].to_numpy()
        cusum = sum_cumulatively(score, 0.0, CUSUM_SLACK, CUSUM_LIMIT)
        ewma_out = np.flatnonzero(own["ewma"].abs().to_numpy() > own["ewma_limit"].to_numpy())
        is_moving = verdicts[g] in ("drifting", "stepped")
        rate, reach = levels.rate[g], limits * float(np.sqrt(levels.moved[g, 2, 2]))
        rows.append(
            {
                "instrument_id": instrument,
                "readings": len(own),
                "is_drifting": verdicts[g] == "drifting",
                "drift_verdict": verdicts[g],
                "drift_evidence": levels.evidence[g],
                "ewma_out_at": at[ewma_out[0]] if len(ewma_out) else None,
                "cusum_out_at": at[cusum.first_out] if cusum.first_out >= 0 else None,
                "drift_from_at": day_after(as_of, levels.started_years[g]) if is_moving else None,
                "drift_pct_per_year": 100.0 * rate,
                "drift_lo": 100.0 * (rate - reach),
                "drift_hi": 100.0 * (rate + reach),
                "last_ewma_pct": float(own["ewma"].iloc[-1] * (own["error_pct"] / own["standardised_error"]).median()),
                "last_calibrated_on": calibrated.get(instrument),
                "in_tolerance_until_on": left_on[g],
            }
        )
    frame = dictionary.make_frame("marts.instrument_drift", rows)
    return frame.astype(dict.fromkeys(("ewma_out_at", "cusum_out_at", "drift_from_at"), "datetime64[us, UTC]"))


def day_after(as_of: pd.Timestamp, years: float) -> pd.Timestamp:
    """The moment some years after (negative: before) a day."""
    return (as_of + pd.Timedelta(days=years * DAYS_PER_YEAR)).round("s")


def leave_tolerance(found: FitAsOf, as_of: pd.Timestamp, settings: Settings) -> list[dt.date | None]:
    """Last day on which each instrument's own error was within tolerance; none: it still is, or never was.

    Its estimated scale and time zero of each month, the setting right, against the tolerance over the distances dug.
    """
    fit, levels = found.fit, found.levels
    distance = check_distances(fit.readings.length_m[fit.readings.is_dug], settings.locating)
    tolerance = tolerated_error(distance, settings.locating)
    days: list[dt.date | None] = []
    for g in range(len(fit.readings.instruments)):
        error = (fit.state.scale[g] + levels.scale[g])[:, None] * distance
        error = error + (fit.state.zero_m[g] + levels.zero_m[g])[:, None] / float(fit.state.slowness.mean())
        inside = np.flatnonzero((np.abs(error) <= tolerance).all(axis=1))
        is_past = len(inside) and inside[-1] < len(error) - 1
        days.append(day_after(as_of, levels.at_years[g, inside[-1]]).date() if is_past else None)
    return days


def describe_levels(found: FitAsOf, as_of: pd.Timestamp, settings: Settings) -> pd.DataFrame:
    """Scale and offset of each instrument in time.

    Returns
    -------
    DataFrame
        Rows of marts.instrument_levels. Limits: those of its mean over the readings and of its movement about it.

    Checked by: tests/unit/test_locating_drift.py
    """
    fit, levels = found.fit, found.levels
    limits = fit.quantile(settings.general.interval_coverage)
    slowness = float(fit.state.slowness.mean())
    own = fit.effect_covariance()[1] - fit.moved
    parts = []
    for g, name in enumerate(fit.readings.instruments):
        scale = 100.0 * (fit.state.scale[g] + levels.scale[g])
        offset = (fit.state.zero_m[g] + levels.zero_m[g]) / slowness
        reach = limits * np.sqrt(np.diag(own[g]) + levels.sd[g] ** 2)
        frame = pd.DataFrame(
            {
                "instrument_id": name,
                "level_on": [day_after(as_of, years).date() for years in levels.at_years[g]],
                "scale_error_pct": scale,
                "scale_error_lo": scale - 100.0 * reach[:, 0],
                "scale_error_hi": scale + 100.0 * reach[:, 0],
                "offset_m": offset,
                "offset_lo": offset - reach[:, 1] / slowness,
                "offset_hi": offset + reach[:, 1] / slowness,
            }
        )
        parts.append(frame.drop_duplicates("level_on", keep="last"))
    return pd.concat(parts, ignore_index=True) if parts else pd.DataFrame()
