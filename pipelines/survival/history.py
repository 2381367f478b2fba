"""What is known of a fleet at a date: sections with their time observed, and their failures."""

from __future__ import annotations

import dataclasses
import datetime as dt
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, TypeVar

import numpy as np
import pandas as pd

from pipelines.survival.integer_codes import KIND, code_kinds, number_levels
from shared.arrays import Floats, Integers
from shared.units import DAYS_PER_YEAR

T = TypeVar("T")


@dataclass(frozen=True)
class FailureHistory:
    """A fleet and its failures as known on a day.

    sections: columns of core.section_exposure. failures: columns of core.failures; used are those counted, those of
    sections without a date, and those known by loop alone.
    """

    sections: pd.DataFrame
    failures: pd.DataFrame
    as_of: dt.date

    def keep(self, make: Callable[[FailureHistory], T]) -> T:
        """What make gives of this history, made once; frames of a history are never changed in place."""
        kept: dict[Callable[..., Any], Any] = self.__dict__.setdefault("_kept", {})
        if make in kept:
            found: T = kept[make]
            return found
        made = make(self)
        if made is not self:  # one that kept itself would wait for the collector of cycles
            kept[make] = made
        return made


def code_names(history: FailureHistory) -> FailureHistory:
    """The same history with numbers beside the names: names sort and join slowly, numbers fast.

    Parameters
    ----------
    history
        As read; one that has the numbers comes back as it is.

    Returns
    -------
    FailureHistory
        sections with section_code, half_code, loop_code (places of section_id, half_loop_id and loop_id in the order of
        the names) and kind_code (codes.code_kinds); failures with section_code, -1 where the section is not in the
        register. Sections are in the order of loop, half-loop and section, failures in the order of their jobs.

    Notes
    -----
    Checked by: tests/unit/test_survival_model.py
    """
    if "section_code" in history.sections.columns:
        return history
    sections, failures = history.sections, history.failures
    codes = {
        name: number_levels(sections[of])
        for name, of in (("section_code", "section_id"), ("half_code", "half_loop_id"), ("loop_code", "loop_id"))
        if of in sections.columns
    }
    place = pd.Index(sections["section_id"]).get_indexer(failures["section_id"])
    own = np.where(place >= 0, codes["section_code"][place], -1) if len(sections) else place
    if set(KIND) <= set(sections.columns):
        codes["kind_code"] = code_kinds(sections)
    order = np.lexsort([codes[name] for name in ("section_code", "half_code", "loop_code") if name in codes])
    coded = sections.assign(**codes).iloc[order].reset_index(drop=True)
    jobs = failures.assign(section_code=own)
    if "job_id" in jobs.columns and not jobs["job_id"].is_monotonic_increasing:
        jobs = jobs.sort_values("job_id")
    return dataclasses.replace(history, sections=coded, failures=jobs)


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
    history = history.keep(code_names)
    sections = history.sections
    begins = "in_service_from" if "in_service_from" in sections.columns else "installed_on"
    sections = sections[~(pd.to_datetime(sections[begins]) > day)]
    for column in ("retired_on", "rejuvenated_on"):
        dates = pd.to_datetime(sections[column])
        sections = sections.assign(**{column: dates.where(dates <= day)})
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
    """Years between dates; missing where either is."""
    days = (later - earlier).dt.days.to_numpy(dtype=np.float64, na_value=np.nan)
    return np.asarray(days / DAYS_PER_YEAR)


def no_later_than(dates: pd.Series, day: pd.Timestamp) -> pd.Series:
    """Dates, or the day where they are later; missing stays missing."""
    moments = pd.to_datetime(dates)
    return moments.where(~(moments > day), day)


def counts_as_failure(failures: pd.DataFrame) -> pd.Series:
    """Failures of the cable on a known section; a section without a date can be picked and fail like any other."""
    return failures["is_counted"].astype(bool) | failures["why_not"].eq("undated_section")


def list_own_failures(history: FailureHistory) -> pd.DataFrame:
    """Failures of the cable on a known section: section_code, failed_on, closed_on (failed_on where it is missing)."""
    failures = history.failures
    own = failures[counts_as_failure(failures) & failures["section_code"].ge(0)]
    failed_on = pd.to_datetime(own["failed_on"])
    return pd.DataFrame(
        {
            "section_code": own["section_code"],
            "failed_on": failed_on,
            "closed_on": pd.to_datetime(own["closed_on"]).fillna(failed_on),
        }
    )


def list_loop_failures(history: FailureHistory) -> pd.DataFrame:
    """Failures of which only the loop is known: loop_code (-1 where no section lies on it), failed_on."""
    alone = history.failures[history.failures["why_not"].eq("loop_only")]
    sections = history.sections
    loops = sections.loc[~sections["loop_code"].duplicated(), ["loop_id", "loop_code"]]
    found = pd.Index(loops["loop_id"]).get_indexer(pd.Index(alone["loop_id"]))
    return pd.DataFrame(
        {
            "loop_code": np.where(found >= 0, loops["loop_code"].to_numpy()[found], -1),
            "failed_on": pd.to_datetime(alone["failed_on"]).to_numpy(),
        }
    )


def share_over_loops(struck: Integers, loop: Integers, expected: Floats) -> Floats:
    """Failures known by loop alone, shared over the loop's sections by what was expected of each.

    Parameters
    ----------
    struck
        loop_code of each such failure; -1 for a loop without sections.
    loop, expected
        loop_code of each section, and the failures expected of it.

    Notes
    -----
    The forecast counts these failures too. Those of a loop from which nothing is expected are not shared.

    Checked by: tests/unit/test_evaluation_backtest.py (through run_backtest),
    tests/unit/test_evaluation_forecast_score.py (through score_forecast)
    """
    size = int(max(loop.max(initial=-1), struck.max(initial=-1))) + 1
    total = np.bincount(loop, expected, size)[loop]
    share = np.divide(expected, total, out=np.zeros(len(total)), where=total > 0)
    return np.asarray(np.bincount(struck[struck >= 0], minlength=size)[loop] * share)


def find_rows(history: FailureHistory) -> Integers:
    """Row of the history's sections by section_code."""
    return np.argsort(history.sections["section_code"].to_numpy(dtype=np.int64))
