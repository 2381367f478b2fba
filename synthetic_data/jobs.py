"""Closed jobs: the time line of each failure, from the alarm to the paper, and its switching steps.

All times are seconds since 1970, UTC, until the frames are made; they are whole minutes in the end.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from shared import dictionary
from synthetic_data import truth
from synthetic_data.failures import BODY, DIG_IN, SPLICE, TERMINATION, History
from synthetic_data.fleet import Fleet
from synthetic_data.search import HALVING, INDICATORS, OUTWARD, SEEN, Search, search_half_loop

MINUTE, DAY = 60.0, 86400.0
STEPS_FROM = np.datetime64("2012-01-01", "s").astype(float)
STAMPS = dictionary.load_tables()["jobs"].instants


@dataclass(frozen=True)
class Work:
    """Jobs as a frame with hidden columns, and each job's search.

    jobs: canonical columns (times in seconds), and event_at, section (row), offset_m, kind_row, half_from_source
    (whether the half-loop hangs on source A), order (sections of the half-loop as section positions, source first).
    """

    jobs: pd.DataFrame
    searches: tuple[Search, ...]


def _lognormal(rng: np.random.Generator, median: float, sigma: float, size: int) -> np.ndarray:
    return median * np.exp(rng.normal(0, sigma, size))


def local_hour(at: np.ndarray) -> np.ndarray:
    """Hour of the day by the clock in the utility's zone."""
    local = pd.to_datetime(at, unit="s", utc=True).tz_convert(truth.ZONE)
    return np.asarray(local.hour + local.minute / 60)


def half_loop_positions(count: int, open_at: int, position: int, *, is_radial: bool) -> list[int]:
    """Positions of the sections on the same half-loop, from the source outward."""
    if is_radial or position <= open_at:
        return list(range(1, open_at + 1))
    return list(range(count, open_at, -1))


