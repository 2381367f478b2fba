"""Where to dig next: corrected distance and window of a reading, asked by terminals of the register or by class."""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from pipelines.locating.correction import ALONG, BY_CLASS
from pipelines.locating.coverage import distance_band
from pipelines.locating.effects import Effects, read_effects
from pipelines.locating.placing import Placed, place_readings
from pipelines.locating.readings import REFERENCE_PCT
from pipelines.locating.resolution import blind_zone_m, coarse_variance, resolution_m
from pipelines.locating.season import season_shift
from pipelines.locating.ways import Ways, lay_classes, lay_ways
from shared.arrays import Floats
from shared.errors import UserError, suggest_name
from shared.store import has_table, read_model, read_settings
from shared.units import DAYS_PER_YEAR, M_PER_FT

if TYPE_CHECKING:
    import duckdb

    from shared.settings import Locating


COVERAGES = (0.50, 0.80, 0.95)
ENOUGH_TRIED = 30
"""Past digs below which a back-test of one class and distance band is not quoted; a wider group then is."""


@dataclass(frozen=True)
class Asked:
    """A reading and how it is asked.

    Parameters
    ----------
    distance_m
        Displayed distance, metres.
    from_terminal, toward_terminal
        Terminal tested from and the next one looked toward; none: by class.
    classes
        Classes passed with their lengths along the route, metres; the last goes on.
    instrument_id
        Instrument; none: one not seen before.
    velocity_pct
        Its setting, percent of c; none: its median on the class, else over all classes, else that of the class.
    on
        Day of the reading; none: the as-of day, in a mean season.
    pulse_ns, sampling_m
        Width of the pulse, nanoseconds, and distance between two points of the display; none: those of the settings.
    """

    distance_m: float
    from_terminal: str | None = None
    toward_terminal: str | None = None
    classes: tuple[tuple[str, float], ...] = ()
    instrument_id: str | None = None
    velocity_pct: float | None = None
    on: date | None = None
    pulse_ns: float | None = None
    sampling_m: float | None = None


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


@dataclass(frozen=True)
class Basis:
    """All that windows are made from, read once: tables of the last refresh and the settings it was made with."""

    effects: Effects
    quantiles: pd.DataFrame
    coverage: pd.DataFrame
    season: pd.DataFrame
    levels: pd.DataFrame
    proposals: pd.DataFrame
    velocities: pd.DataFrame
    drift: pd.DataFrame
    sections: pd.DataFrame
    pieces: pd.DataFrame
    tails: pd.Series
    locating: Locating
    as_of: date


def read_basis(con: duckdb.DuckDBPyConnection) -> Basis:
    """What windows are made from.

    Raises
    ------
    UserError
        Nothing is fitted yet.
    """
    if not has_table(con, "fitted.locating_effects"):
        raise UserError("no velocities are fitted yet", "fitted.locating_effects", "run: loopwear refresh")
    estimates = read_model(con, "fitted.locating_effects")
    if estimates.empty:
        raise UserError(
            "no velocity could be fitted: no reading has a displayed distance, a true length and a setting",
            "core.locating_readings",
            "load jobs with dug distances, or known_lengths, then run: loopwear refresh",
        )
    terminals = read_model(con, "staging.terminals", columns=("terminal_id", "tail_m"))
    sections = read_model(
        con,
        "staging.sections",
        columns=(
            "section_id", "loop_id", "position", "from_terminal_id", "to_terminal_id", "cable_class", "insulation",
            "length_m", "installed_on", "retired_on",
        ),
    )  # fmt: skip
    settings = read_settings(con)
    as_of = settings.general.as_of
    return Basis(
        effects=read_effects(estimates, read_model(con, "fitted.locating_covariance")),
        quantiles=read_model(con, "fitted.window_quantiles"),
        coverage=read_model(con, "marts.window_coverage"),
        season=read_model(con, "marts.season"),
        levels=read_model(con, "marts.instrument_levels"),
        proposals=read_model(con, "marts.setting_proposals"),
        velocities=read_model(con, "marts.velocity_by_class"),
        drift=read_model(con, "marts.instrument_drift"),
        sections=sections,
        pieces=read_model(
            con, "staging.section_pieces", columns=("section_id", "from_m", "to_m", "cable_class", "installed_on")
        ),
        tails=terminals.set_index("terminal_id")["tail_m"].astype(float),
        locating=settings.locating,
        as_of=as_of if as_of is not None else date.today(),
    )


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
    known = [name for name in effects.instruments if name]
    if asked.instrument_id and asked.instrument_id not in known:
        remedy = suggest_name(asked.instrument_id, known)
        raise UserError(f"unknown instrument '{asked.instrument_id}'", "--instrument", remedy)
    way = ALONG if asked.from_terminal is not None else BY_CLASS
    chain = lay_chain(basis, asked) if way == ALONG else None
    ways = lay_ways(chain, basis.pieces, effects.classes, 1) if chain is not None else _class_way(effects, asked)
    first_class = _class_names(effects)[ways.cable_class[0]]
    velocity, notes = choose_setting(basis, first_class, asked)
    notes += check_blind_zone(basis, asked, velocity)
    placed, season_note = _place(basis, asked, ways, velocity, way)
    corrected, se = float(placed.corrected_m[0]), float(placed.se_m[0])
    quantiles = basis.quantiles[basis.quantiles["way"] == way].set_index("window_level")["quantile"]

    def window(at: float) -> tuple[float, float, float]:
        half = interpolate_quantile(quantiles, at) * se
        return at, max(corrected - half, 0.0), corrected + half

    end_class = _class_names(effects)[placed.end_class[0]]
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
    effects, row = basis.effects, np.array([_row_of(basis.effects, asked.instrument_id)])
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
    cable_class = _class_names(effects)[placed_at(time_m).end_class[0]]
    shift, note = _find_season(basis, cable_class, asked.on)
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


