"""Invented loops, instruments and digs with a known truth, for trials of dig windows: no code of the product's fit.

A pulse needs the time of all cable between the terminal and the fault: tails, slack and pieces of other cable. What is
taped is the route alone. The files are those that `loopwear load` reads; the year after them is kept back.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from shared.units import C_M_PER_US, DAYS_PER_YEAR, M_PER_FT

CLASSES = (
    ("XLPE", "bare", "buried"),
    ("XLPE", "jacketed", "duct"),
    ("TRXLPE", "jacketed", "duct"),
    ("EPR", "jacketed", "duct"),
)
FIRST_DAY = pd.Timestamp("2015-01-01", tz="UTC")
PACED_SD, TAPED_SD = 0.04, 0.007
FURTHEST_BACK = 2


@dataclass(frozen=True)
class World:
    """How a world is drawn.

    Parameters
    ----------
    loops, years, digs, digs_ahead
        Loops; years of records and digs in them; digs in the year after, kept back.
    tails
        Tails are 0 to tail_max_m at each terminal and on record (known), not on record (unknown), or on record with
        numbers of their own (wrong); or there are none (absent).
    slack
        Range of the cable's slack against the route, by section.
    section_sd, noise, noise_m, register_sd
        Relative spread of velocity between sections; noise of a reading, relative and in metres; relative error of the
        register's lengths.
    scale_sd, offset_sd_m
        Spread of the instruments' scale and offset errors.
    drift, step
        By instrument: relative change a year and the year it begins in; relative step and the year it comes in. Years
        are counted from the first day.
    calibrated
        By instrument: the year of its last calibration; where `resets`, its scale and offset are drawn anew then and a
        drift starts from nought. Drifts go on unless `cures`.
    one_class
        Whether the last instrument reads the last class alone.
    gross_share, paced_share, back_share, mixed_share, piece_share, far_end_share
        Shares: grossly wrong digs; paced digs; readings from a terminal one or two sections back; loops of two classes;
        sections with a piece of other, newer cable; jobs with a far-end reading.
    known_a_year
        Readings of known runs by each instrument and year.
    """

    loops: int = 150
    instruments: int = 6
    years: int = 6
    digs: int = 700
    digs_ahead: int = 120
    tails: str = "known"
    tail_max_m: float = 4.0
    slack: tuple[float, float] = (0.01, 0.03)
    section_sd: float = 0.012
    noise: float = 0.018
    noise_m: float = 0.3
    register_sd: float = 0.01
    scale_sd: float = 0.004
    offset_sd_m: float = 0.5
    drift: dict[int, tuple[float, float]] = field(default_factory=dict)
    step: dict[int, tuple[float, float]] = field(default_factory=dict)
    calibrated: dict[int, float] = field(default_factory=dict)
    resets: bool = False
    cures: bool = False
    one_class: bool = False
    gross_share: float = 0.05
    paced_share: float = 0.15
    back_share: float = 0.25
    mixed_share: float = 0.4
    piece_share: float = 0.1
    far_end_share: float = 0.4
    known_a_year: int = 1


@dataclass(frozen=True)
class Register:
    """The loops as they truly lie: a row a section, in the order of loops and positions."""

    loop: np.ndarray
    position: np.ndarray
    count: np.ndarray
    cable_class: np.ndarray
    velocity_pct: np.ndarray
    tail_m: np.ndarray
    tail_from_m: np.ndarray
    tail_to_m: np.ndarray
    slack: np.ndarray
    route_m: np.ndarray
    length_m: np.ndarray
    piece_from_m: np.ndarray
    piece_to_m: np.ndarray
    piece_class: np.ndarray
    piece_year: np.ndarray


@dataclass(frozen=True)
class Truth:
    """What is so: velocity by class in percent of c, mean slack, and each instrument's errors in time."""

    world: World
    velocity_pct: np.ndarray
    slack: float
    scale: np.ndarray
    offset_m: np.ndarray
    fresh_scale: np.ndarray
    fresh_offset_m: np.ndarray

    def errors_at(self, instrument: np.ndarray, year: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Scale error and offset in metres of instruments at moments, in years from the first day."""
        world = self.world
        rows = np.arange(world.instruments)
        at = np.array([world.calibrated.get(i, np.inf) if world.resets else np.inf for i in rows])[instrument]
        reset = year >= at
        rate, since = (np.array([world.drift.get(i, (0.0, np.inf))[k] for i in rows])[instrument] for k in (0, 1))
        jump, when = (np.array([world.step.get(i, (0.0, np.inf))[k] for i in rows])[instrument] for k in (0, 1))
        # a calibration takes off what had gathered by then
        begun = np.where(reset, np.maximum(since, at), since)
        going = np.where(reset & world.cures, 0.0, np.maximum(year - begun, 0.0))
        moved = rate * going + jump * ((year >= when) & ~(reset & (when <= at)))
        scale = np.where(reset, self.fresh_scale[instrument], self.scale[instrument]) + moved
        return scale, np.where(reset, self.fresh_offset_m[instrument], self.offset_m[instrument])

    def setting_at(self, instrument: np.ndarray, cable_class: np.ndarray, year: np.ndarray) -> np.ndarray:
        """Setting at which displayed and taped distances have a slope of one."""
        return np.asarray(self.velocity_pct[cable_class] / (1 + self.slack) / (1 + self.errors_at(instrument, year)[0]))


@dataclass(frozen=True)
class Drawn:
    """A world: the files to load, the digs of the year after, and the truth.

    ahead has a row a dig: what a person would type (instrument_id, velocity_setting_pct, displayed_distance_m, read_at,
    test_terminal_id, toward_terminal_id, class_path) and what came of it (route_m in truth, dug_distance_m as recorded,
    dug_method, is_gross).
    """

    world: World
    files: dict[str, pd.DataFrame]
    ahead: pd.DataFrame
    truth: Truth

    def day(self, years: float) -> pd.Timestamp:
        """The day so many years after the first."""
        return FIRST_DAY + pd.Timedelta(days=round(years * DAYS_PER_YEAR))

    @property
    def as_of(self) -> pd.Timestamp:
        """The last day of the records."""
        return self.day(self.world.years) - pd.Timedelta(days=1)


def class_name(cable_class: int) -> str:
    """Name of a class, as the product makes it from the register."""
    return "/".join(CLASSES[cable_class])


def instrument_ids(world: World) -> np.ndarray:
    """Names of the instruments."""
    return np.array([f"I{i + 1:02d}" for i in range(world.instruments)])


def draw_world(world: World, rng: np.random.Generator) -> Drawn:
    """A world: register, instruments, jobs with digs and far ends, readings of known runs."""
    velocity = rng.uniform(48.0, 56.0, len(CLASSES))
    register = _draw_register(world, velocity, rng)
    count = world.instruments
    truth = Truth(
        world,
        velocity,
        float(np.mean(world.slack)),
        rng.normal(0, world.scale_sd, count),
        rng.normal(0, world.offset_sd_m, count),
        rng.normal(0, world.scale_sd / 2, count),
        rng.normal(0, world.offset_sd_m / 2, count),
    )
    # some crews set the class's velocity, as they believe it to be; others leave the instrument where it stood
    by_class = np.round(velocity + rng.normal(0, 1.0, (count, len(velocity))), 0)
    habit = np.where(rng.random(count)[:, None] < 0.5, by_class, np.round(rng.normal(53.0, 1.5, count), 1)[:, None])
    jobs = _draw_jobs(world, register, truth, habit, rng)
    known = _draw_known(world, register, truth, habit, rng)
    files = _write_register(world, register, rng) | {"known_lengths": known}
    last = FIRST_DAY + pd.Timedelta(days=round(world.years * DAYS_PER_YEAR))
    past = (jobs["reported_at"] < last).to_numpy()
    files["jobs"] = jobs.loc[past].drop(columns=["route_m", "is_gross", "class_path"]).reset_index(drop=True)
    ahead = jobs.loc[~past].rename(columns={"reported_at": "read_at", "estimated_distance_m": "displayed_distance_m"})
    return Drawn(world, files, ahead.reset_index(drop=True), truth)


def _draw_register(world: World, velocity: np.ndarray, rng: np.random.Generator) -> Register:
    count = rng.integers(5, 13, world.loops)
    loop = np.repeat(np.arange(world.loops), count)
    position = np.arange(len(loop)) - np.repeat(np.cumsum(count) - count, count) + 1
    n, classes = len(loop), len(velocity)
    first, second = rng.integers(0, classes, world.loops), rng.integers(0, classes, world.loops)
    turn = np.where(rng.random(world.loops) < world.mixed_share, rng.integers(2, 6, world.loops), 99)
    cable_class = np.where(position < turn[loop], first[loop], second[loop])
    tail = np.zeros(n + world.loops) if world.tails == "absent" else rng.uniform(0, world.tail_max_m, n + world.loops)
    terminal = np.arange(n) + loop
    tail_from, tail_to = tail[terminal], tail[terminal + 1]
    length = np.clip(np.exp(rng.normal(np.log(85), 0.45, n)), 20, 400)
    slack = rng.uniform(*world.slack, n)
    piece_length = rng.uniform(5, 0.3 * length)
    piece_from = tail_from + rng.random(n) * (length - tail_from - tail_to - piece_length)
    has_piece = (rng.random(n) < world.piece_share) & (piece_length + tail_from + tail_to < length)
    return Register(
        loop=loop,
        position=position,
        count=count,
        cable_class=cable_class,
        velocity_pct=velocity[cable_class] * (1 + rng.normal(0, world.section_sd, n)),
        tail_m=tail,
        tail_from_m=tail_from,
        tail_to_m=tail_to,
        slack=slack,
        route_m=(length - tail_from - tail_to) / (1 + slack),
        length_m=length,
        # to the decimetre, as the register has it
        piece_from_m=np.where(has_piece, np.round(piece_from, 1), 0.0),
        piece_to_m=np.where(has_piece, np.round(piece_from + piece_length, 1), 0.0),
        piece_class=(cable_class + rng.integers(1, classes, n)) % classes,
        piece_year=rng.uniform(-3, world.years, n),
    )


def _light_m(
    register: Register, velocity: np.ndarray, section: np.ndarray, low: np.ndarray, high: np.ndarray, year: np.ndarray
) -> np.ndarray:
    """One-way time x c over the cable of a section from low to high, metres from its from-terminal."""
    overlap = np.minimum(high, register.piece_to_m[section]) - np.maximum(low, register.piece_from_m[section])
    other = np.maximum(overlap, 0.0) * (register.piece_year[section] <= year)
    own = 100 / register.velocity_pct[section]
    return np.asarray((high - low) * own + other * (100 / velocity[register.piece_class[section]] - own))


def _display(
    truth: Truth,
    instrument: np.ndarray,
    setting_pct: np.ndarray,
    light_m: np.ndarray,
    year: np.ndarray,
    rng: np.random.Generator,
) -> np.ndarray:
    """Displayed distances, metres to the decimetre, for one-way times x c."""
    world = truth.world
    scale, offset = truth.errors_at(instrument, year)
    noise = 1 + rng.normal(0, world.noise, len(light_m))
    # the echo's delay in microseconds, there and back, at half of the velocity set
    delay_us = 2 * light_m / C_M_PER_US * (1 + scale) * noise
    shown = delay_us * setting_pct / 100 * C_M_PER_US / 2 + offset + rng.normal(0, world.noise_m, len(light_m))
    return np.asarray(np.round(np.maximum(shown, 0.1), 1))


def _draw_jobs(
    world: World, register: Register, truth: Truth, habit: np.ndarray, rng: np.random.Generator
) -> pd.DataFrame:
    n, at = world.digs + world.digs_ahead, register
    year = np.sort(np.concatenate([rng.random(world.digs) * world.years, world.years + rng.random(world.digs_ahead)]))
    section = rng.choice(len(at.loop), n, p=at.length_m / at.length_m.sum())
    loop, position = at.loop[section], at.position[section]
    forward = rng.random(n) < 0.5
    step = np.where(forward, 1, -1)
    room = np.where(forward, position - 1, at.count[loop] - position)
    wanted = np.where(rng.random(n) < world.back_share, rng.integers(1, FURTHEST_BACK + 1, n), 0)
    back = np.minimum(wanted, room)
    place = rng.random(n) * at.route_m[section]
    in_cable = at.tail_from_m[section] + place * (1 + at.slack[section])
    light = _light_m(
        at,
        truth.velocity_pct,
        section,
        np.where(forward, 0.0, in_cable),
        np.where(forward, in_cable, at.length_m[section]),
        year,
    )
    far_light = _light_m(at, truth.velocity_pct, section, np.zeros(n), at.length_m[section], year)
    route = np.where(forward, place, at.route_m[section] - place)
    beyond = at.route_m[section] - route
    one_class = np.ones(n, dtype=bool)
    passed: list[tuple[np.ndarray, np.ndarray, np.ndarray]] = []
    for k in range(1, FURTHEST_BACK + 1):
        is_passed = back >= k
        other = np.where(is_passed, section - k * step, section)
        whole = np.where(is_passed, _light_m(at, truth.velocity_pct, other, np.zeros(n), at.length_m[other], year), 0.0)
        light, far_light = light + whole, far_light + whole
        route = route + np.where(is_passed, at.route_m[other], 0.0)
        one_class &= at.cable_class[other] == at.cable_class[section]
        passed.insert(0, (is_passed, at.cable_class[other], at.route_m[other]))
    cable_class = at.cable_class[section]
    instrument = rng.integers(0, world.instruments, n)
    if world.one_class:
        last = world.instruments - 1
        is_last = one_class & (cable_class == len(CLASSES) - 1)
        instrument = np.where(
            is_last & (rng.random(n) < 0.6), last, np.where(instrument == last, rng.integers(0, last, n), instrument)
        )
    setting = habit[instrument, cable_class]
    shown = _display(truth, instrument, setting, light, year, rng)
    far_shown = _display(truth, instrument, setting, far_light, year, rng)
    paced = rng.random(n) < world.paced_share
    taped = route * (1 + rng.normal(0, np.where(paced, PACED_SD, TAPED_SD)))
    taped = np.maximum(np.where(paced, np.round(taped), np.round(taped, 1)), 0.1)
    is_gross = rng.random(n) < world.gross_share
    kind = np.where(is_gross, rng.integers(0, 5, n), -1)
    # feet in a column of metres and the reverse, half velocity for velocity and the reverse, another terminal
    shown = np.round(shown * np.array([1 / M_PER_FT, M_PER_FT, 2.0, 0.5, 1.0, 1.0])[kind], 1)
    dug = np.where(kind == 4, np.maximum(np.round(beyond, 1), 0.1), taped)
    has_far = rng.random(n) < world.far_end_share
    # terminals are numbered on from loop to loop, one more than sections in each
    near = section + loop + np.where(forward, 0, 1)
    start = near - step * back
    reported = FIRST_DAY + pd.to_timedelta(np.round(year * DAYS_PER_YEAR * 1440), unit="min")
    return pd.DataFrame(
        {
            "job_id": [f"J{j:05d}" for j in range(n)],
            "revision": 1,
            "loop_id": _ids("L", loop),
            "section_id": _ids("S", section),
            "reported_at": reported,
            "restored_at": reported + pd.Timedelta(hours=3),
            "instrument_id": instrument_ids(world)[instrument],
            "velocity_setting_pct": setting,
            "test_terminal_id": _ids("T", start),
            "toward_terminal_id": _ids("T", start + step),
            "estimated_distance_m": shown,
            "far_end_distance_m": np.where(has_far, far_shown, np.nan),
            "far_end_terminal_id": np.where(has_far, _ids("T", near + step), None),
            "dug_distance_m": dug,
            "dug_method": np.where(paced, "paced", np.where(rng.random(n) < 0.5, "taped", "wheeled")),
            "route_m": route,
            "is_gross": is_gross,
            "class_path": _class_paths(passed, cable_class),
        }
    )


def _class_paths(
    passed: list[tuple[np.ndarray, np.ndarray, np.ndarray]], cable_class: np.ndarray
) -> list[tuple[tuple[str, float], ...]]:
    """Classes in the order passed, those before the last with their route to the metre, as a person would type them."""
    paths = []
    for j, own in enumerate(cable_class):
        path: list[tuple[str, float]] = []
        parts = [(int(k[j]), float(route[j])) for is_passed, k, route in passed if is_passed[j]]
        for k, route in [*parts, (int(own), np.inf)]:
            if path and path[-1][0] == class_name(k):
                route += path.pop()[1]
            path.append((class_name(k), route))
        paths.append(tuple((name, float(np.round(route))) for name, route in path))
    return paths


def _draw_known(
    world: World, register: Register, truth: Truth, habit: np.ndarray, rng: np.random.Generator
) -> pd.DataFrame:
    instrument = np.repeat(np.arange(world.instruments), world.known_a_year * world.years)
    n = len(instrument)
    year = rng.random(n) * world.years
    section = rng.integers(0, len(register.loop), n)
    length = register.length_m[section]
    light = _light_m(register, truth.velocity_pct, section, np.zeros(n), length, year)
    setting = habit[instrument, register.cable_class[section]]
    return pd.DataFrame(
        {
            "instrument_id": instrument_ids(world)[instrument],
            "read_on": (FIRST_DAY + pd.to_timedelta(np.floor(year * DAYS_PER_YEAR), unit="D")).tz_localize(None),
            "section_id": _ids("S", section),
            "known_length_m": np.round(length * (1 + rng.normal(0, 0.002, n)), 1),
            "reading_m": _display(truth, instrument, setting, light, year, rng),
            "velocity_setting_pct": setting,
        }
    )


def _write_register(world: World, register: Register, rng: np.random.Generator) -> dict[str, pd.DataFrame]:
    at, n = register, len(register.loop)
    terminals = np.arange(n + world.loops)
    loop_of_terminal = np.repeat(np.arange(world.loops), at.count + 1)
    on_record = {
        "known": np.round(at.tail_m, 1),
        "wrong": np.round(rng.uniform(0, world.tail_max_m, len(terminals)), 1),
        "unknown": np.nan,
        "absent": np.nan,
    }[world.tails]
    parts = {
        name: np.array([facts[k] for facts in CLASSES])
        for k, name in enumerate(("insulation", "neutral", "installation"))
    }
    pieces = np.flatnonzero(at.piece_to_m > 0)
    names = instrument_ids(world)
    first = FIRST_DAY.tz_localize(None)
    calibrated = [
        first + pd.Timedelta(days=round(world.calibrated[i] * DAYS_PER_YEAR)) if i in world.calibrated else pd.NaT
        for i in range(world.instruments)
    ]
    return {
        "districts": pd.DataFrame({"district_id": ["D1"], "timezone": ["UTC"], "recorded_from": [first]}),
        "loops": pd.DataFrame({"loop_id": _ids("L", np.arange(world.loops)), "district_id": "D1"}),
        "terminals": pd.DataFrame(
            {"terminal_id": _ids("T", terminals), "loop_id": _ids("L", loop_of_terminal), "tail_m": on_record}
        ),
        "sections": pd.DataFrame(
            {
                "section_id": _ids("S", np.arange(n)),
                "loop_id": _ids("L", at.loop),
                "position": at.position,
                "from_terminal_id": _ids("T", np.arange(n) + at.loop),
                "to_terminal_id": _ids("T", np.arange(n) + at.loop + 1),
                "length_m": np.round(at.length_m * (1 + rng.normal(0, world.register_sd, n)), 1),
                "installed_on": pd.Timestamp("1985-06-01"),
                **{name: values[at.cable_class] for name, values in parts.items()},
            }
        ),
        "section_pieces": pd.DataFrame(
            {
                "section_id": _ids("S", pieces),
                "from_m": at.piece_from_m[pieces],
                "to_m": at.piece_to_m[pieces],
                "installed_on": first + pd.to_timedelta(np.ceil(at.piece_year[pieces] * DAYS_PER_YEAR), unit="D"),
                **{name: values[at.piece_class[pieces]] for name, values in parts.items()},
            }
        ),
        "instruments": pd.DataFrame({"instrument_id": names, "last_calibrated_on": pd.to_datetime(calibrated)}),
    }


def _ids(letter: str, numbers: np.ndarray) -> np.ndarray:
    return np.array([f"{letter}{number:05d}" for number in numbers], dtype=object)
