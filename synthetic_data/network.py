"""The measurement: paths through the network, and what an instrument shows at their end.

A pulse measures time. Over a path of cable, tails included, it needs sum(length / velocity), one way; the
instrument shows that time multiplied by its own setting and scale, plus its offset, with noise.
"""

import numpy as np
import pandas as pd

from shared.units import C_M_PER_US, DAYS_PER_YEAR
from synthetic_data import truth
from synthetic_data.failures import History, day_of_year
from synthetic_data.fleet import Fleet


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
        self,
        loop: int,
        terminal: int,
        step: int,
        whole: int,
        part: tuple[int, float] | None,
        at: float,
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
    light_m: np.ndarray, instrument: np.ndarray, setting_pct: np.ndarray, at: np.ndarray, rng: np.random.Generator
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
    year = 1970 + at / (DAYS_PER_YEAR * 86400)
    since = np.array([f.drift_from or np.inf for f in facts])
    drift = np.array([f.drift_per_year for f in facts]) * np.maximum(year - since, 0)
    noise = rng.normal(0, [f.noise for f in facts])
    offset = np.array([f.offset_m for f in facts])
    shown = setting_pct / 100 * light_m * (1 + drift) * (1 + noise) + offset
    return np.asarray(np.round(np.maximum(shown, 0.1), 1))


def note_displays(readings: pd.DataFrame, at: np.ndarray, fault_m: str, rng: np.random.Generator) -> pd.DataFrame:
    """Readings with the pulse, range and sampling of the display, where the instrument prints them.

    Parameters
    ----------
    readings
        instrument_row, setting_true_pct, far_end_distance_m and the column named fault_m.
    at
        Moment of each, seconds since 1970.

    Notes
    -----
    The range holds the furthest mark; the pulse is the one that goes with it, or a shorter one where the nearest mark
    would vanish in it.
    """
    marks = readings[[fault_m, "far_end_distance_m"]]
    near, far = marks.min(axis=1).to_numpy(), marks.max(axis=1).to_numpy()
    ranges, pulses = np.array(truth.RANGES_M), np.array(truth.PULSES_NS)
    step = np.minimum(np.searchsorted(ranges, 1.2 * np.nan_to_num(far)), len(ranges) - 1)
    hidden = readings["setting_true_pct"].to_numpy()[:, None] / 100 * C_M_PER_US * pulses / 1000 / 2
    shorter = (hidden < 0.9 * near[:, None]).sum(axis=1) - 1
    noted = readings["instrument_row"].map(truth.DISPLAY_NOTED).fillna(0.0).to_numpy()
    known = (rng.random(len(readings)) < noted) & (at >= truth.SHOTS_FROM) & ~np.isnan(near) & (shorter >= 0)
    return readings.assign(
        pulse_ns=np.where(known, pulses[np.minimum(step, np.maximum(shorter, 0))], np.nan),
        range_m=np.where(known, ranges[step], np.nan),
        sampling_m=np.where(known, ranges[step] / 1000, np.nan),
    )


def settings_pct(instrument: np.ndarray, cable_class: np.ndarray, crews: np.ndarray) -> np.ndarray:
    """Setting each instrument stood on: its own, or by class, or by crew."""
    by_class = [c.velocity_pct for c in truth.CLASSES]
    return np.array(
        [
            by_class[k]
            if i == truth.R_04
            else truth.CREW_SETTINGS_R07.get(crew, 54.0)
            if i == truth.R_07
            else truth.INSTRUMENTS[i].setting_pct
            for i, k, crew in zip(instrument, cable_class, crews, strict=True)
        ]
    )


def warmth_k(at: float) -> float:
    """Soil temperature above 15 degrees Celsius at a moment, seconds since 1970."""
    return float(truth.soil_temperature_c(day_of_year(np.array([at])))[0]) - truth.TEMPERATURE_OF_VELOCITY_C
