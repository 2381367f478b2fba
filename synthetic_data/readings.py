"""What the instruments showed: the measurement model with each instrument's hidden faults.

A pulse measures time. Over a path of cable, tails included, it needs sum(length / velocity), one way; the
instrument shows that time multiplied by its own setting and scale, plus its offset, with noise. What is dug is
taped along the route, which is shorter than the cable by tails and slack.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from synthetic_data import truth
from synthetic_data.failures import TERMINATION, History, day_of_year
from synthetic_data.fleet import Fleet
from synthetic_data.jobs import Work, half_loop_positions
from synthetic_data.search import Test

SHOTS_FROM = np.datetime64("2016-01-01", "s").astype(float)


class Network:
    """Which section lay where and when, to follow a path through it."""

    def __init__(self, fleet: Fleet, history: History) -> None:
        self.fleet, self.sections = fleet, history.sections
        self.first = fleet.loops["first_terminal"].to_numpy()
        self.route_m = history.sections.route_m
        self.terminal_ids = fleet.terminals["terminal_id"].to_numpy()
        at_place: dict[tuple[int, int], list[int]] = {}
        for row, place in enumerate(zip(self.sections.loop.tolist(), self.sections.position.tolist(), strict=True)):
            at_place.setdefault(place, []).append(row)
        self._at_place = at_place

    def section_at(self, loop: int, position: int, at: float) -> int:
        """Row of the section in service at a place and moment."""
        rows = self._at_place[loop, position]
        for row in rows:
            if not at >= self.sections.retired[row]:
                return row
        return rows[-1]

    def terminal_id(self, loop: int, terminal: int) -> str:
        return str(self.terminal_ids[self.first[loop] + terminal])

    def velocity(self, section: int, warmth_k: float) -> float:
        """Fraction of c at this warmth above 15 degrees Celsius."""
        facts = truth.CLASSES[self.sections.cable_class[section]]
        return float(self.sections.velocity_pct[section]) / 100 * (1 + facts.velocity_per_kelvin * warmth_k)

    def holds_class(self, loop: int, terminal: int, step: int, whole: int, at: float, cable_class: int) -> bool:
        """Whether a run of whole sections from a terminal has any of this class in it."""
        return any(
            self.sections.cable_class[self.section_at(loop, terminal + k * step + (step > 0), at)] == cable_class
            for k in range(whole)
        )

    def follow(
        self, loop: int, terminal: int, step: int, whole: int, part: tuple[int, float] | None, at: float,
        warmth_k: float,
    ) -> tuple[float, float]:
        """Light metres and route metres from a terminal over whole sections, then part of one.

        Parameters
        ----------
        loop, terminal, step
            Where the path starts and which way it goes: +1 with the positions, -1 against.
        whole
            Number of whole sections passed.
        part
            Row of the section the path ends in and metres of its cable from where the path enters it, tail
            included; none: the path ends at a terminal.
        at, warmth_k
            Moment in seconds since 1970, and soil temperature above 15 degrees Celsius.
        """
        s = self.sections
        light = route = 0.0
        for k in range(whole):
            here = terminal + k * step
            section = self.section_at(loop, here + (step > 0), at)
            light += float(s.length_m[section]) / self.velocity(section, warmth_k)
            route += float(self.route_m[section])
        if part:
            section, run = part
            tail = float(s.tail_from_m[section] if step > 0 else s.tail_to_m[section])
            light += run / self.velocity(section, warmth_k)
            route += (run - tail) / (1 + float(s.slack[section]))
        return light, route


def show(
    light_m: np.ndarray, instrument: np.ndarray, setting_pct: np.ndarray, at: np.ndarray, rng: np.random.Generator,
) -> np.ndarray:
    """Displayed distance in metres, to the decimetre, for true one-way times.

    Parameters
    ----------
    light_m
        True one-way time x c, metres.
    instrument
        Row of truth.INSTRUMENTS.
    setting_pct
        Setting the instrument stood on, percent of c.
    at
        Seconds since 1970.
    rng
        Source of randomness.
    """
    facts = [truth.INSTRUMENTS[row] for row in instrument]
    year = 1970 + at / (365.25 * 86400)
    since = np.array([f.drift_from or np.inf for f in facts])
    drift = np.array([f.drift_per_year for f in facts]) * np.maximum(year - since, 0)
    noise = rng.normal(0, [f.noise for f in facts])
    offset = np.array([f.offset_m for f in facts])
    shown = setting_pct / 100 * light_m * (1 + drift) * (1 + noise) + offset
    return np.asarray(np.round(np.maximum(shown, 0.1), 1))


def settings_pct(
    instrument: np.ndarray, cable_class: np.ndarray, crews: np.ndarray,
) -> np.ndarray:
    """Setting each instrument stood on: its own, or by class, or by crew."""
    by_class = [c.velocity_pct for c in truth.CLASSES]
    return np.array([
        by_class[k] if i == truth.R_04
        else truth.CREW_SETTINGS_R07.get(crew, 54.0) if i == truth.R_07
        else truth.INSTRUMENTS[i].setting_pct
        for i, k, crew in zip(instrument, cable_class, crews, strict=True)
    ])


def _pick_instruments(work: Work, district: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    ids = np.array([d.district_id for d in truth.DISTRICTS])
    owners = np.where(work.jobs["crew_id"] == truth.NIGHT_POOL, truth.NIGHT_POOL, ids[district])
    chosen = np.zeros(len(owners), dtype=int)
    for owner, shares in truth.INSTRUMENTS_OF.items():
        members = np.flatnonzero(owners == owner)
        rows, weights = zip(*shares, strict=True)
        chosen[members] = rng.choice(rows, size=len(members), p=weights)
    return chosen


def add_readings(fleet: Fleet, history: History, work: Work, network: Network, rng: np.random.Generator) -> Work:
    """Add to each job what its instrument showed and what was dug.

    Notes
    -----
    New cable in ducts outside Sabble Creek has fault indicators and is located by them, and nobody there notes
    a reading over it, so that R-06 alone ever reads that class: the two cannot be told apart.

    Checked by: tests/unit/test_synthetic_readings.py, tests/simulated/test_synthetic_recovery.py
    """
    jobs, s = work.jobs, history.sections
    n = len(jobs)
    section, kind = jobs["section"].to_numpy(), jobs["kind_row"].to_numpy()
    district = fleet.loops["district_row"].to_numpy()[jobs["loop_row"]]
    far_out = district == len(truth.DISTRICTS) - 1
    cable_class = s.cable_class[section]
    instrument = _pick_instruments(work, district, rng)
    has_reading = (kind != TERMINATION) & (rng.random(n) < np.where(jobs["cause"] == "dig_in", 0.35, 0.9))
    has_reading &= far_out | (cable_class != truth.TRXLPE)
    setting = settings_pct(instrument, cable_class, jobs["crew_id"].to_numpy())
    at = jobs["located_at"].to_numpy()
    warmth = truth.soil_temperature_c(day_of_year(at)) - truth.TEMPERATURE_OF_VELOCITY_C
    forward = rng.random(n) < 0.5
    behind = np.where(rng.random(n) < 0.8, 0, rng.integers(1, 3, n))
    start, light, route, far_light = (np.full(n, np.nan) for _ in range(4))
    tests, towards, far_ids = (np.full(n, None, dtype=object) for _ in range(3))
    has_far = rng.random(n) < 0.4
    loops, positions, offsets = (jobs[c].to_numpy() for c in ("loop_row", "position", "offset_m"))
    counts = fleet.loops["count"].to_numpy()
    for j in np.flatnonzero(has_reading):
        loop, position, row = int(loops[j]), int(positions[j]), int(section[j])
        step = 1 if forward[j] else -1
        near = position - 1 if forward[j] else position
        back = min(int(behind[j]), near if forward[j] else int(counts[loop]) - near)
        if not far_out[j] and network.holds_class(loop, near - step * back, step, back, at[j], truth.TRXLPE):
            back = 0
        terminal = near - step * back
        along = offsets[j] if forward[j] else s.length_m[row] - offsets[j]
        light[j], route[j] = network.follow(loop, terminal, step, back, (row, float(along)), at[j], warmth[j])
        start[j] = terminal
        tests[j], towards[j] = network.terminal_id(loop, terminal), network.terminal_id(loop, terminal + step)
        if has_far[j]:
            whole = (row, float(s.length_m[row]))
            far_light[j], _ = network.follow(loop, terminal, step, back, whole, at[j], warmth[j])
            far_ids[j] = network.terminal_id(loop, near + step)
    shown = show(light, instrument, setting, at, rng)
    far_shown = show(far_light, instrument, setting, at, rng)
    dug, dug_method = _dig(route, rng)
    recorded = rng.random(n) < np.array([i.recorded for i in truth.INSTRUMENTS])[instrument]
    names = np.array([i.instrument_id for i in truth.INSTRUMENTS], dtype=object)
    jobs = jobs.assign(
        instrument_row=np.where(has_reading, instrument, -1), setting_true_pct=np.where(has_reading, setting, np.nan),
        light_m=light, route_m=route, test_terminal=start, is_forward=forward,
        instrument_id=_where_else_none(has_reading, names[instrument]),
        velocity_setting_pct=np.where(has_reading & recorded, np.round(setting, 2), np.nan),
        test_terminal_id=tests, toward_terminal_id=towards, estimated_distance_m=shown,
        far_end_distance_m=far_shown, far_end_terminal_id=far_ids, dug_distance_m=dug, dug_method=dug_method,
    )
    return Work(jobs, work.searches)


def _dig(route_m: np.ndarray, rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
    """Distance as dug and how it was measured; a quarter is never written down."""
    n = len(route_m)
    shares = [share for _, share, _, _ in truth.DUG_METHODS]
    which = rng.choice(len(truth.DUG_METHODS), size=n, p=shares)
    fraction = np.array([f for _, _, f, _ in truth.DUG_METHODS])[which]
    metres = np.array([m for _, _, _, m in truth.DUG_METHODS])[which]
    measured = route_m * (1 + rng.normal(0, 1, n) * fraction) + rng.normal(0, 1, n) * metres
    # nobody paces to the decimetre
    paced = which == [m for m, _, _, _ in truth.DUG_METHODS].index("paced")
    measured = np.where(paced, np.round(measured), np.round(measured, 1))
    known = ~np.isnan(route_m) & (rng.random(n) >= truth.DUG_MISSING)
    names = np.array([m for m, _, _, _ in truth.DUG_METHODS], dtype=object)[which]
    return np.where(known, np.maximum(measured, 0.0), np.nan), _where_else_none(known, names)


def _where_else_none(known: np.ndarray, values: np.ndarray) -> np.ndarray:
    kept = values.astype(object)
    kept[~known] = None
    return np.asarray(kept)


def make_test_shots(fleet: Fleet, work: Work, network: Network, rng: np.random.Generator) -> pd.DataFrame:
    """The tests of the jobs from 2016 on, one row a test; times in seconds.

    Notes
    -----
    A clear test shows the far end of the run tested, a test on the fault shows the fault where it was within
    the last section; shots from both ends of the faulted section close one job in four.
    """
    rows: list[dict[str, object]] = []
    jobs = work.jobs
    count, open_at, radial = (fleet.loops[c].to_numpy() for c in ("count", "open_at", "is_radial"))
    both_ends = rng.random(len(jobs)) < 1 / 4
    listed = np.flatnonzero((jobs["instrument_row"] >= 0) & (jobs["reported_at"] >= SHOTS_FROM))
    for j in listed:
        job = jobs.iloc[j]
        loop, position = int(job["loop_row"]), int(job["position"])
        order = half_loop_positions(
            int(count[loop]), int(open_at[loop]), position, is_radial=bool(radial[loop]),
        )
        for test in work.searches[j].tests:
            rows.append(_shot(network, job, order, test, len(_of_job(rows, job["job_id"])) + 1))
        if both_ends[j]:
            number = len(_of_job(rows, job["job_id"])) + 1
            rows += [_end_shot(network, job, forward, number + k) for k, forward in enumerate((True, False))]
    frame = pd.DataFrame(rows)
    if frame.empty:
        return frame
    instrument = frame["instrument_row"].to_numpy()
    at, setting = frame["shot_at"].to_numpy(), frame["setting_true_pct"].to_numpy()
    frame["far_end_distance_m"] = show(frame["far_light"].to_numpy(), instrument, setting, at, rng)
    frame["fault_distance_m"] = show(frame["fault_light"].to_numpy(), instrument, setting, at, rng)
    return frame


def _of_job(rows: list[dict[str, object]], job_id: object) -> list[dict[str, object]]:
    """The last rows that are this job's."""
    own = []
    for row in reversed(rows):
        if row["job_id"] != job_id:
            break
        own.append(row)
    return own


