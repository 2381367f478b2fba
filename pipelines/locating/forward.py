"""The windows in forward order: each dig foreseen by a fit to the readings before it."""

from __future__ import annotations

import itertools

import numpy as np
import pandas as pd

from pipelines.locating import line, mixed_model
from pipelines.locating.readings import Readings, keep_readings
from pipelines.locating.season import fit_season, season_errors, season_shift, take_season_off
from pipelines.locating.velocity import VelocityFit, fit_velocity
from shared.arrays import Floats

ORIGINS = 5
"""Times the fit is made anew, with equally many digs between them."""
ENOUGH = 50
"""Digs before the first origin."""
COLUMNS = ("reading_id", "origin_at", "forward_error_m", "forward_se_m", "freedom", "wrong_share")


def foresee_digs(readings: Readings, facts: pd.DataFrame, coverage: float, *, tails_recorded: bool) -> pd.DataFrame:
    """Error and standard error of each later dig, foreseen from the readings before its origin.

    Parameters
    ----------
    readings
        As they came, the season in them.
    facts
        read_at and insulation of every reading, in the same order.
    coverage
        Two-sided level at which a season counts as carried.

    Returns
    -------
    DataFrame
        COLUMNS, a row a dig after the first origin; empty where there are too few. Errors are along the route. Freedom
        and share of gross errors are those of the fit at the origin, for the parametric quantile.

    Notes
    -----
    The digs in order of time are cut into ORIGINS + 1 parts of equal number. At the start of each part but the first
    everything is fitted anew, season and all, to the readings of every kind before it.

    Checked by: tests/unit/test_locating_forward.py
    """
    read_at = facts["read_at"]
    dug = np.flatnonzero(readings.is_dug & read_at.notna().to_numpy())
    dug = dug[np.lexsort((readings.reading_id[dug], read_at.to_numpy()[dug]))]
    cuts = np.linspace(0, len(dug), ORIGINS + 2).astype(int)
    if cuts[1] < ENOUGH:
        return pd.DataFrame(columns=list(COLUMNS))
    parts = []
    for start, end in itertools.pairwise(cuts[1:]):
        origin = read_at.iloc[dug[start]]
        before = (read_at < origin).to_numpy()
        fit = fit_velocity(keep_readings(readings, before), tails_recorded=tails_recorded)
        season = fit_season(season_errors(fit, facts[before]), coverage)
        ahead = np.zeros(len(readings), dtype=bool)
        ahead[dug[start:end]] = True
        shift = season_shift(season, facts.loc[ahead, "insulation"], facts.loc[ahead, "read_at"])
        later = take_season_off(keep_readings(readings, ahead), shift)
        error, se = _foresee(fit, later)
        parts.append(
            pd.DataFrame(
                {
                    "reading_id": later.reading_id,
                    "origin_at": origin,
                    "forward_error_m": error,
                    "forward_se_m": se,
                    "freedom": fit.freedom,
                    "wrong_share": fit.noise.wrong_share,
                }
            )
        )
    return pd.concat(parts, ignore_index=True)


def _foresee(fit: VelocityFit, later: Readings) -> tuple[Floats, Floats]:
    """Error along the route of readings that the fit has not seen, and its standard error."""
    state = fit.state
    residual = later.time_m - line.line(later, state)
    best = fit.points[int(np.argmax(fit.weights))]
    flat = np.zeros_like(best.fixed)
    design = line.linearise(later, state, residual, later.length_m, flat, flat)
    unseen = (float(fit.weights @ fit.scale_sd), float(fit.weights @ fit.zero_sd))
    variance = line.reading_variance(later, fit.noise, design.scale, fit.factor, *unseen)
    variance = variance + mixed_model.row_variance(best, design)
    slowness = line.cable_time(later, state) / later.length_m
    along = slowness * (1.0 + state.slack)
    return residual / along, np.sqrt(variance) / along