def _class_names(effects: Effects) -> tuple[str, ...]:
    return (*effects.classes, "other class")


def _row_of(effects: Effects, instrument_id: str | None) -> int:
    return effects.instruments.index(instrument_id) if instrument_id else 0


def instrument_movement(basis: Basis, instrument_id: str | None, days: float) -> tuple[Floats, Floats]:
    """Scale and time zero of an instrument some days after the as-of day less those of that day, shapes (1,)."""
    own = basis.levels[basis.levels["instrument_id"] == instrument_id] if instrument_id else basis.levels.iloc[:0]
    if own.empty:
        return np.zeros(1), np.zeros(1)
    at = (pd.to_datetime(own["level_on"]) - pd.Timestamp(basis.as_of)).dt.days.to_numpy(float)
    scale, offset = own["scale_error_pct"].to_numpy(float) / 100.0, own["offset_m"].to_numpy(float)
    rate = basis.effects.own[_row_of(basis.effects, instrument_id), 2]
    slowness = float(basis.effects.slowness[:-1].mean())
    moved = np.interp(days, at, scale) - scale[-1] + rate * max(days, 0.0) / DAYS_PER_YEAR
    return np.array([moved]), np.array([(np.interp(days, at, offset) - offset[-1]) * slowness])


def lay_chain(basis: Basis, asked: Asked) -> pd.DataFrame:
    """Sections ahead of the terminal tested from, as today's register has them, in the form lay_ways takes.

    Raises
    ------
    UserError
        A terminal is not in the register, or the two are not on one loop.
    """
    on = pd.Timestamp(asked.on or basis.as_of)
    there = sections_on(basis.sections, on)
    for name, option in ((asked.from_terminal, "--from"), (asked.toward_terminal, "--toward")):
        ends = {*there["from_terminal_id"], *there["to_terminal_id"]}
        if name is None:
            raise UserError("no terminal to look toward", option, "give the next terminal in the direction tested")
        if name not in ends:
            raise UserError(f"terminal '{name}' has no section in service", option, suggest_name(name, sorted(ends)))
    loops = [
        set(there.loc[(there["from_terminal_id"] == name) | (there["to_terminal_id"] == name), "loop_id"])
        for name in (asked.from_terminal, asked.toward_terminal)
    ]
    if not loops[0] & loops[1] or asked.from_terminal == asked.toward_terminal:
        raise UserError(
            f"'{asked.from_terminal}' and '{asked.toward_terminal}' are not two terminals of one loop",
            "--toward",
            "give the next terminal in the direction tested",
        )
    chain = there[there["loop_id"] == min(loops[0] & loops[1])]
    # the newest cable of a position lies in the ground
    chain = chain.sort_values(["position", "installed_on", "section_id"]).drop_duplicates("position", keep="last")
    stops = [chain["from_terminal_id"].iloc[0], *chain["to_terminal_id"]]
    start, end = stops.index(asked.from_terminal), stops.index(asked.toward_terminal)
    ahead = chain.iloc[start:] if end > start else chain.iloc[:start][::-1]
    near, far = ("from_terminal_id", "to_terminal_id") if end > start else ("to_terminal_id", "from_terminal_id")
    near_m, far_m = (ahead[name].map(basis.tails).fillna(0.0).to_numpy(float) for name in (near, far))
    return pd.DataFrame(
        {
            "row": 0,
            "place": np.arange(len(ahead)),
            "section_id": ahead["section_id"].to_numpy(),
            "cable_class": ahead["cable_class"].to_numpy(),
            "route_m": np.maximum(ahead["length_m"].to_numpy(float) - near_m - far_m, 0.0),
            "near_tail_m": near_m,
            "far_tail_m": far_m,
            "direction": 1 if end > start else -1,
            "on": on,
        }
    )


