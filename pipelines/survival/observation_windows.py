"""Ages between which each section was observed, and ages at its failures, from a failure history."""

import dataclasses
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from pipelines.survival.history import FailureHistory, code_names, counts_as_failure, no_later_than, years_between
from pipelines.survival.missing_dates import spread_dates
from shared.arrays import Booleans, Floats, Integers

EVENT_FIELDS = ("event_window", "event_age_years", "event_weight", "event_on")
"""What Windows holds of failures, one entry a failure and window."""


@dataclass(frozen=True)
class Windows:
    """Sections sorted by loop, half-loop and id, with their windows; a section without a date has several.

    sections: one row a section. owner: section of each window. weight: share of the section the window stands for.
    entry_years, exit_years: ages in view (equal where never in view). age_now: age at the as-of date. treated_years:
    age at which it was injected, infinite where it was not. times: how many times its neighbours the cable of its year
    of installation fails (installation_years); 1 before that is asked.
    event_owner, event_window, event_age_years, event_weight, event_on: one entry a failure and window.
    """

    sections: pd.DataFrame
    as_of: pd.Timestamp
    owner: Integers
    weight: Floats
    entry_years: Floats
    exit_years: Floats
    age_now: Floats
    treated_years: Floats
    event_window: Integers
    event_age_years: Floats
    event_weight: Floats
    event_on: NDArray[np.datetime64]
    times: Floats | float = 1.0

    @cached_property
    def km(self) -> Floats:
        """Kilometres each window stands for; cable of a bad year as so many times its length."""
        length = self.sections["length_km"].to_numpy(dtype=np.float64)[self.owner]
        return np.asarray(length * self.weight * self.times)

    @cached_property
    def in_service(self) -> Booleans:
        """Sections that stay in service after the as-of date; one taken out on that day has no future to forecast."""
        retired = pd.to_datetime(self.sections["retired_on"])
        return np.asarray(~(retired <= self.as_of))

    def sum_by_section(self, values: Floats, windows: Integers | None = None) -> Floats:
        """Sum of values (one a window, or one an entry of windows) by section."""
        owner = self.owner if windows is None else self.owner[windows]
        return np.bincount(owner, weights=values, minlength=len(self.sections)).astype(np.float64)


def build_windows(history: FailureHistory) -> Windows:
    """Windows of age of a history.

    Parameters
    ----------
    history
        Sections and failures as known at its as-of date.

    Returns
    -------
    Windows
        Failures known by loop alone are not in it (share_loop_failures adds them).

    Notes
    -----
    Checked by: tests/unit/test_survival_model.py
    """
    as_of = pd.Timestamp(history.as_of)
    history = history.keep(code_names)
    sections = history.sections
    installed = pd.to_datetime(sections["installed_on"])
    sections = sections[~(sections["is_installed_on_known"].astype(bool) & (installed > as_of))].reset_index(drop=True)
    failures = _own_failures(history.failures, sections["section_code"].to_numpy())
    undated = failures[~sections["is_installed_on_known"].to_numpy(dtype=bool)[failures["row"]]]
    first = undated.groupby("row")["failed_on"].min().reindex(range(len(sections)))
    spread = spread_dates(sections, first, as_of)
    owner = spread["row"].to_numpy(dtype=np.int64)
    installed = spread["installed_on"]
    recorded = pd.to_datetime(sections["recorded_from"]).iloc[owner].reset_index(drop=True)
    retired = no_later_than(sections["retired_on"], as_of).fillna(as_of)
    leaves = retired.iloc[owner].reset_index(drop=True)
    entry = np.maximum(years_between(installed, recorded), 0.0)
    leave = np.maximum(years_between(installed, leaves), 0.0)
    injected = pd.to_datetime(sections["rejuvenated_on"])
    injected = injected.where(injected <= as_of)
    treated = years_between(installed, injected.iloc[owner].reset_index(drop=True))
    events = _meet_windows(failures, spread)
    age = years_between(events["installed_on"], events["failed_on"])
    return Windows(
        sections=sections,
        as_of=as_of,
        owner=owner,
        weight=spread["weight"].to_numpy(dtype=np.float64),
        entry_years=np.minimum(entry, leave),
        exit_years=leave,
        age_now=np.maximum(years_between(installed, as_of), 0.0),
        treated_years=np.where(np.isnan(treated), np.inf, np.maximum(treated, 0.0)),
        event_window=events["window"].to_numpy(dtype=np.int64),
        event_age_years=np.maximum(age, 0.0),
        event_weight=events["weight"].to_numpy(dtype=np.float64),
        event_on=events["failed_on"].to_numpy(),
    )


