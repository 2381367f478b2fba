"""The season in the readings: how large it is, and readings with it taken off."""

from dataclasses import replace

import numpy as np
import pandas as pd

from pipelines.locating.line import cable_time
from pipelines.locating.readings import Readings
from pipelines.locating.velocity import VelocityFit
from shared import dictionary
from shared.arrays import Floats
from shared.units import DAYS_PER_YEAR

ENOUGH = 48
"""Readings of an insulation below which no season is fitted."""


def season_errors(fit: VelocityFit, facts: pd.DataFrame) -> pd.DataFrame:
    """Relative error of each right reading, left out of the fit, with its moment and insulation.

    Parameters
    ----------
    facts
        read_at and insulation of every reading of the fit, in its order.
    """
    time = cable_time(fit.readings, fit.state)
    return facts.assign(
        relative_error=fit.residual_m / (1.0 - fit.leverage) / time, standard_error=fit.variance_m2**0.5 / time
    )[fit.right > 0.5].dropna(subset=["read_at"])


def fit_season(readings: pd.DataFrame, coverage: float) -> pd.DataFrame:
    """Yearly swing of the relative error, by insulation.

    Parameters
    ----------
    readings
        Right readings: insulation, read_at, relative_error, standard_error.
    coverage
        Two-sided level of the limits of the swing.

    Returns
    -------
    DataFrame
        Rows of marts.season. season_pct is half the swing from trough to peak; is_carried says whether the data show
        one: an F-test of the two terms at 1 - level, on readings from at least three quarters of the year.

    Notes
    -----
    Weighted regression on cosine and sine of the day of the year. Warm soil makes extruded insulation faster, so it
    reads short in late summer; paper-insulated cable is the other way round (common practice, no source).

    Checked by: tests/unit/test_locating_season.py
    """
    from scipy.special import fdtrc
    from scipy.stats import chi

    rows = []
    for insulation, own in readings.groupby("insulation", sort=True):
        angle = own["read_at"].dt.day_of_year.to_numpy(float) * 2.0 * np.pi / DAYS_PER_YEAR
        quarters = own["read_at"].dt.quarter.nunique()
        if len(own) < ENOUGH or quarters < 3:
            continue
        weight = own["standard_error"].to_numpy(float) ** -2
        x = np.column_stack([np.ones(len(own)), np.cos(angle), np.sin(angle)])
        inverse = np.linalg.inv(x.T @ (x * weight[:, None]))
        y = own["relative_error"].to_numpy(float)
        found = inverse @ (x.T @ (weight * y))
        free = len(own) - 3
        scale = float(weight @ (y - x @ found) ** 2) / free
        swing = inverse[1:, 1:] * scale
        statistic = float(found[1:] @ np.linalg.solve(swing, found[1:])) / 2.0
        size = float(np.hypot(found[1], found[2]))
        reach = float(chi.ppf(coverage, 2)) * float(np.sqrt(np.trace(swing) / 2.0))
        rows.append(
            {
                "insulation": insulation,
                "readings": len(own),
                "season_pct": 100.0 * size,
                "season_lo": 100.0 * max(size - reach, 0.0),
                "season_hi": 100.0 * (size + reach),
                "reads_longest_day": round(float(np.arctan2(found[2], found[1])) / (2.0 * np.pi) * DAYS_PER_YEAR) % 365
                + 1,
                "season_p_value": float(fdtrc(2.0, float(free), statistic)),
                "is_carried": float(fdtrc(2.0, float(free), statistic)) < 1.0 - coverage,
            }
        )
    return dictionary.make_frame("marts.season", rows)


def season_shift(season: pd.DataFrame, insulation: pd.Series, read_at: pd.Series) -> Floats:
    """Share by which readings are long at their moment, shape (n,); none where the data carry no season.

    Parameters
    ----------
    season
        Rows of marts.season.

    Notes
    -----
    season_pct x cos(2 pi (day - reads_longest_day) / 365.25), for the insulations whose season is carried.

    Checked by: tests/unit/test_locating_season.py
    """
    carried = season[season["is_carried"].astype(bool)].set_index("insulation")
    size = insulation.map(carried["season_pct"].astype(float)).fillna(0.0).to_numpy(float) / 100.0
    longest = insulation.map(carried["reads_longest_day"].astype(float)).fillna(1.0).to_numpy(float)
    day = read_at.dt.day_of_year.to_numpy(float)
    return np.where(np.isfinite(day), size * np.cos(2.0 * np.pi * (day - longest) / DAYS_PER_YEAR), 0.0)


def take_season_off(readings: Readings, shift: Floats) -> Readings:
    """The readings as they would be in a mean season."""
    return replace(readings, time_m=readings.time_m / (1.0 + shift))