def sections_on(sections: pd.DataFrame, on: pd.Timestamp) -> pd.DataFrame:
    """Sections in service on a day whose place in their loop is known."""
    installed, retired = pd.to_datetime(sections["installed_on"]), pd.to_datetime(sections["retired_on"])
    there = sections[~(installed > on).fillna(False) & ~(retired < on).fillna(False)]
    return there.dropna(subset=["position", "from_terminal_id", "to_terminal_id", "length_m"])


def _class_way(effects: Effects, asked: Asked) -> Ways:
    names = [name for name, _ in asked.classes]
    for name, length in asked.classes:
        if name not in effects.classes:
            raise UserError(
                f"no reading passed the class '{name}'", "--class", suggest_name(name, sorted(effects.classes))
            )
        if not length > 0:
            raise UserError(f"length {length} of '{name}' is out of bounds", "--class", "give metres above 0")
    # the last class goes on however long it is
    lengths = [length if math.isfinite(length) else 1.0 for _, length in asked.classes]
    return lay_classes(
        pd.DataFrame({"row": 0, "place": range(len(names)), "cable_class": names, "route_m": lengths}),
        effects.classes,
        1,
    )


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


def _find_season(basis: Basis, cable_class: str, on: date | None) -> tuple[float, list[str]]:
    """Share by which readings of the class are long on a day, and the words for it."""
    if on is None or basis.season.empty:
        return 0.0, []
    own = basis.sections.loc[basis.sections["cable_class"] == cable_class, "insulation"]
    insulation = pd.Series([own.min() if len(own) else None])
    shift = float(season_shift(basis.season, insulation, pd.Series([pd.Timestamp(on)]))[0])
    words = f"Season: readings of {insulation[0]} are {abs(shift):.1%} {'long' if shift > 0 else 'short'} on {on}."
    return shift, [words if shift else "The data carry no season for this class."]


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


def choose_setting(basis: Basis, cable_class: str, asked: Asked) -> tuple[float, list[str]]:
    """The setting stated, else the instrument's median on the class, else over all classes, else the class's."""
    if asked.velocity_pct is not None:
        if not 30 <= asked.velocity_pct <= 80:
            raise UserError(
                f"velocity {asked.velocity_pct} is out of bounds", "--velocity", "give percent of c, 30 to 80"
            )
        return asked.velocity_pct, []
    pairs = basis.proposals[basis.proposals["instrument_id"] == asked.instrument_id].dropna(
        subset=["setting_median_pct"]
    )
    own = pairs[pairs["cable_class"] == cable_class]
    if len(own):
        setting = float(own["setting_median_pct"].iloc[0])
        words = f"the median of {asked.instrument_id} on the class"
    elif len(pairs):
        setting = float(pairs["setting_median_pct"].median())
        words = f"the median of {asked.instrument_id} on other classes"
    else:
        found: Any = basis.velocities.set_index("cable_class")["setting_median_pct"].get(cable_class, math.nan)
        if not math.isfinite(found):
            raise UserError("no setting is on record for the class", "--velocity", "give the setting in percent of c")
        setting, words = float(found), "the median in use on the class"
    return setting, [f"Setting not stated: taken as {setting:.1f} % of c, {words}."]


