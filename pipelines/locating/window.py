"""Where to dig next: corrected distance and window of a reading, asked by terminals of the register or by class."""

import math
from dataclasses import dataclass
from datetime import date

import numpy as np
import pandas as pd

from pipelines.locating.correction import ALONG, BY_CLASS
from pipelines.locating.coverage import distance_band
from pipelines.locating.placing import Placed, place_readings
from pipelines.locating.readings import REFERENCE_PCT
from pipelines.locating.resolution import blind_zone_m, coarse_variance, resolution_m
from pipelines.locating.ways import Ways, lay_ways
from pipelines.locating.window_basis import (
    Asked,
    Basis,
    choose_setting,
    class_names,
    find_season,
    instrument_movement,
    lay_chain,
    lay_class_way,
    row_of,
)
from shared.errors import UserError, suggest_name
from shared.units import DAYS_PER_YEAR, M_PER_FT

COVERAGES = (0.50, 0.80, 0.95)
ENOUGH_TRIED = 30
"""Past digs below which a back-test of one class and distance band is not quoted; a wider group then is."""


@dataclass(frozen=True)
class Tested:
    """Back-test of windows asked the same way: past digs held and tried, Wilson's limits, and of which digs."""

    held: int
    tried: int
    held_lo: float
    held_hi: float
    of: str


@dataclass(frozen=True)
class DigWindow:
    """Corrected distance and windows along the route, metres from the terminal tested from.

    Parameters
    ----------
    asked, way, velocity_pct
        What was asked, ALONG or BY_CLASS, and the setting taken.
    place
        From where, toward where and over what, in words.
    corrected_m, se_m
        Corrected distance and its standard error.
    windows
        (level, lo, hi) of every level.
    coverage
        The level of the settings.
    sections
        Sections that window touches, where the way is known.
    tested
        Back-test at that level; none where too few digs were tried.
    register_on
        Day of the register, instruments and fit.
    notes
        What was assumed.
    """

    asked: Asked
    way: str
    velocity_pct: float
    place: str
    corrected_m: float
    se_m: float
    windows: tuple[tuple[float, float, float], ...]
    coverage: float
    sections: tuple[str, ...]
    tested: Tested | None
    register_on: date
    notes: tuple[str, ...]

    def describe(self) -> str:
        """The window in words, metres and feet."""
        setting = f"{self.velocity_pct:.1f} % of c, {self.asked.instrument_id or 'an instrument not stated'}"
        lines = [
            f"displayed {metres_and_feet(self.asked.distance_m)} at {setting}",
            f"corrected {metres_and_feet(self.corrected_m)} along the cable's route {self.place}",
            *(
                f"{coverage:.0%} window {metres_and_feet(low)} to {metres_and_feet(high)}"
                for coverage, low, high in self.windows
            ),
            *([f"sections in the {self.coverage:.0%} window: {', '.join(self.sections)}"] if self.sections else []),
            f"about {_one_in(1 - self.coverage)} faults lies outside a window of {self.coverage:.0%}",
            _tested_words(self.tested, self.coverage),
            f"register, instruments and fit as of {self.register_on:%Y-%m-%d}",
        ]
        return "\n".join([*lines, *self.notes])


def _one_in(share: float) -> str:
    words = {2: "two", 3: "three", 4: "four", 5: "five", 10: "ten", 20: "twenty"}
    count = round(1 / share)
    return f"one in {words.get(count, count)}"


def _tested_words(tested: Tested | None, coverage: float) -> str:
    if tested is None:
        return "back-test: fewer than 30 past digs could be tried this way, so no share is given"
    return (
        f"back-test: {coverage:.0%} windows asked this way held {tested.held} of {tested.tried} past digs {tested.of} "
        f"({tested.held / tested.tried:.0%}, 90% limits {tested.held_lo:.0%} to {tested.held_hi:.0%})"
    )


def metres_and_feet(distance_m: float) -> str:
    """A distance in both units."""
    return f"{distance_m:.1f} m ({distance_m / M_PER_FT:.0f} ft)"


