"""Displayed distances of past digs turned into distances along the route, by the terminals or by class alone."""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from pipelines.locating.effects import Effects
from pipelines.locating.line import cable_time
from pipelines.locating.placing import Placed, place_readings
from pipelines.locating.readings import Readings
from pipelines.locating.resolution import coarse_variance
from pipelines.locating.velocity import VelocityFit
from pipelines.locating.ways import ways_along, ways_by_class
from shared.arrays import Floats, Integers
from shared.settings import Locating

ALONG, BY_CLASS = "along_loop", "by_class"
"""The two ways to ask: by the terminals of the register, or by cable class alone."""


@dataclass(frozen=True)
class Register:
    """What the way of a past reading is laid from: core.locating_readings, core.locating_runs, section_pieces.

    `locating` says what the usual display is.
    """

    readings: pd.DataFrame
    runs: pd.DataFrame
    pieces: pd.DataFrame
    locating: Locating


def place_digs(
    effects: Effects,
    readings: Readings,
    rows: Integers,
    register: Register,
    way: str,
    years: Floats,
    moved: tuple[Floats, Floats],
) -> tuple[Integers, Placed]:
    """Place past readings as they would have been asked: those whose way is known, or all by class.

    Parameters
    ----------
    rows
        The readings to be placed.
    way
        ALONG or BY_CLASS.
    years, moved
        As for place_readings, for each of `rows`.

    Returns
    -------
    rows, placed
        Places within `rows`, and where those readings end.

    Checked by: tests/unit/test_locating_correction.py
    """
    ids = readings.reading_id[rows]
    facts = register.readings.set_index("reading_id").reindex(list(ids))
    kept = np.arange(len(rows))
    if way == ALONG:
        kept = np.flatnonzero(np.isin(ids, register.runs["reading_id"].unique()))
        ways = ways_along(ids[kept], register.runs, register.pieces, facts["read_at"].iloc[kept], effects.classes)
    else:
        ways = ways_by_class(ids, register.runs, facts["cable_class"], effects.classes)
    at = rows[kept]
    names = pd.Series([*readings.instruments, ""], dtype=object)
    return kept, place_readings(
        effects,
        ways,
        readings.time_m[at],
        effects.instrument_rows(names.iloc[readings.instrument[at]]),
        years=years[kept],
        moved=(moved[0][kept], moved[1][kept]),
        further_variance_m2=coarse_variance(facts["sampling_m"].iloc[kept].to_numpy(float), register.locating),
        is_tail_known=way == ALONG,
    )


def correct_digs(fit: VelocityFit, effects: Effects, register: Register) -> pd.DataFrame:
    """Distance along the route that each dug reading stands for, and what is left of its error.

    Returns
    -------
    DataFrame
        Rows of fitted.corrected_distances: along the loop where the way is known, by class elsewhere.
        `left_out_error_m` is the error the reading would have had, had it not been used in the fit.

    Checked by: tests/unit/test_locating_correction.py
    """
    readings = fit.readings
    dug = np.flatnonzero(readings.is_dug)
    still = np.zeros(len(dug))
    corrected = place_digs(effects, readings, dug, register, BY_CLASS, still, (still, still))[1].corrected_m.copy()
    along, placed = place_digs(effects, readings, dug, register, ALONG, still, (still, still))
    corrected[along] = placed.corrected_m
    slope = (cable_time(readings, fit.state) / readings.length_m * (1 + fit.state.slack))[dug]
    frame = pd.DataFrame(
        {
            "reading_id": readings.reading_id[dug],
            "corrected_distance_m": corrected,
            "left_out_error_m": fit.residual_m[dug] / (1 - fit.leverage[dug]) / slope,
            "standard_error_m": np.sqrt(fit.variance_m2[dug] * (1 + fit.leverage[dug])) / slope,
            "right_probability": fit.right[dug],
        }
    )
    return frame.sort_values("reading_id", ignore_index=True)
