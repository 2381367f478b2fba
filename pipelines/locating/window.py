"""Where to dig next: corrected distance and window for one displayed distance."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from pipelines.locating.readings import REFERENCE_PCT
from pipelines.locating.season import season_shift
from shared.errors import UserError, suggest_name
from shared.settings import Settings
from shared.store import has_table, read_model
from shared.units import M_PER_FT

if TYPE_CHECKING:
    import duckdb

COVERAGES = (0.50, 0.80, 0.95)


@dataclass(frozen=True)
class DigWindow:
    """Corrected distance and window along the route, metres from the terminal tested from.

    Parameters
    ----------
    cable_class, instrument_id, velocity_pct, distance_m
        What was asked, classes in the order passed; instrument_id is empty for an instrument not on record.
    corrected_m, lo_m, hi_m
        Corrected distance and the window at `level`.
    coverage
        Share of faults such windows should hold.
    windows
        (level, lo, hi) at 50, 80 and 95 %.
    held, tried
        Back-test: past digs of the class the window lies in, inside windows of `level`, and digs tried.
    note
        What was assumed.
    """

    cable_class: str
    instrument_id: str
    velocity_pct: float
    distance_m: float
    corrected_m: float
    lo_m: float
    hi_m: float
    coverage: float
    windows: tuple[tuple[float, float, float], ...]
    held: int
    tried: int
    note: str

    def describe(self) -> str:
        """The window in words, metres and feet."""
        setting = f"{self.velocity_pct:.1f} % of c, {self.instrument_id or 'an instrument not stated'}"
        back_test = (
            f"back-test: windows of {self.coverage:.0%} held {self.held} of {self.tried} past digs of this class "
            f"({self.held / self.tried:.0%})"
            if self.tried
            else "back-test: no past dig of this class to try it on"
        )
        lines = [
            f"displayed {_metres_and_feet(self.distance_m)} at {setting}, {self.cable_class}",
            f"corrected {_metres_and_feet(self.corrected_m)} along the route from the terminal tested from",
            *(
                f"{coverage:.0%} window {_metres_and_feet(low)} to {_metres_and_feet(high)}"
                for coverage, low, high in self.windows
            ),
            back_test,
        ]
        return "\n".join([*lines, self.note] if self.note else lines)


def _metres_and_feet(distance_m: float) -> str:
    return f"{distance_m:.1f} m ({distance_m / M_PER_FT:.0f} ft)"


Line = Mapping[str, Any] | pd.Series
"""A row of fitted.locating_lines."""


def window_half_width(line: Line, corrected_m: float, quantile: float) -> float:
    """Half width of the window at a corrected distance over one class: half_width_along on a way of one part."""
    return half_width_along([(line, corrected_m)], quantile)


def half_width_along(passed: list[tuple[Line, float]], quantile: float) -> float:
    """Half width of the window at the end of a way over several classes, metres along the route.

    Parameters
    ----------
    passed
        Line of each class passed and the length passed in it, metres; the fault lies in the last.
    quantile
        Quantile of the standardised error.

    Notes
    -----
    Variance of the line at that distance plus that of a single reading, over the slope of the last class. The errors
    of the slopes of several classes are taken to move together, which is the wider way to take them.

    Checked by: tests/unit/test_locating_window.py (through find_dig_window)
    """
    last = passed[-1][0]
    variance = (
        last["constant_variance"]
        + last["noise_constant_variance"]
        + sum(2 * length * line["line_covariance"] for line, length in passed)
        + sum(length * np.sqrt(line["slope_variance"]) for line, length in passed) ** 2
        + sum(length * np.sqrt(line["noise_growing_variance"]) for line, length in passed) ** 2
    )
    return float(quantile * np.sqrt(max(variance, 0.0)) / last["slope"])


def correct_along(time_m: float, way: list[tuple[Line, float]]) -> list[tuple[Line, float]]:
    """The part of each class on the way that a reading stands for: line and length passed, metres along the route.

    Parameters
    ----------
    time_m
        Reading as a distance at REFERENCE_PCT.
    way
        Line of each class in the order passed and its length along the route, metres; the last one goes on.

    Checked by: tests/unit/test_locating_window.py (through find_dig_window)
    """
    left = time_m - way[0][0]["constant_m"]
    passed: list[tuple[Line, float]] = []
    for place, (line, length) in enumerate(way):
        into = max(left / line["slope"], 0.0)
        if into <= length or place == len(way) - 1:
            return [*passed, (line, float(into))]
        passed.append((line, length))
        left -= line["slope"] * length
    return passed


def find_dig_window(
    con: duckdb.DuckDBPyConnection,
    settings: Settings,
    *,
    cable_class: str,
    distance_m: float,
    instrument_id: str | None = None,
    velocity_pct: float | None = None,
    passed_before: tuple[tuple[str, float], ...] = (),
    on: date | None = None,
) -> DigWindow:
    """Corrected distance and window for one displayed distance, from the last refresh.

    Parameters
    ----------
    cable_class
        Class of the cable on the way; where several are passed, the last.
    distance_m
        Displayed distance, metres.
    instrument_id
        Instrument; none: an instrument not seen before.
    velocity_pct
        Setting it stood on, percent of c; none: the median setting of the instrument, else of all, on the first class
        of the way.
    passed_before
        Classes passed before it, each with its length along the route in metres.
    on
        Day of the reading, for the season; none: a mean season.

    Raises
    ------
    UserError
        Nothing is fitted yet, class or instrument unknown, distance or velocity out of bounds.

    Checked by: tests/unit/test_locating_window.py
    """
    lines = _read_lines(con)
    quantiles = read_model(con, "fitted.window_quantiles").set_index("window_level")
    if not 0 < distance_m < 100_000:
        raise UserError(f"distance {distance_m} is out of bounds", "--distance", "give metres above 0")
    instruments = sorted(i for i in lines["instrument_id"].unique() if i)
    if instrument_id and instrument_id not in instruments:
        remedy = suggest_name(instrument_id, instruments)
        raise UserError(f"unknown instrument '{instrument_id}'", "--instrument", remedy)
    own = lines[lines["instrument_id"] == (instrument_id or "")]
    way = _lay_way(own, (*passed_before, (cable_class, math.inf)))
    setting, note = _choose_setting(con, str(way[0][0]["cable_class"]), instrument_id or "", velocity_pct)
    reading = distance_m * REFERENCE_PCT / setting
    # The season is that of the class the reading ends in.
    shift, season_note = _find_season(con, str(correct_along(reading, way)[-1][0]["cable_class"]), on)
    passed = correct_along(reading / (1.0 + shift), way)
    corrected = sum(length for _, length in passed)
    note = " ".join(filter(None, [note, season_note]))
    coverage = settings.locating.window_coverage
    if not instrument_id:
        note = " ".join(filter(None, [note, "Instrument not stated: its own error widens the window."]))
    else:
        note = " ".join(filter(None, [note, _describe_drift(con, instrument_id, corrected)]))

    def window(at_level: float) -> tuple[float, float]:
        half = half_width_along(passed, interpolate_quantile(quantiles["quantile"], at_level))
        return max(corrected - half, 0.0), corrected + half

    held, tried = _read_backtest(con, str(passed[-1][0]["cable_class"]), coverage)
    return DigWindow(
        cable_class=" then ".join(str(line["cable_class"]) for line, _ in way),
        instrument_id=instrument_id or "",
        velocity_pct=setting,
        distance_m=distance_m,
        corrected_m=corrected,
        lo_m=window(coverage)[0],
        hi_m=window(coverage)[1],
        coverage=coverage,
        windows=tuple((each, *window(each)) for each in sorted({*COVERAGES, coverage})),
        held=held,
        tried=tried,
        note=note,
    )


def _read_backtest(con: duckdb.DuckDBPyConnection, cable_class: str, coverage: float) -> tuple[int, int]:
    """Past digs of the class that windows of that coverage held, and those tried."""
    tried = read_model(con, "marts.window_coverage")
    tested = tried[
        (tried["grouped_by"] == "cable_class")
        & (tried["group_name"] == cable_class)
        & tried["is_used"]
        & (tried["window_level"] - coverage).abs().lt(1e-9)
    ]
    return int(tested["held"].sum()), int(tested["tried"].sum())


def _read_lines(con: duckdb.DuckDBPyConnection) -> pd.DataFrame:
    if not has_table(con, "fitted.locating_lines"):
        raise UserError("no velocities are fitted yet", "fitted.locating_lines", "run: loopwear refresh")
    lines = read_model(con, "fitted.locating_lines")
    if lines.empty:
        raise UserError(
            "no velocity could be fitted: no reading has a displayed distance, a true length and a setting",
            "core.locating_readings",
            "load jobs with dug distances, or known_lengths, then run: loopwear refresh",
        )
    return lines


def read_way(classes: list[str]) -> tuple[tuple[tuple[str, float], ...], str]:
    """Classes of --class in the order passed: those before the last with their lengths, and the last.

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
    return tuple(passed), classes[-1]


