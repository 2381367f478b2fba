"""The fit as of a day: season and movement of the instruments taken off, what is left fitted as it stands that day."""

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from pipelines.locating.effects import Effects, describe_effects
from pipelines.locating.instrument_levels import Levels, expected_time, fit_levels, take_movement_off
from pipelines.locating.readings import Readings
from pipelines.locating.season import fit_season, season_errors, season_shift, take_season_off
from pipelines.locating.velocity import VelocityFit, fit_velocity
from shared.arrays import Floats
from shared.units import DAYS_PER_YEAR

ROUNDS = 2
"""Times that movement is fitted to what the line leaves and the line to what movement leaves."""


@dataclass(frozen=True)
class FitAsOf:
    """A fit as of a day.

    Parameters
    ----------
    calm
        The readings as they came, the season taken off where the data carry one.
    years
        Years of each after the as-of day, shape (n,).
    season
        Rows of marts.season.
    levels
        How the instruments moved.
    fit
        Fitted to calm readings with the movement taken off: its instruments stand as on the as-of day.
    effects
        The same in the form that corrects a reading.
    """

    calm: Readings
    years: Floats
    season: pd.DataFrame
    levels: Levels
    fit: VelocityFit
    effects: Effects


def years_after(read_at: pd.Series, as_of: pd.Timestamp) -> Floats:
    """Years from a moment to each reading, shape (n,); missing where the reading has no moment."""
    return np.asarray((read_at - as_of).dt.total_seconds().to_numpy(float) / (DAYS_PER_YEAR * 86_400.0))


def fit_as_of(
    readings: Readings,
    facts: pd.DataFrame,
    as_of: pd.Timestamp,
    calibrated: pd.Series,
    terminal_tails: pd.Series,
    *,
    tails_recorded: bool,
    usual_tail_m: float,
    coverage: float,
) -> FitAsOf:
    """Fit readings made before a day, as of that day.

    Parameters
    ----------
    readings
        As they came, all before the day.
    facts
        read_at and insulation of every reading, in the same order.
    calibrated
        Day of the last calibration, by instrument; one after the as-of day is not known yet.
    terminal_tails
        Tails of the terminals on record, metres.
    usual_tail_m
        Tail at the terminal tested from before anything is read, where tails are not recorded, metres.
    coverage
        Two-sided level at which a season counts as carried.

    Checked by: tests/unit/test_locating_as_of.py
    """

    def fitted(to: Readings) -> VelocityFit:
        return fit_velocity(to, tails_recorded=tails_recorded, usual_tail_m=usual_tail_m)

    fit = fitted(readings)
    season = fit_season(season_errors(fit, facts), coverage)
    calm = take_season_off(readings, season_shift(season, facts["insulation"], facts["read_at"]))
    years = years_after(facts["read_at"], as_of)
    stamps = pd.to_datetime(pd.Series([calibrated.get(name) for name in readings.instruments], dtype=object), utc=True)
    calibrated_years = years_after(stamps, as_of)
    for _ in range(ROUNDS):
        levels = fit_levels(fit, calm.time_m, years, calibrated_years)
        fit = replace(fitted(take_movement_off(calm, expected_time(fit), levels, years)), moved=levels.moved[:, :2, :2])
    return FitAsOf(calm, years, season, levels, fit, describe_effects(fit, levels, terminal_tails))
