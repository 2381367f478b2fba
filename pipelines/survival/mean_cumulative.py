"""Mean cumulative failures of a kilometre by age, with robust limits and the length at risk."""

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from shared.arrays import Floats, Integers
from shared.intervals import poisson_limits


@dataclass(frozen=True)
class MeanCumulative:
    """A step curve: its value from each age on, its standard error, and the units at risk at that age."""

    ages_years: Floats
    at_risk: Floats
    mean_cumulative: Floats
    standard_error: Floats
    lo: Floats
    hi: Floats

    def to_frame(self) -> pd.DataFrame:
        return pd.DataFrame(
            {
                "age_years": self.ages_years,
                "at_risk_km": self.at_risk,
                "mcf_per_km": self.mean_cumulative,
                "mcf_lo": self.lo,
                "mcf_hi": self.hi,
            }
        )


def estimate_mean_cumulative(
    entry_years: ArrayLike,
    exit_years: ArrayLike,
    size: ArrayLike,
    owner_of_event: ArrayLike,
    event_ages_years: ArrayLike,
    coverage: float,
    *,
    event_values: ArrayLike | None = None,
    cluster: ArrayLike | None = None,
    most_steps: int = 400,
) -> MeanCumulative:
    """Mean cumulative failures (or cost) per unit of size by age, under late entry and early exit.

    Parameters
    ----------
    entry_years, exit_years
        Ages at which each unit came into view and left it, in years.
    size
        Size of each unit: km of a section; 1 for a plain unit.
    owner_of_event
        Index of the unit of each event.
    event_ages_years
        Age of that unit at the event.
    coverage
        Two-sided coverage of the limits.
    event_values
        What each event adds: 1 each when left out, or a cost.
    cluster
        Code of what stands together (the loop); each unit by itself when left out.
    most_steps
        Curves with more steps than this are reported at evenly spaced ones (every step still adds to them).

    Notes
    -----
    M(t) = sum over event ages of value / size at risk; at risk means entry < age <= exit, so an event at the age of
    exit counts and a unit entering just then does not (an event on the very day of entry counts its own unit in).
    Variance: sum over clusters of the squared sum of (own events / at risk) - size x (increments of M / at risk) over
    the unit's time at risk; it holds however events cluster in units. Limits on the log scale, M exp(+-t se / M), t of
    as many degrees as clusters have failed by then; and never closer than M times the exact Poisson limits of as many
    events over their number.

    References
    ----------
    J. F. Lawless and C. Nadeau, Technometrics 37 (1995) 158-168; W. Nelson, Recurrent Events Data Analysis (2003).

    Checked by: tests/published/test_survival_reference_fleet.py, tests/published/test_survival_published.py
    """
    from scipy.special import stdtrit

    entry, leave, km = (np.asarray(a, dtype=np.float64) for a in (entry_years, exit_years, size))
    owner, when = np.asarray(owner_of_event, dtype=np.int64), np.asarray(event_ages_years, dtype=np.float64)
    values = np.ones(len(when)) if event_values is None else np.asarray(event_values, dtype=np.float64)
    group = np.arange(len(entry)) if cluster is None else np.unique(np.asarray(cluster), return_inverse=True)[1]
    ages, place = np.unique(when, return_inverse=True)
    at_risk = _size_at_risk(entry, leave, km, ages)
    at_risk += np.bincount(place, weights=km[owner] * (when <= entry[owner]), minlength=len(ages))
    total = np.bincount(place, weights=values, minlength=len(ages))
    curve = np.cumsum(total / at_risk)
    compensator = np.r_[0.0, np.cumsum(total / at_risk**2)]
    shown = _shown_steps(len(ages), most_steps)
    before_entry = compensator[np.searchsorted(ages, entry, side="right")]
    until_exit = compensator[np.searchsorted(ages, leave, side="right")]
    variance = _sum_squares(
        compensator[shown + 1],
        group,
        km,
        before_entry,
        until_exit,
        group[owner],
        values / at_risk[place],
        compensator[place + 1],
    )
    mean, error = curve[shown], np.sqrt(variance)
    events = np.cumsum(np.bincount(place, minlength=len(ages)))[shown]
    first = pd.Series(place).groupby(group[owner]).min()  # step at which each cluster first failed
    failed = np.searchsorted(np.sort(first.to_numpy()), shown, side="right")
    spread = np.exp(stdtrit(failed, (1 + coverage) / 2) * error / np.maximum(mean, 1e-300))
    least, most = (mean * limit / events for limit in poisson_limits(events, coverage))
    lo, hi = np.minimum(mean / spread, least), np.maximum(mean * spread, most)
    return MeanCumulative(ages[shown], at_risk[shown], mean, error, lo, hi)


def _sum_squares(
    moments: Floats,
    group: Integers,
    size: Floats,
    begins: Floats,
    ends: Floats,
    event_group: Integers,
    event_values: Floats,
    event_moments: Floats,
) -> Floats:
    """Sum over groups of the squared residual at each moment: events up to it less size x time from begin to end.

    A group's residual is straight between the moments at which a unit begins, ends or fails, so each of these is
    entered once, as the moments go by, and not at every moment anew.
    """
    groups = int(group.max(initial=-1)) + 1
    coverage, slope = np.zeros(groups), np.zeros(groups)
    some = ends > begins  # a unit with no time at risk adds nothing
    group, size, begins, ends = group[some], size[some], begins[some], ends[some]
    begin_order, end_order, event_order = (np.argsort(m, kind="stable") for m in (begins, ends, event_moments))
    begun, ended, failed = (
        np.r_[0, np.searchsorted(m[order], moments, side="right")]
        for m, order in ((begins, begin_order), (ends, end_order), (event_moments, event_order))
    )
    found = np.empty(len(moments))
    for row, moment in enumerate(moments):
        new = begin_order[begun[row] : begun[row + 1]]
        gone = end_order[ended[row] : ended[row + 1]]
        events = event_order[failed[row] : failed[row + 1]]
        np.add.at(coverage, event_group[events], event_values[events])
        np.add.at(coverage, group[new], size[new] * begins[new])
        np.add.at(slope, group[new], size[new])
        np.add.at(coverage, group[gone], -size[gone] * ends[gone])
        np.add.at(slope, group[gone], -size[gone])
        residual = coverage - slope * moment
        found[row] = (residual * residual).sum()
    return found


def _size_at_risk(entry: Floats, leave: Floats, size: Floats, ages: Floats) -> Floats:
    """Total size of units with entry < age <= exit, at each age."""

    def entered_before(moments: Floats) -> Floats:
        order = np.argsort(moments, kind="stable")
        running = np.r_[0.0, np.cumsum(size[order])]
        return np.asarray(running[np.searchsorted(moments[order], ages, side="left")])

    return entered_before(entry) - entered_before(leave)


def _shown_steps(steps: int, most: int) -> Integers:
    if steps <= most:
        return np.arange(steps)
    return np.unique(np.linspace(0, steps - 1, most).round().astype(np.int64))
