"""Twenty years of failures on the fleet, and the replacements and injections that answer them.

Body failures follow a power law in age with minimal repair, drawn exactly by thinning. Each repair leaves
splices that fail on their own. Programmes look at what has failed so far, so years are walked in order.
"""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass

import numpy as np

from shared.units import DAYS_PER_YEAR
from synthetic_data import truth
from synthetic_data.fleet import Fleet, Sections, draw_velocity_pct, fixed_factor

YEAR_S = DAYS_PER_YEAR * 86400
BODY, SPLICE, TERMINATION, DIG_IN, LIGHTNING = range(5)
KINDS = ("body", "splice", "termination", "dig_in", "lightning")


@dataclass(frozen=True)
class Events:
    """Failures as columns: seconds since 1970, row of the section, metres of cable from its from-terminal, kind."""

    at: np.ndarray
    section: np.ndarray
    offset_m: np.ndarray
    kind: np.ndarray

    def take(self, chosen: np.ndarray) -> Events:
        return Events(self.at[chosen], self.section[chosen], self.offset_m[chosen], self.kind[chosen])


@dataclass(frozen=True)
class History:
    """The sections that ever were, and the failures of the years on record, in order of time."""

    sections: Sections
    events: Events


def _join(parts: list[Events]) -> Events:
    return Events(*(np.concatenate([getattr(p, f.name) for p in parts]) for f in dataclasses.fields(Events)))


def _at(year: int) -> float:
    return float(np.datetime64(f"{year}-01-01", "s").astype(np.int64))


def day_of_year(at: np.ndarray) -> np.ndarray:
    """Day of the year from 1, with its fraction."""
    stamps = at.astype("datetime64[s]")
    return np.asarray((stamps - stamps.astype("datetime64[Y]").astype("datetime64[s]")).astype(float) / 86400 + 1)


def _window(s: Sections, start: float, end: float) -> tuple[np.ndarray, np.ndarray]:
    """Time in service of each section between two moments; the end is not before the start."""
    begin = np.maximum(s.installed, start)
    stop = np.minimum(np.where(np.isnan(s.retired), end, s.retired), end)
    return begin, np.maximum(stop, begin)


def draw_body_failures(s: Sections, start: float, end: float, rng: np.random.Generator) -> Events:
    """Failures of the cable itself: power law in age, by season, times the section's factor.

    Notes
    -----
    Cumulative intensity per km to age a: rate_at_30 x 30 / shape x (a / 30)^shape. Times are drawn on it
    from an intensity raised by the season's peak and kept with probability season / peak.
    """
    rate = np.array([c.rate_at_30 for c in truth.CLASSES])[s.cable_class] / 100
    shape = np.array([c.shape for c in truth.CLASSES])[s.cable_class]
    begin, stop = _window(s, start, end)
    lower = ((begin - s.installed) / YEAR_S / 30) ** shape
    upper = ((stop - s.installed) / YEAR_S / 30) ** shape
    peak = 1 + truth.SEASON_AMPLITUDE
    expected = rate * 30 / shape * (upper - lower) * s.length_m / 1000 * s.factor * peak
    count = rng.poisson(expected)
    row = np.repeat(np.arange(len(count)), count)
    within = lower[row] + rng.random(len(row)) * (upper - lower)[row]
    at = s.installed[row] + within ** (1 / shape[row]) * 30 * YEAR_S
    keep = rng.random(len(row)) * peak < truth.season_factor(day_of_year(at))
    keep &= (rng.random(len(row)) < truth.INJECTION_FACTOR) | ~(at > s.injected[row])
    return Events(at, row, _draw_places(s, row, rng), np.full(len(row), BODY)).take(keep)