def _lay_way(own: pd.DataFrame, parts: tuple[tuple[str, float], ...]) -> list[tuple[Line, float]]:
    by_class: dict[str, Line] = {str(row["cable_class"]): row for _, row in own.iterrows()}
    classes = sorted(by_class)
    way: list[tuple[Line, float]] = []
    for name, length in parts:
        if name not in by_class:
            raise UserError(f"no reading passed the class '{name}'", "--class", suggest_name(name, classes))
        if not length > 0:
            raise UserError(f"length {length} of '{name}' is out of bounds", "--class", "give metres above 0")
        way.append((by_class[name], length))
    return way


def _find_season(con: duckdb.DuckDBPyConnection, cable_class: str, on: date | None) -> tuple[float, str]:
    """Share by which readings of the class are long on a day, and the words for it."""
    if on is None or not has_table(con, "marts.season"):
        return 0.0, ""
    found = con.execute("select min(insulation) from staging.sections where cable_class = ?", [cable_class]).fetchone()
    insulation, day = pd.Series([found[0] if found else None]), pd.Series([pd.Timestamp(on)])
    shift = float(season_shift(read_model(con, "marts.season"), insulation, day)[0])
    words = f"Season: readings of {insulation[0]} are {abs(shift):.1%} {'long' if shift > 0 else 'short'} on {on}."
    return shift, words if shift else "The data carry no season for this class."