def find_dig_window(basis: Basis, asked: Asked, coverage: float) -> DigWindow:
    """Corrected distance and windows of one reading, from the last refresh.

    Parameters
    ----------
    coverage
        Share of faults that the window first spoken of should hold.

    Raises
    ------
    UserError
        Terminal, class or instrument unknown, distance or velocity out of bounds.

    Checked by: tests/unit/test_locating_window.py
    """
    effects = basis.effects
    if not 0 < asked.distance_m < 100_000:
        raise UserError(f"distance {asked.distance_m} is out of bounds", "--distance", "give metres above 0")
    for given, least, most, option, unit in (
        (asked.pulse_ns, 1, 100_000, "--pulse-ns", "nanoseconds"),
        (asked.sampling_m, 0.001, 100, "--sampling-m", "metres"),
    ):
        if given is not None and not least <= given <= most:
            raise UserError(f"{given:g} is out of bounds", option, f"give {unit}, {least} to {most}, or leave it out")
    known = [name for name in effects.instruments if name]
    if asked.instrument_id and asked.instrument_id not in known:
        remedy = suggest_name(asked.instrument_id, known)
        raise UserError(f"unknown instrument '{asked.instrument_id}'", "--instrument", remedy)
    way = ALONG if asked.from_terminal is not None else BY_CLASS
    chain = lay_chain(basis, asked) if way == ALONG else None
    ways = lay_ways(chain, basis.pieces, effects.classes, 1) if chain is not None else lay_class_way(effects, asked)
    first_class = class_names(effects)[ways.cable_class[0]]
    velocity, notes = choose_setting(basis, first_class, asked)
    notes += check_blind_zone(basis, asked, velocity)
    placed, season_note = _place(basis, asked, ways, velocity, way)
    corrected, se = float(placed.corrected_m[0]), float(placed.se_m[0])
    quantiles = basis.quantiles[basis.quantiles["way"] == way].set_index("window_level")["quantile"]

    def window(at: float) -> tuple[float, float, float]:
        half = interpolate_quantile(quantiles, at) * se
        return at, max(corrected - half, 0.0), corrected + half

    end_class = class_names(effects)[placed.end_class[0]]
    _, low, high = window(coverage)
    return DigWindow(
        asked=asked,
        way=way,
        velocity_pct=velocity,
        place=_place_words(asked, way),
        corrected_m=corrected,
        se_m=se,
        windows=tuple(window(each) for each in sorted({*COVERAGES, coverage})),
        coverage=coverage,
        sections=() if chain is None else _touched(chain, low, high),
        tested=find_tested(basis.coverage, way, end_class, corrected, coverage),
        register_on=basis.as_of,
        notes=(
            *notes,
            *season_note,
            *_further_notes(basis, asked, way, placed),
            *_marks(basis, asked, velocity, chain, corrected),
        ),
    )


def _place(basis: Basis, asked: Asked, ways: Ways, velocity: float, way: str) -> tuple[Placed, list[str]]:
    effects, row = basis.effects, np.array([row_of(basis.effects, asked.instrument_id)])
    days = 0.0 if asked.on is None else float((asked.on - basis.as_of).days)
    years = np.array([days / DAYS_PER_YEAR])
    moved = instrument_movement(basis, asked.instrument_id, days)

    def placed_at(time_m: float) -> Placed:
        return place_readings(
            effects,
            ways,
            np.array([time_m]),
            row,
            years=years,
            moved=moved,
            further_variance_m2=coarse_variance(np.array([asked.sampling_m or 0.0]), basis.locating),
            is_tail_known=way == ALONG,
        )

    time_m = asked.distance_m * REFERENCE_PCT / velocity
    # the season is that of the class the reading ends in
    cable_class = class_names(effects)[placed_at(time_m).end_class[0]]
    shift, note = find_season(basis, cable_class, asked.on)
    return placed_at(time_m / (1.0 + shift)), note


def check_blind_zone(basis: Basis, asked: Asked, velocity_pct: float) -> list[str]:
    """Nothing, or what is to be said of a reading near the pulse's own length.

    Raises
    ------
    UserError
        The reading lies within the blind zone of the pulse stated.
    """
    pulse_ns = asked.pulse_ns or basis.locating.pulse_ns
    blind_m = float(blind_zone_m(pulse_ns, velocity_pct))
    if asked.distance_m >= blind_m:
        return []
    words = (
        f"{metres_and_feet(asked.distance_m)} is inside the blind zone of a pulse of {pulse_ns:.0f} ns "
        f"({metres_and_feet(blind_m)}), where the pulse sent hides an echo"
    )
    if asked.pulse_ns:
        raise UserError(words, "--distance", "use a shorter pulse, or test from the other end")
    return [f"{words[0].upper()}{words[1:]}: if the pulse was as long, use a shorter one, or test from the other end."]


def _place_words(asked: Asked, way: str) -> str:
    if way == ALONG:
        return f"from {asked.from_terminal} toward {asked.toward_terminal}"
    return f"from the terminal tested from, over {' then '.join(name for name, _ in asked.classes)}"


