"""What is known of a fleet at a date: sections with their time in view, and their failures."""

from __future__ import annotations

import dataclasses
import datetime as dt
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

Floats = NDArray[np.float64]

DAYS_PER_YEAR = 365.25


@dataclass(frozen=True)
class FailureHistory:
    """A fleet and its failures as known on a day.

    sections: columns of core.section_exposure. failures: columns of core.failures; used are those counted, those of
    sections without a date, and those known by loop alone.
    """

    sections: pd.DataFrame
    failures: pd.DataFrame
    as_of: dt.date


def known_at(history: FailureHistory, origin: dt.date) -> FailureHistory:
    """What was known on an earlier day: no later installation, retirement, injection, report or closing.

    Parameters
    ----------
    history
        What is known now.
    origin
        The earlier day; it becomes the as-of date.

    Returns
    -------
    FailureHistory
        Sections installed by then (those without a date stay), later retirements forgotten, failures reported and
        closed by then. A failure whose closing is not on record counts as closed when reported.

    Notes
    -----
    Checked by: tests/unit/test_survival_model.py
    """
    day = pd.Timestamp(origin)
    sections = history.sections
    sections = sections[~(pd.to_datetime(sections["installed_on"]) > day)].copy()
    for column in ("retired_on", "rejuvenated_on"):
        dates = pd.to_datetime(sections[column])
        sections[column] = dates.where(dates <= day)
    view_from = pd.to_datetime(sections["in_view_from"])
    view_from = view_from.where(view_from <= day)
    view_to = no_later_than(sections["in_view_to"], day).where(view_from.notna())
    sections["in_view_from"], sections["in_view_to"] = view_from, view_to
    sections["exposure_years"] = ((view_to - view_from).dt.days / DAYS_PER_YEAR).fillna(0.0)
    sections["exposure_km_years"] = sections["length_km"] * sections["exposure_years"]
    failures = history.failures
    reported = pd.to_datetime(failures["failed_on"])
    closed = pd.to_datetime(failures["closed_on"]).fillna(reported)
    known = failures[(reported <= day) & (closed <= day)]
    return dataclasses.replace(history, sections=sections, failures=known, as_of=origin)


def years_between(earlier: pd.Series, later: pd.Series | pd.Timestamp) -> Floats:
    """Years of 365.25 days between dates; missing where either is."""
    days = (later - earlier).dt.days.to_numpy(dtype=np.float64, na_value=np.nan)
    return np.asarray(days / DAYS_PER_YEAR)


def no_later_than(dates: pd.Series, day: pd.Timestamp) -> pd.Series:
    """Dates, or the day where they are later; missing stays missing."""
    moments = pd.to_datetime(dates)
    return moments.where(~(moments > day), day)