def _describe_drift(con: duckdb.DuckDBPyConnection, instrument_id: str, corrected_m: float) -> str:
    """What a drift of the instrument does to this reading: the correction is that of all its readings together."""
    if not has_table(con, "marts.instrument_drift"):
        return ""
    rows = read_model(con, "marts.instrument_drift")
    drifting = rows[(rows["instrument_id"] == instrument_id) & rows["is_drifting"].astype(bool)]
    if drifting.empty:
        return ""
    row = drifting.iloc[0]
    away = float(row["last_ewma_pct"])
    return (
        f"{instrument_id} drifts by {row['drift_pct_per_year']:.2f}% a year since {row['drift_from_at']:%Y-%m-%d}: its "
        f"latest readings are {abs(away):.1f}% {'long' if away > 0 else 'short'} of this correction, "
        f"{_metres_and_feet(abs(away) / 100 * corrected_m)} here. The windows do not take that off; have it checked on "
        "a run of known length."
    )


def _choose_setting(
    con: duckdb.DuckDBPyConnection, cable_class: str, instrument_id: str, velocity_pct: float | None
) -> tuple[float, str]:
    if velocity_pct is not None:
        if not 30 <= velocity_pct <= 80:
            raise UserError(f"velocity {velocity_pct} is out of bounds", "--velocity", "give percent of c, 30 to 80")
        return velocity_pct, ""
    if instrument_id and has_table(con, "marts.setting_proposals"):
        pairs = read_model(con, "marts.setting_proposals")
        own = pairs[(pairs["instrument_id"] == instrument_id) & (pairs["cable_class"] == cable_class)]
        own_setting = float(own["setting_median_pct"].iloc[0]) if len(own) else math.nan
        if math.isfinite(own_setting):
            return own_setting, (
                f"Setting not stated: taken as {own_setting:.1f} % of c, the median of {instrument_id} on the class."
            )
    velocities = read_model(con, "marts.velocity_by_class").set_index("cable_class")
    setting = float(velocities["setting_median_pct"].to_numpy(float)[velocities.index.get_loc(cable_class)])
    if not np.isfinite(setting):
        raise UserError("no setting is on record for the class", "--velocity", "give the setting in percent of c")
    return setting, f"Setting not stated: taken as {setting:.1f} % of c, the median in use on the class."


def interpolate_quantile(quantiles: pd.Series, coverage: float) -> float:
    """Quantile of the standardised error at a level, between the levels tabled (linear on the normal's own scale)."""
    from scipy.special import ndtri

    coverages = quantiles.index.to_numpy(float)
    normal = ndtri(0.5 + coverages / 2)
    return float(np.interp(ndtri(0.5 + coverage / 2), normal, quantiles.to_numpy(float)))