def _touched(chain: pd.DataFrame, low: float, high: float) -> tuple[str, ...]:
    ends = chain["route_m"].cumsum()
    starts = ends - chain["route_m"]
    return tuple(chain.loc[(starts < high) & (ends > low), "section_id"])


def find_tested(table: pd.DataFrame, way: str, cable_class: str, corrected_m: float, coverage: float) -> Tested | None:
    """Back-test of windows asked the same way: of the class and band, else of the next wider group of ENOUGH_TRIED."""
    own = table[
        (table["way"] == way) & (table["window_level"] - coverage).abs().lt(1e-9) & (table["tried"] >= ENOUGH_TRIED)
    ]
    band = distance_band(pd.Series([corrected_m]))[0]
    groups = (
        ("class_and_band", f"{cable_class}, {band}", f"over {cable_class} at {band}"),
        ("cable_class", cable_class, f"over {cable_class}, all distances"),
        ("distance_band", band, f"at {band}, all classes"),
        ("all", "all", "of all classes and distances"),
    )
    for grouped_by, name, words in groups:
        found = own[(own["grouped_by"] == grouped_by) & (own["group_name"] == name)]
        if len(found):
            row = found.iloc[0]
            return Tested(int(row["held"]), int(row["tried"]), float(row["held_lo"]), float(row["held_hi"]), words)
    return None


def read_way(classes: list[str]) -> tuple[tuple[str, float], ...]:
    """Classes of --class in the order passed, those before the last with their lengths.

    Raises
    ------
    UserError
        A class before the last has no length, or one that is no number.
    """
    passed = []
    for text in classes[:-1]:
        name, _, length = text.rpartition("=")
        try:
            passed.append((name, float(length)))
        except ValueError:
            raise UserError(
                f"'{text}' has no length", "--class", "give all classes but the last as CLASS=METRES"
            ) from None
    return (*passed, (classes[-1], math.inf)) if classes else ()


def _marks(basis: Basis, asked: Asked, velocity: float, chain: pd.DataFrame | None, corrected_m: float) -> list[str]:
    """A terminal that the instrument may not tell from the fault, in words."""
    if chain is None:
        return []
    locating = basis.locating
    apart = float(resolution_m(asked.pulse_ns or locating.pulse_ns, velocity, asked.sampling_m or locating.sampling_m))
    ends = chain["route_m"].cumsum().to_numpy(float)
    nearest = int(np.argmin(np.abs(ends - corrected_m)))
    if abs(ends[nearest] - corrected_m) >= apart:
        return []
    words = f"The far terminal of {chain['section_id'].iloc[nearest]} lies within {metres_and_feet(apart)}"
    return [f"{words}, the resolution of the pulse: the fault may be in it."]


def _further_notes(basis: Basis, asked: Asked, way: str, placed: Placed) -> list[str]:
    notes = []
    if not asked.instrument_id:
        notes.append("Instrument not stated: its own error widens the window.")
    drift = basis.drift[(basis.drift["instrument_id"] == asked.instrument_id) & basis.drift["is_drifting"].astype(bool)]
    if len(drift):
        row = drift.iloc[0]
        notes.append(
            f"{asked.instrument_id} drifts by {row['drift_pct_per_year']:.2f}% a year since "
            f"{row['drift_from_at']:%Y-%m-%d}: the correction follows the drift to "
            f"{asked.on or basis.as_of}; have it checked on a run of known length."
        )
    if way == BY_CLASS:
        terms = basis.effects.terms
        tails = terms["usual_tails"] + terms["usual_tails_per_m"] * float(placed.corrected_m[0])
        tail = terms["usual_tail_m"] + terms["usual_tail_per_m"] * float(placed.corrected_m[0])
        tail += tails * basis.effects.tail_m
        notes.append(
            f"Terminals not given: a usual tail of {metres_and_feet(max(tail, 0.0))} is taken off, and the window is "
            "wider for it."
        )
    if placed.is_beyond[0] and way == ALONG:
        notes.append("The corrected distance lies beyond the last section of the register on this side.")
    return notes


def interpolate_quantile(quantiles: pd.Series, coverage: float) -> float:
    """Quantile of the standardised error at a level, between the levels tabled (linear on the normal's own scale)."""
    from scipy.special import ndtri

    coverages = quantiles.index.to_numpy(float)
    normal = ndtri(0.5 + coverages / 2)
    return float(np.interp(ndtri(0.5 + coverage / 2), normal, quantiles.to_numpy(float)))