def _base_shot(job: pd.Series, number: int, at: float) -> dict[str, object]:
    return {
        "job_id": job["job_id"], "shot_no": number, "shot_at": np.floor(at / 60) * 60,
        "instrument_id": job["instrument_id"], "velocity_setting_pct": job["velocity_setting_pct"],
        "instrument_row": int(job["instrument_row"]), "setting_true_pct": job["setting_true_pct"],
        "far_end_terminal_id": None, "far_light": np.nan, "fault_light": np.nan,
    }


def _warmth(at: float) -> float:
    return float(truth.soil_temperature_c(day_of_year(np.array([at])))[0]) - truth.TEMPERATURE_OF_VELOCITY_C


def _shot(network: Network, job: pd.Series, order: list[int], test: Test, number: int) -> dict[str, object]:
    """A test over a run of the half-loop, from its end nearest the source."""
    loop, at = int(job["loop_row"]), float(job["arrived_at"]) + test.at * 60
    step = 1 if order[0] == 1 else -1
    run = order[test.first - 1 : test.last]
    terminal = run[0] - 1 if step > 0 else run[0]
    shot = _base_shot(job, number, at) | {
        "terminal_id": network.terminal_id(loop, terminal),
        "toward_terminal_id": network.terminal_id(loop, terminal + step),
        "result": "clear" if test.is_clear else "fault_seen",
    }
    warmth = _warmth(at)
    past_new = job["instrument_id"] != truth.INSTRUMENTS[truth.R_06].instrument_id and network.holds_class(
        loop, terminal, step, len(run), at, truth.TRXLPE,
    )
    if past_new:
        return shot
    if test.is_clear:
        light, _ = network.follow(loop, terminal, step, len(run), None, at, warmth)
        shot |= {"far_light": light, "far_end_terminal_id": network.terminal_id(loop, terminal + step * len(run))}
    else:
        row = int(job["section"])
        offset = float(job["offset_m"])
        along = offset if step > 0 else float(network.sections.length_m[row]) - offset
        whole = run.index(int(job["position"]))
        shot["fault_light"], _ = network.follow(loop, terminal, step, whole, (row, along), at, warmth)
    return shot