def _own_failures(failures: pd.DataFrame, section_codes: Integers) -> pd.DataFrame:
    """Failures of the sections of these codes in the order of their jobs, with the row of each."""
    row_of = np.full(int(section_codes.max(initial=-1)) + 2, -1)  # the last stands for sections out of the register
    row_of[section_codes] = np.arange(len(section_codes))
    row = row_of[np.minimum(failures["section_code"].to_numpy(dtype=np.int64), len(row_of) - 1)]
    used = counts_as_failure(failures).to_numpy(dtype=bool) & (row >= 0)
    return pd.DataFrame({"row": row[used], "failed_on": pd.to_datetime(failures["failed_on"])[used].to_numpy()})


def _meet_windows(failures: pd.DataFrame, spread: pd.DataFrame) -> pd.DataFrame:
    """One row a failure and window of its section: window, installed_on, failed_on, weight."""
    owner, row = spread["row"].to_numpy(dtype=np.int64), failures["row"].to_numpy(dtype=np.int64)
    each = np.bincount(owner, minlength=int(row.max(initial=-1)) + 1)  # owners never fall: no search is needed
    first, count = (np.cumsum(each) - each)[row], each[row]
    failure = np.repeat(np.arange(len(row)), count)
    window = np.arange(len(failure)) - np.repeat(np.cumsum(count) - count, count) + first[failure]
    return pd.DataFrame(
        {
            "window": window,
            "installed_on": spread["installed_on"].to_numpy()[window],
            "failed_on": failures["failed_on"].to_numpy()[failure],
            "weight": spread["weight"].to_numpy()[window],
        }
    )


def keep_events(windows: Windows, kept: Booleans) -> Windows:
    """The same windows with some of their failures alone: kept is one an entry of event_window."""
    return dataclasses.replace(windows, **{name: getattr(windows, name)[kept] for name in EVENT_FIELDS})


def leave_out(windows: Windows, left: Booleans) -> Windows:
    """The same sections with nothing seen of some windows, so that codes of windows stay."""
    entry = np.where(left, windows.exit_years, windows.entry_years)
    return dataclasses.replace(keep_events(windows, ~left[windows.event_window]), entry_years=entry)


def loop_only_failures(history: FailureHistory, windows: Windows) -> tuple[Integers, Integers, Floats]:
    """Which windows each failure known by loop alone may belong to.

    Returns
    -------
    failure, window, age_years
        One entry a failure and candidate window: cable of the loop in view that day. The failure is a running number.

    Notes
    -----
    Checked by: tests/unit/test_survival_model.py (through fit_failure_model)
    """
    alone = history.failures[history.failures["why_not"] == "loop_only"].sort_values("job_id")
    known = windows.sections.iloc[windows.owner]
    frame = pd.DataFrame({"loop_id": known["loop_id"].to_numpy(), "window": np.arange(len(windows.owner))})
    jobs = pd.DataFrame(
        {
            "loop_id": alone["loop_id"].to_numpy(),
            "failed_on": pd.to_datetime(alone["failed_on"]).to_numpy(),
            "failure": np.arange(len(alone)),
        }
    )
    pairs = jobs.merge(frame, on="loop_id")
    window = pairs["window"].to_numpy(dtype=np.int64)
    age = windows.age_now[window] - years_between(pairs["failed_on"], windows.as_of)
    fits = (age >= windows.entry_years[window]) & (age <= windows.exit_years[window])
    return pairs["failure"].to_numpy(dtype=np.int64)[fits], window[fits], age[fits]
