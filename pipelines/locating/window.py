"""Where to dig next: corrected distance and window for one displayed distance."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from pipelines.locating.readings import REFERENCE_PCT
from shared.errors import UserError, suggest_name
from shared.settings import Settings
from shared.store import has_table, read_model
from shared.units import M_PER_FT

if TYPE_CHECKING:
    import duckdb

LEVELS = (0.50, 0.80, 0.95)


@dataclass(frozen=True)
class DigWindow:
    """Corrected distance and window along the route, metres from the terminal tested from.

    Parameters
    ----------
    cable_class, instrument_id, velocity_pct, distance_m
        What was asked; instrument_id is empty for an instrument not on record.
    corrected_m, lo_m, hi_m
        Corrected distance and the window at `level`.
    level
        Share of faults such windows should hold.
    windows
        (level, lo, hi) at 50, 80 and 95 %.
    held, tried
        Back-test: past digs of the class inside windows of `level`, and digs tried.
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
    level: float
    windows: tuple[tuple[float, float, float], ...]
    held: int
    tried: int
    note: str

    def describe(self) -> str:
        """The window in words, metres and feet."""
        setting = f"{self.velocity_pct:.1f} % of c, {self.instrument_id or 'an instrument not stated'}"
        back_test = (
            f"back-test: windows of {self.level:.0%} held {self.held} of {self.tried} past digs of this class "
            f"({self.held / self.tried:.0%})" if self.tried else "back-test: no past dig of this class to try it on"
        )
        lines = [
            f"displayed {_metres_and_feet(self.distance_m)} at {setting}, {self.cable_class}",
            f"corrected {_metres_and_feet(self.corrected_m)} along the route from the terminal tested from",
            *(
                f"{level:.0%} window {_metres_and_feet(low)} to {_metres_and_feet(high)}"
                for level, low, high in self.windows
            ),
            back_test,
        ]
        return "\n".join([*lines, self.note] if self.note else lines)


def _metres_and_feet(distance_m: float) -> str:
    return f"{distance_m:.1f} m ({distance_m / M_PER_FT:.0f} ft)"


def window_half_width(line: Mapping[str, float] | pd.Series, corrected_m: float, quantile: float) -> float:
    """Half width of the window at a corrected distance, metres along the route.

    Parameters
    ----------
    line
        A row of fitted.locating_lines.
    quantile
        Quantile of the standardised error.

    Notes
    -----
    Variance of the line at that distance plus that of a single reading, over the slope.
    """
    variance = (
        line["constant_variance"] + 2 * corrected_m * line["line_covariance"]
        + corrected_m**2 * line["slope_variance"]
        + line["noise_constant_variance"] + corrected_m**2 * line["noise_growing_variance"]
    )
    return float(quantile * np.sqrt(max(variance, 0.0)) / line["slope"])


def find_dig_window(
    con: duckdb.DuckDBPyConnection, settings: Settings, *, cable_class: str, distance_m: float,
    instrument_id: str | None = None, velocity_pct: float | None = None,
) -> DigWindow:
    """Corrected distance and window for one displayed distance, from the last refresh.

    Parameters
    ----------
    cable_class
        Class of the cable on the way.
    distance_m
        Displayed distance, metres.
    instrument_id
        Instrument; none: an instrument not seen before.
    velocity_pct
        Setting it stood on, percent of c; none: the median setting in use on the class.

    Raises
    ------
    UserError
        Nothing is fitted yet, class or instrument unknown, distance or velocity out of bounds.

    Checked by: tests/unit/test_locating_window.py
    """
    if not has_table(con, "fitted.locating_lines"):
        raise UserError("no velocities are fitted yet", "fitted.locating_lines", "run: loopwear refresh")
    lines = read_model(con, "fitted.locating_lines")
    quantiles = read_model(con, "fitted.window_quantiles").set_index("window_level")
    if lines.empty:
        raise UserError(
            "no velocity could be fitted: no reading has a displayed distance, a true length and a setting",
            "core.locating_readings", "load jobs with dug distances, or known_lengths, then run: loopwear refresh",
        )
    if not 0 < distance_m < 100_000:
        raise UserError(f"distance {distance_m} is out of bounds", "--distance", "give metres above 0")
    classes = sorted(lines["cable_class"].unique())
    if cable_class not in classes:
        raise UserError(f"no reading passed the class '{cable_class}'", "--class", suggest_name(cable_class, classes))
    instruments = sorted(i for i in lines["instrument_id"].unique() if i)
    if instrument_id and instrument_id not in instruments:
        remedy = suggest_name(instrument_id, instruments)
        raise UserError(f"unknown instrument '{instrument_id}'", "--instrument", remedy)
    setting, note = _choose_setting(con, cable_class, velocity_pct)
    at = (lines["cable_class"] == cable_class) & (lines["instrument_id"] == (instrument_id or ""))
    line = lines[at].iloc[0]
    corrected = max((distance_m * REFERENCE_PCT / setting - line["constant_m"]) / line["slope"], 0.0)
    level = settings.locating.window_level
    if not instrument_id:
        note = " ".join(filter(None, [note, "Instrument not stated: its own error widens the window."]))

    def window(at_level: float) -> tuple[float, float]:
        half = window_half_width(line, corrected, interpolate_quantile(quantiles["quantile"], at_level))
        return max(corrected - half, 0.0), corrected + half

    coverage = read_model(con, "fitted.window_coverage")
    tested = coverage[
        (coverage["grouped_by"] == "cable_class") & (coverage["group_name"] == cable_class) & coverage["is_used"]
        & (coverage["window_level"] - level).abs().lt(1e-9)
    ]
    return DigWindow(
        cable_class=cable_class, instrument_id=instrument_id or "", velocity_pct=setting, distance_m=distance_m,
        corrected_m=corrected, lo_m=window(level)[0], hi_m=window(level)[1], level=level,
        windows=tuple((each, *window(each)) for each in sorted({*LEVELS, level})),
        held=int(tested["held"].sum()), tried=int(tested["tried"].sum()), note=note,
    )


def _choose_setting(con: duckdb.DuckDBPyConnection, cable_class: str, velocity_pct: float | None) -> tuple[float, str]:
    if velocity_pct is not None:
        if not 30 <= velocity_pct <= 80:
            raise UserError(
                f"velocity {velocity_pct} is out of bounds", "--velocity", "give percent of c, 30 to 80",
            )
        return velocity_pct, ""
    velocities = read_model(con, "fitted.velocity_by_class").set_index("cable_class")
    setting = float(velocities["setting_median_pct"].to_numpy(float)[velocities.index.get_loc(cable_class)])
    if not np.isfinite(setting):
        raise UserError("no setting is on record for the class", "--velocity", "give the setting in percent of c")
    return setting, f"Setting not stated: taken as {setting:.1f} % of c, the median in use on the class."


def interpolate_quantile(quantiles: pd.Series, level: float) -> float:
    """Quantile of the standardised error at a level, between the levels tabled (linear on the normal's own scale)."""
    from scipy.special import ndtri

    levels = quantiles.index.to_numpy(float)
    normal = ndtri(0.5 + levels / 2)
    return float(np.interp(ndtri(0.5 + level / 2), normal, quantiles.to_numpy(float)))