def _pick_crews(district: np.ndarray, is_night: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    crews = np.empty(len(district), dtype=object)
    for row, facts in enumerate(truth.DISTRICTS):
        members = np.flatnonzero(district == row)
        crews[members] = np.array(facts.crews, dtype=object)[rng.integers(0, len(facts.crews), len(members))]
    # the night pool takes most nights; Sabble Creek is too far out for it
    far = district == len(truth.DISTRICTS) - 1
    crews[is_night & ~far & (rng.random(len(district)) < 0.6)] = truth.NIGHT_POOL
    return crews


def _pick_habits(kind: np.ndarray, crews: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """Halving, outward or indicators: each crew leans one way, together 55, 35 and 10 %."""
    names = sorted(set(crews))
    lean = dict(zip(names, np.linspace(0.35, 0.75, len(names)), strict=True))
    halving = np.array([lean[c] for c in crews])
    draw = rng.random(len(kind))
    habit = np.where(draw < 0.10, INDICATORS, np.where(draw < 0.10 + halving, HALVING, OUTWARD))
    return np.where(kind == DIG_IN, SEEN, habit)


def _run_searches(fleet: Fleet, frame: pd.DataFrame, rng: np.random.Generator) -> tuple[list[Search], np.ndarray]:
    """Walk every search; also the customers interrupted at the start of each job."""
    loops = fleet.loops
    first, count, open_at = (loops[c].to_numpy() for c in ("first_terminal", "count", "open_at"))
    radial = loops["is_radial"].to_numpy()
    at_terminal = fleet.terminals["customers"].to_numpy()
    paces = np.exp(rng.normal(0, 0.25, (len(frame), 12)))
    misled = rng.random(len(frame)) < 0.08
    searches, interrupted = [], np.zeros(len(frame), dtype=int)
    columns = zip(frame["loop_row"], frame["position"], frame["habit"], strict=True)
    for n, (loop, position, habit) in enumerate(columns):
        order = half_loop_positions(count[loop], open_at[loop], position, is_radial=radial[loop])
        from_a = order[0] == 1
        downstream = np.array([p if from_a else p - 1 for p in order])
        customers = at_terminal[first[loop] + downstream].copy()
        if not from_a:
            customers[-1] = 0  # the open point's own customers hang on the other side
        searches.append(
            search_half_loop(
                customers,
                order.index(position) + 1,
                habit,
                paces[n],
                can_backfeed=not radial[loop],
                is_misled=bool(misled[n]),
            )
        )
        interrupted[n] = customers.sum()
    return searches, interrupted


def _next_working_morning(at: np.ndarray) -> np.ndarray:
    """Half past seven, there in summer, of the next day that is no Saturday or Sunday."""
    day = np.floor((at - 6 * 3600) / DAY) + 1
    weekday = (day + 3) % 7
    day += np.where(weekday == 5, 2, np.where(weekday == 6, 1, 0))
    return np.asarray(day * DAY + 13.5 * 3600)


def _time_repair(frame: pd.DataFrame, rng: np.random.Generator) -> pd.DataFrame:
    """Pinpointed, repaired, back to normal, closed: after the customers of a loop are back."""
    n = len(frame)
    kind, radial = frame["kind_row"].to_numpy(), frame["is_radial"].to_numpy()
    located, reported = frame["located_at"].to_numpy(), frame["reported_at"].to_numpy()
    emergency = radial | (rng.random(n) < 0.15)
    ticket = np.where(
        emergency,
        located + _lognormal(rng, 150, 0.3, n) * MINUTE,
        _next_working_morning(located) + rng.uniform(0, 240, n) * MINUTE,
    )
    no_ticket = np.isin(kind, [DIG_IN, TERMINATION])  # the hole is open, or there is none to dig
    ticket = np.where(no_ticket, located, ticket)
    pinpointed = ticket + _lognormal(rng, 40, 0.5, n) * MINUTE
    work = _lognormal(rng, 3.5, 0.4, n) * 3600
    abnormal = _lognormal(rng, 3.0, 1.0, n) * DAY
    repaired = pinpointed + work
    waits = ~emergency & (reported + abnormal > repaired)
    late = reported + abnormal - _lognormal(rng, 5, 0.8, n) * 3600
    repaired = np.where(waits, np.maximum(repaired, late), repaired)
    normal = np.maximum(reported + abnormal, repaired + _lognormal(rng, 1.0, 0.5, n) * 3600)
    normal = np.where(radial, repaired + 20 * MINUTE, normal)
    frame = frame.assign(pinpointed_at=pinpointed, repaired_at=repaired, normal_at=normal)
    # on a radial loop those beyond the fault wait for the repair
    waiting = radial & (frame["back_by_switching"] < frame["customers_interrupted"])
    frame["restored_at"] = np.where(waiting, repaired + 15 * MINUTE, frame["restored_at"])
    lasted = np.log(frame["restored_at"] - reported)
    correlated = 0.5 * (lasted - lasted.mean()) / lasted.std() + np.sqrt(0.75) * rng.normal(size=n)
    frame["closed_at"] = np.maximum(normal, frame["restored_at"]) + 6.0 * np.exp(1.1 * correlated) * DAY
    return frame


def _name_causes(kind: np.ndarray, cable_class: np.ndarray, rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
    """What failed and why, as a careful foreman would write it."""
    n = len(kind)
    bare = np.isin(cable_class, [truth.HMWPE, truth.XLPE_BARE])
    body = np.where(
        bare,
        rng.choice(
            ["water_treeing", "insulation_breakdown", "neutral_corrosion", "moisture"], n, p=[0.42, 0.35, 0.17, 0.06]
        ),
        rng.choice(["water_treeing", "insulation_breakdown", "overload", "moisture"], n, p=[0.25, 0.55, 0.12, 0.08]),
    )
    joint = rng.choice(["workmanship", "moisture", "insulation_breakdown"], n, p=[0.55, 0.30, 0.15])
    cause = np.select(
        [kind == BODY, np.isin(kind, [SPLICE, TERMINATION]), kind == DIG_IN], [body, joint, "dig_in"], "lightning"
    )
    at_terminal = np.where(rng.random(n) < 0.7, "elbow", "termination")
    component = np.select([kind == SPLICE, kind == TERMINATION], ["splice", at_terminal], "cable")
    return component.astype(object), cause.astype(object)


def _name_methods(habit: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    n = len(habit)
    halving = rng.choice(["sectionalizing", "arc_reflection"], n, p=[0.6, 0.4])
    outward = rng.choice(["sectionalizing", "surge", "pulse_reflection"], n, p=[0.4, 0.35, 0.25])
    return np.select([habit == HALVING, habit == OUTWARD], [halving, outward], "visual").astype(object)


def _send_crews(fleet: Fleet, history: History, storms: np.ndarray, rng: np.random.Generator) -> pd.DataFrame:
    """Report, dispatch and arrival of every failure's job, and who went."""
    s, e = history.sections, history.events
    n = len(e.at)
    loop = s.loop[e.section]
    hour = local_hour(e.at)
    is_night = (hour < 6) | (hour >= 22)
    crews = _pick_crews(fleet.loops["district_row"].to_numpy()[loop], is_night, rng)
    is_major = np.isin(np.floor((e.at - 6 * 3600) / DAY), np.floor((storms - 6 * 3600) / DAY))
    lag = np.where(rng.random(n) < 0.6, 1.0, _lognormal(rng, 12, 0.8, n)) * MINUTE
    travel = (_lognormal(rng, 32, 0.4, n) + 12 * is_night) * np.where(is_major, 2, 1) * MINUTE
    frame = pd.DataFrame(
        {
            "event_at": e.at,
            "section": e.section,
            "offset_m": e.offset_m,
            "kind_row": e.kind,
            "loop_row": loop,
            "position": s.position[e.section],
            "is_radial": fleet.loops["is_radial"].to_numpy()[loop],
            "crew_id": crews,
            "habit": _pick_habits(e.kind, crews, rng),
            "is_night": is_night,
            "major_event": is_major,
            "reported_at": e.at + lag,
        }
    )
    frame["dispatched_at"] = frame["reported_at"] + _lognormal(rng, 9, 0.6, n) * MINUTE
    frame["arrived_at"] = np.floor((frame["dispatched_at"] + travel) / MINUTE) * MINUTE
    return frame


def make_jobs(fleet: Fleet, history: History, storms: np.ndarray, rng: np.random.Generator) -> Work:
    """Turn failures into jobs with a consistent time line.

    Parameters
    ----------
    fleet, history
        From make_fleet and make_history.
    storms
        Starts of the major event days, seconds since 1970.
    rng
        Source of randomness.

    Returns
    -------
    Work
        Every failure's job, those still open at the extract included (closed_at after it).

    Notes
    -----
    Checked by: tests/unit/test_synthetic_jobs.py (through make_tables)
    """
    s, e = history.sections, history.events
    frame = _send_crews(fleet, history, storms, rng)
    searches, interrupted = _run_searches(fleet, frame, rng)
    arrived = frame["arrived_at"].to_numpy()
    frame["customers_interrupted"] = interrupted
    frame["located_at"] = arrived + MINUTE * np.array([w.located_min for w in searches])
    frame["back_by_switching"] = [sum(c for _, c in w.steps) for w in searches]
    last = np.array([max((at for at, _ in w.steps), default=w.located_min + 12.0) for w in searches])
    frame["restored_at"] = np.maximum(arrived + MINUTE * last, frame["located_at"])
    frame["test_shots"] = [len(w.tests) for w in searches]
    frame = _time_repair(frame, rng)
    for stamp in STAMPS:
        frame[stamp] = np.floor(frame[stamp] / MINUTE) * MINUTE
    component, cause = _name_causes(e.kind, s.cable_class[e.section], rng)
    frame["failed_component"], frame["cause"] = component, cause
    frame["method"] = _name_methods(frame["habit"].to_numpy(), rng)
    frame["repair_cost"] = np.round(_lognormal(rng, 6200, 0.35, len(frame)) * np.where(frame["is_night"], 1.15, 1.0), 0)
    frame["loop_id"] = fleet.loops["loop_id"].to_numpy()[frame["loop_row"]]
    frame["section_id"] = s.section_id[e.section]
    year = e.at.astype("datetime64[s]").astype("datetime64[Y]").astype(int) + 1970
    running = pd.Series(year).groupby(year).cumcount().to_numpy() + 1
    frame["job_id"] = [f"J{y}-{k:04d}" for y, k in zip(year, running, strict=True)]
    return Work(frame, tuple(searches))


def make_steps(work: Work) -> pd.DataFrame:
    """Switching steps of the jobs from 2012 on, one row a job and moment; step_at in seconds."""
    rows = []
    jobs = work.jobs
    columns = ("job_id", "arrived_at", "reported_at", "restored_at", "customers_interrupted")
    for search, (job, arrived, reported, restored, interrupted) in zip(
        work.searches, jobs[list(columns)].itertuples(index=False), strict=True
    ):
        if reported < STEPS_FROM or not interrupted:
            continue
        rows += [(job, np.floor((arrived + at * MINUTE) / MINUTE) * MINUTE, count) for at, count in search.steps]
        waiting = interrupted - sum(count for _, count in search.steps)
        if waiting:
            rows.append((job, restored, waiting))
    frame = pd.DataFrame(rows, columns=["job_id", "step_at", "customers_restored"])
    return frame.groupby(["job_id", "step_at"], sort=True)["customers_restored"].sum().reset_index()