def _end_shot(network: Network, job: pd.Series, forward: bool, number: int) -> dict[str, object]:
    """A shot at the fault from one end of the faulted section, once it is isolated."""
    loop, position, row = int(job["loop_row"]), int(job["position"]), int(job["section"])
    at = float(job["located_at"]) + number * 300
    terminal, step = (position - 1, 1) if forward else (position, -1)
    offset = float(job["offset_m"])
    along = offset if forward else float(network.sections.length_m[row]) - offset
    light, _ = network.follow(loop, terminal, step, 0, (row, along), at, _warmth(at))
    return _base_shot(job, number, at) | {
        "terminal_id": network.terminal_id(loop, terminal),
        "toward_terminal_id": network.terminal_id(loop, terminal + step),
        "result": "fault_seen", "fault_light": light,
    }


def make_known_lengths(network: Network, history: History, rng: np.random.Generator) -> pd.DataFrame:
    """Calibration readings on sound sections of known length: R-06 never has any."""
    s = history.sections
    rows = []
    fits = np.isin(s.cable_class, [truth.XLPE_BARE, truth.XLPE_JACKETED]) & np.isnan(s.retired) & (s.length_m > 60)
    pool = rng.choice(np.flatnonzero(fits), size=min(6, int(fits.sum())), replace=False)
    for instrument, months in ((0, (4, 10)), (1, (4,)), (2, (4, 10)), (truth.R_04, (4, 10)), (4, (10,)), (6, (10,))):
        for year in range(2008, 2026):
            for month in months:
                at = float(np.datetime64(f"{year}-{month:02d}-15", "s").astype(np.int64))
                row = int(rng.choice(pool))
                loop, position = int(s.loop[row]), int(s.position[row])
                length = float(s.length_m[row])
                light, _ = network.follow(loop, position - 1, 1, 0, (row, length), at, _warmth(at))
                setting = settings_pct(np.array([instrument]), s.cable_class[[row]], np.array([""]))
                shown = show(np.array([light]), np.array([instrument]), setting, np.array([at]), rng)
                rows.append({
                    "instrument_id": truth.INSTRUMENTS[instrument].instrument_id,
                    "read_on": np.datetime64(f"{year}-{month:02d}-15", "us"), "section_id": s.section_id[row],
                    "known_length_m": length, "reading_m": shown[0],
                    "velocity_setting_pct": round(float(setting[0]), 2),
                })
    return pd.DataFrame(rows)