def _draw_places(s: Sections, row: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """Places anywhere in the buried part of these sections, metres of cable from the from-terminal."""
    buried = s.length_m - s.tail_from_m - s.tail_to_m
    return np.asarray(s.tail_from_m[row] + rng.random(len(row)) * buried[row])


def _draw_flat(s: Sections, start: float, end: float, per_year: np.ndarray, rng: np.random.Generator) -> Events:
    """Failures at a rate that does not change with age; per_year is each section's rate."""
    begin, stop = _window(s, start, end)
    count = rng.poisson(per_year * (stop - begin) / YEAR_S)
    row = np.repeat(np.arange(len(count)), count)
    at = begin[row] + rng.random(len(row)) * (stop - begin)[row]
    return Events(at, row, _draw_places(s, row, rng), np.zeros(len(row), dtype=int))


def _draw_other_failures(
    s: Sections, start: float, end: float, storms: np.ndarray, rng: np.random.Generator
) -> list[Events]:
    """Elbows, dig-ins on working days from March to November, lightning on storm days."""
    elbows = _draw_flat(s, start, end, np.full(len(s.loop), 2 * truth.ELBOW_HAZARD), rng)
    at_end = rng.random(len(elbows.at)) < 0.5
    elbows = dataclasses.replace(
        elbows, offset_m=np.where(at_end, s.length_m[elbows.section], 0.0), kind=np.full(len(elbows.at), TERMINATION)
    )
    dig_ins = _draw_flat(s, start, end, truth.DIG_IN_RATE / 100 * s.length_m / 1000, rng)
    first, last = _at_day(start, 60), _at_day(start, 334)
    day = np.floor(rng.uniform(first, last, len(dig_ins.at)) / 86400)
    weekday = (day.astype(int) + 3) % 7  # 1 January 1970 was a Thursday; Monday is 0
    day -= np.where(weekday > 4, 2, 0)
    # seven to five by the clock there, six hours behind UTC
    moved = day * 86400 + rng.uniform(13, 23, len(day)) * 3600
    dig_ins = dataclasses.replace(dig_ins, at=moved, kind=np.full(len(moved), DIG_IN))
    bolts = _draw_flat(s, start, end, truth.LIGHTNING_RATE / 100 * s.length_m / 1000, rng)
    struck = storms[rng.integers(0, len(storms), len(bolts.at))] + rng.uniform(0, 86400, len(bolts.at))
    bolts = dataclasses.replace(bolts, at=struck, kind=np.full(len(struck), LIGHTNING))
    return [elbows] + [_in_service(s, e) for e in (dig_ins, bolts)]


def _in_service(s: Sections, e: Events) -> Events:
    """Those that strike a section while it is in service."""
    gone = e.at >= s.retired[e.section]
    return e.take((e.at >= s.installed[e.section]) & ~gone)


def _at_day(start: float, day: int) -> float:
    return start + (day - 1) * 86400


def draw_storm_days(rng: np.random.Generator) -> np.ndarray:
    """Major event days, four to seven a year: seconds since 1970 at their start, there."""
    days = []
    for year in range(2006, 2026):
        chosen = rng.choice(np.arange(100, 270), size=rng.integers(4, 8), replace=False)
        days.append(_at(year) + np.sort(chosen) * 86400.0 + 6 * 3600)
    return np.concatenate(days)


def draw_splice_failures(repairs: Events, rng: np.random.Generator) -> Events:
    """When the splices that these repairs leave will fail: one or two a repair, at its place.

    Notes
    -----
    Hazard 0.02 a year for two years, then 0.004: the time is where the cumulative hazard meets an exponential.
    """
    splices = np.repeat(np.arange(len(repairs.at)), rng.integers(1, 3, len(repairs.at)))
    met = rng.exponential(size=len(splices))
    young = 2 * truth.SPLICE_HAZARD_YOUNG
    life = np.where(met < young, met / truth.SPLICE_HAZARD_YOUNG, 2 + (met - young) / truth.SPLICE_HAZARD_LATER)
    return Events(
        repairs.at[splices] + life * YEAR_S,
        repairs.section[splices],
        repairs.offset_m[splices],
        np.full(len(splices), SPLICE),
    )


def _fail_splices(
    s: Sections, pending: Events, repaired: Events, start: float, end: float, rng: np.random.Generator
) -> tuple[Events, Events]:
    """Splice failures of a window, and the splices still good after it; a failed splice is replaced by new ones."""
    failed: list[Events] = [pending.take(np.zeros(0, dtype=int))]
    kept: list[Events] = []
    waiting = _join([pending, draw_splice_failures(repaired, rng)])
    while len(waiting.at):
        due = (waiting.at < end) & (waiting.at >= start)
        kept.append(waiting.take(waiting.at >= end))
        now = _in_service(s, waiting.take(due))
        failed.append(now)
        waiting = draw_splice_failures(now, rng)
    return _join(failed), _join(kept) if kept else pending


def _half_of(fleet: Fleet, s: Sections) -> np.ndarray:
    """Number of the half-loop each section lies on: twice the loop's row, one more beyond the open point."""
    beyond = s.position > fleet.loops["open_at"].to_numpy()[s.loop]
    return np.asarray(2 * s.loop + beyond)


def _replace(
    fleet: Fleet,
    s: Sections,
    rows: np.ndarray,
    when: np.ndarray,
    why: str,
    rng: np.random.Generator,
    *,
    with_stories: bool,
) -> Sections:
    """Retire sections and lay the new class in their place; the place keeps its loop multiplier."""
    if not len(rows):
        return s
    retired, because = s.retired.copy(), s.retired_because.copy()
    retired[rows], because[rows] = when, why
    new_class = np.full(len(rows), truth.REPLACEMENT_CLASS)
    multiplier = rng.gamma(1 / truth.SECTION_VARIANCE, truth.SECTION_VARIANCE, len(rows))
    ids = np.array([_next_id(i) for i in s.section_id[rows]], dtype=object)
    new = {
        "section_id": ids,
        "loop": s.loop[rows],
        "position": s.position[rows],
        "length_m": s.length_m[rows],
        "cable_class": new_class,
        "installed": when,
        "retired": np.full(len(rows), np.nan),
        "retired_because": np.full(len(rows), None, dtype=object),
        "injected": np.full(len(rows), np.nan),
        "section_multiplier": multiplier,
        "factor": fixed_factor(fleet.loops, s.loop[rows], new_class, when, multiplier, with_stories=with_stories),
        "velocity_pct": draw_velocity_pct(new_class, rng),
        "tail_from_m": s.tail_from_m[rows],
        "tail_to_m": s.tail_to_m[rows],
        "slack": rng.normal(truth.SLACK_MEAN, truth.SLACK_SD, len(rows)),
    }
    old = dataclasses.replace(s, retired=retired, retired_because=because)
    return Sections(**{name: np.concatenate([getattr(old, name), part]) for name, part in new.items()})


def _next_id(section_id: str) -> str:
    """S04 is followed by S04R1, that by S04R2."""
    stem, mark, number = section_id.rpartition("R")
    return f"{stem}R{int(number) + 1}" if mark and number.isdigit() and "-S" in stem else f"{section_id}R1"


def _pick_to_length(order: np.ndarray, length_m: np.ndarray, km: float) -> np.ndarray:
    """The first in this order whose lengths add up to so many kilometres."""
    reached = np.cumsum(length_m[order]) / 1000
    return order[: np.searchsorted(reached, km) + 1] if len(order) else order


def _run_programmes(
    fleet: Fleet, s: Sections, past: Events, year: int, rng: np.random.Generator, *, with_stories: bool
) -> Sections:
    """Retire, replace and inject what a year's programme says, from the failures of the five years before."""
    share = fleet.sections.length_m.sum() / 1000 / truth.FLEET_KM
    half = _half_of(fleet, s)
    recent = past.take(past.at >= _at(year - 5))
    on_half = np.bincount(half[recent.section], minlength=half.max() + 1)
    on_section = np.bincount(recent.section, minlength=len(s.loop))
    alive = np.isnan(s.retired) & (s.installed < _at(year))
    old = alive & ~np.isin(s.cable_class, [truth.TRXLPE, truth.EPR, truth.PILC])
    ties = rng.random(len(s.loop))
    day = _at(year) + np.floor(rng.uniform(70, 320, len(s.loop))) * 86400

    if year < truth.PROGRAMME_FROM:
        worst = np.flatnonzero(old & (on_section >= 2))
        worst = worst[np.lexsort((ties[worst], -on_section[worst]))]
        chosen = _pick_to_length(worst, s.length_m, truth.EARLY_RETIREMENT_KM * share)
        s = _replace(fleet, s, chosen, day[chosen], "failures", rng, with_stories=with_stories)
    else:
        listed = np.flatnonzero(old & (on_half[half] >= 3))
        listed = listed[np.lexsort((s.position[listed], half[listed], -on_half[half[listed]]))]
        chosen = _pick_to_length(listed, s.length_m, rng.uniform(*truth.PROGRAMME_KM) * share)
        whole = np.flatnonzero(old & np.isin(half, half[chosen]))
        # one crew, one half-loop, one week
        week = _at(year) + np.floor(rng.uniform(70, 320, half.max() + 1))[half[whole]] * 86400
        s = _replace(fleet, s, whole, week, "programme", rng, with_stories=with_stories)
    moved = np.flatnonzero(np.isnan(s.retired) & (s.installed < _at(year)) & (s.cable_class != truth.PILC))
    moved = _pick_to_length(rng.permutation(moved), s.length_m, 1.0 * share)
    s = _replace(
        fleet,
        s,
        moved,
        _at(year) + 86400.0 * rng.integers(70, 320, len(moved)),
        "relocation",
        rng,
        with_stories=with_stories,
    )
    return _inject(fleet, s, on_half, year, share, rng) if year >= truth.INJECTION_FROM else s


def _inject(
    fleet: Fleet, s: Sections, on_half: np.ndarray, year: int, share: float, rng: np.random.Generator
) -> Sections:
    """Inject bare cross-linked cable on half-loops with two failures, not yet three."""
    half = _half_of(fleet, s)
    fits = np.isnan(s.retired) & np.isnan(s.injected) & (s.cable_class == truth.XLPE_BARE)
    listed = np.flatnonzero(fits & (on_half[half] == 2))
    order = rng.random(half.max() + 1)
    listed = listed[np.lexsort((s.position[listed], order[half[listed]]))]
    chosen = _pick_to_length(listed, s.length_m, truth.INJECTION_KM * share)
    injected = s.injected.copy()
    injected[chosen] = _at(year) + 86400.0 * rng.integers(70, 320, len(chosen))
    return dataclasses.replace(s, injected=injected)


def make_history(
    fleet: Fleet,
    storms: np.ndarray,
    rng: np.random.Generator,
    *,
    with_programmes: bool = True,
    with_stories: bool = True,
) -> History:
    """Walk the fleet from its laying to the end of the records.

    Parameters
    ----------
    fleet
        As first laid.
    storms
        Starts of the major event days, seconds since 1970.
    rng
        Source of randomness.
    with_programmes
        Whether anything is replaced or injected.
    with_stories
        As in make_fleet; new cable gets its district's factor.

    Returns
    -------
    History
        Failures before 2006 are not in it, but the splices their repairs left are at work.

    Notes
    -----
    Checked by: tests/unit/test_synthetic_failures.py, tests/simulated/test_synthetic_recovery.py (through make_utility)
    """
    s = fleet.sections
    records_from = _at(2006)
    before = draw_body_failures(s, _at(1950), records_from, rng)
    none = before.take(np.zeros(0, dtype=int))
    _, pending = _fail_splices(s, none, before, _at(1950), records_from, rng)
    past = none
    for year in range(2006, 2026):
        if with_programmes:
            s = _run_programmes(fleet, s, past, year, rng, with_stories=with_stories)
        start, end = _at(year), _at(year + 1)
        body = draw_body_failures(s, start, end, rng)
        this_year = storms[(storms >= start) & (storms < end)]
        others = _draw_other_failures(s, start, end, this_year, rng)
        repaired = _join([body, *(e for e in others if len(e.kind) and e.kind[0] != TERMINATION)])
        splices, pending = _fail_splices(s, pending, repaired, start, end, rng)
        past = _join([past, body, *others, splices])
    order = np.lexsort((past.offset_m, past.section, past.at))
    return History(s, past.take(order))