def interpolate_quantile(quantiles: pd.Series, coverage: float) -> float:
    """Quantile of the standardised error at a level, between the levels tabled (linear on the normal's own scale)."""
    from scipy.special import ndtri

    coverages = quantiles.index.to_numpy(float)
    normal = ndtri(0.5 + coverages / 2)
    return float(np.interp(ndtri(0.5 + coverage / 2), normal, quantiles.to_numpy(float)))


READINGS_IN = (
    "reading_id", "read_on", "instrument_id", "velocity_setting_pct", "displayed_distance_m", "test_terminal_id",
    "toward_terminal_id", "cable_class", "pulse_ns", "sampling_m",
)  # fmt: skip
WINDOWS_OUT = (
    "reading_id", "way", "corrected_m", "lo_50", "hi_50", "lo_80", "hi_80", "lo_95", "hi_95", "note", "caution",
)  # fmt: skip


def read_readings(file: Path) -> pd.DataFrame:
    """Rows of a CSV of readings, all as text.

    Raises
    ------
    UserError
        No such file, or it lacks a heading.
    """
    try:
        rows = pd.read_csv(file, dtype=str, keep_default_na=False, encoding="utf-8-sig")
    except (OSError, ValueError) as problem:
        raise UserError(f"cannot be read: {problem}", str(file), "give a CSV file with a header line") from None
    missing = [name for name in ("reading_id", "displayed_distance_m") if name not in rows]
    if missing:
        raise UserError(f"no column {' and '.join(missing)}", str(file), f"headings: {', '.join(READINGS_IN)}")
    return rows


def answer_readings(basis: Basis, readings: pd.DataFrame, caution: str) -> pd.DataFrame:
    """Windows of many readings, a row each; one that cannot be answered keeps its place with the reason in `note`.

    Parameters
    ----------
    readings
        READINGS_IN, as text.
    caution
        Stands in every row.

    Returns
    -------
    DataFrame
        WINDOWS_OUT, lengths in metres to the millimetre.
    """
    rows = []
    for row in readings.to_dict("records"):
        given = {str(name): text for name in READINGS_IN if (text := str(row.get(name) or "").strip())}
        found: dict[str, object] = {"reading_id": given.get("reading_id", ""), "caution": caution}
        try:
            asked = _read_asked(given)
            found["way"] = ALONG if asked.from_terminal else BY_CLASS
            window = find_dig_window(basis, asked, 0.8)
        except UserError as problem:
            rows.append(found | {"note": f"{problem.what}; {problem.remedy}"})
            continue
        found |= {"corrected_m": round(window.corrected_m, 3), "note": " ".join(window.notes)}
        for level, low, high in window.windows:
            found |= {f"lo_{level * 100:.0f}": round(low, 3), f"hi_{level * 100:.0f}": round(high, 3)}
        rows.append(found)
    return pd.DataFrame(rows, columns=list(WINDOWS_OUT))


def _read_asked(given: dict[str, str]) -> Asked:
    """A row of readings as asked; faults as UserError."""

    def number(name: str) -> float | None:
        text = given.get(name)
        if text is None:
            return None
        try:
            return float(text.replace(",", "."))
        except ValueError:
            raise UserError(f"{name} '{text}' is no number", name, "give a number") from None

    distance = number("displayed_distance_m")
    if distance is None:
        raise UserError("no displayed_distance_m", "displayed_distance_m", "give metres above 0")
    try:
        on = date.fromisoformat(given["read_on"][:10]) if "read_on" in given else None
    except ValueError:
        raise UserError(f"read_on '{given['read_on']}' is no day", "read_on", "give it as YYYY-MM-DD") from None
    start, toward, cable_class = (given.get(n) for n in ("test_terminal_id", "toward_terminal_id", "cable_class"))
    if start is None and cable_class is None:
        raise UserError("neither terminals nor a cable class", "cable_class", "give the two terminals or a class")
    return Asked(
        distance_m=distance,
        from_terminal=start,
        toward_terminal=toward,
        classes=read_way([cable_class]) if start is None and cable_class else (),
        instrument_id=given.get("instrument_id"),
        velocity_pct=number("velocity_setting_pct"),
        on=on,
        pulse_ns=number("pulse_ns"),
        sampling_m=number("sampling_m"),
    )
