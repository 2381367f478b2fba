"""Displayed distances turned into distances along the route, with the fitted velocity, offset and scale."""

from __future__ import annotations

import numpy as np
import pandas as pd

from pipelines.locating.line import effects_of
from pipelines.locating.noise import MEASURED_LENGTH_SHARE
from pipelines.locating.velocity import VelocityFit
from shared.arrays import Floats


def fit_lines(fit: VelocityFit) -> pd.DataFrame:
    """Line of every class and instrument: time = constant + slope x distance along the route.

    Returns
    -------
    DataFrame
        Rows of fitted.locating_lines: in metres at REFERENCE_PCT, with the variances of both and their covariance,
        and the noise of a reading. The instrument "" is one never seen before.

    Checked by: tests/unit/test_locating_window.py
    """
    classes = len(fit.readings.classes)
    instruments = ("", *fit.readings.instruments)
    group, k = (a.ravel() for a in np.meshgrid(np.arange(-1, len(instruments) - 1), np.arange(classes), indexing="ij"))
    known = group >= 0
    scale = np.where(known, np.append(fit.state.scale, 0.0)[group], 0.0)
    zero = np.where(known, np.append(fit.state.zero_m, 0.0)[group], 0.0)
    factor = np.where(known, np.append(fit.factor, 1.0)[group], 1.0)
    slowness, slack = fit.state.slowness[k], fit.state.slack
    rows = np.arange(len(k))
    constant, slope = np.zeros((len(k), classes + 2)), np.zeros((len(k), classes + 2))
    constant[:, classes + 1] = 1.0
    slope[rows, k] = (1 + slack) * (1 + scale)
    slope[:, classes] = (1 + scale) * slowness
    constant_random = np.tile([0.0, 1.0], (len(k), 1))
    slope_random = np.column_stack([(1 + slack) * slowness, np.zeros(len(k))])
    # beyond this many readings of a class by an instrument a line stands on its own
    used = pd.Series(fit.readings.instrument[fit.readings.part_row] * classes + fit.readings.part_class).value_counts()
    return pd.DataFrame(
        {
            "instrument_id": np.array(instruments)[group + 1],
            "cable_class": np.array(fit.readings.classes)[k],
            "readings": used.reindex(group * classes + k, fill_value=0).to_numpy() * known,
            "constant_m": fit.state.tail_m + zero,
            "slope": (1 + scale) * (1 + slack) * slowness,
            "constant_variance": fit.variance(constant, constant_random, group),
            "line_covariance": fit.covariance(constant, constant_random, slope, slope_random, group),
            "slope_variance": fit.variance(slope, slope_random, group),
            "noise_constant_variance": fit.noise.constant_m**2 * factor,
            "noise_growing_variance": (fit.noise.growing**2 * factor + MEASURED_LENGTH_SHARE)
            * ((1 + scale) * (1 + slack) * slowness) ** 2,
        }
    )


def correct_distances(fit: VelocityFit, runs: pd.DataFrame, section_slowness: pd.Series) -> pd.DataFrame:
    """Distance along the route that each dug reading stands for, and what is left of its error.

    Parameters
    ----------
    runs
        core.locating_runs of the dug readings: the sections ahead of each.
    section_slowness
        Mean slowness of each section, its pieces included, against REFERENCE_PCT.

    Returns
    -------
    DataFrame
        Rows of fitted.corrected_distances. `left_out_error_m` is the error the reading would have had, had it not
        been used in the fit.

    Notes
    -----
    The time left after offset and scale is walked along the sections: tails at each terminal, then route x (1 + slack)
    x slowness. Beyond the register's last metre the last section goes on.

    Checked by: tests/unit/test_locating_correction.py
    """
    readings = fit.readings
    dug = np.flatnonzero(readings.is_dug)
    left = readings.time_m - fit.state.tail_m - readings.zero_errors * effects_of(readings, fit.state.zero_m)
    left = left / (1 + effects_of(readings, fit.state.scale))
    totals = np.bincount(readings.part_row, weights=readings.part_m, minlength=len(readings))
    times = np.bincount(
        readings.part_row, weights=readings.part_m * fit.state.slowness[readings.part_class], minlength=len(readings)
    )
    slowness = times / totals
    along = slowness * (1 + fit.state.slack)
    # known tails are part of the recorded path; what was dug is without them
    tails = readings.tail_m * slowness
    frame = pd.DataFrame(
        {
            "reading_id": readings.reading_id[dug],
            "time_left_m": left[dug],
            "corrected_distance_m": np.maximum((left - tails) / along, 0.0)[dug],
        }
    )
    frame["corrected_distance_m"] = _walk(frame, runs, section_slowness, 1 + fit.state.slack)
    residual = fit.residual_m[dug] / (1 - fit.leverage[dug])
    frame["left_out_error_m"] = residual / along[dug]
    frame["standard_error_m"] = np.sqrt(fit.variance_m2[dug] * (1 + fit.leverage[dug])) / along[dug]
    frame["right_probability"] = fit.right[dug]
    return frame.drop(columns="time_left_m").sort_values("reading_id", ignore_index=True)


def _walk(frame: pd.DataFrame, runs: pd.DataFrame, section_slowness: pd.Series, stretch: float) -> Floats:
    ahead = runs.merge(frame[["reading_id", "time_left_m"]], on="reading_id", how="inner")
    ahead = ahead.sort_values(["reading_id", "cable_from_m", "section_id"], kind="stable")
    slowness = ahead["section_id"].map(section_slowness).to_numpy(float)
    route = (ahead["run_to_m"] - ahead["run_from_m"]).to_numpy(float)
    time = slowness * (stretch * route + (ahead["near_tail_m"] + ahead["far_tail_m"]).to_numpy(float))
    used_up = pd.Series(time, ahead.index).groupby(ahead["reading_id"]).cumsum()
    ahead = ahead.assign(slowness=slowness, started=used_up - time)
    # the section the time ends in is the last one that begins before it is used up
    inside = ahead[(ahead["started"] <= ahead["time_left_m"]) | (ahead["cable_from_m"] <= 1e-6)]
    last = inside.groupby("reading_id").tail(1).set_index("reading_id")
    into = (last["time_left_m"] - last["started"]) / last["slowness"] - last["near_tail_m"]
    walked = last["run_from_m"] + np.maximum(into, 0.0) / stretch
    found = frame["reading_id"].map(walked)
    return found.fillna(frame["corrected_distance_m"]).to_numpy(float)


def mean_section_slowness(
    sections: pd.DataFrame, pieces: pd.DataFrame, classes: tuple[str, ...], slowness: Floats
) -> pd.Series:
    """Mean slowness of each section, pieces of other cable included, against REFERENCE_PCT; index section_id.

    A class that no reading passed takes the mean of the others.
    """
    by_class = pd.Series(slowness, index=list(classes))
    own = sections.set_index("section_id")
    mean = own["cable_class"].map(by_class).fillna(float(np.mean(slowness)))
    if len(pieces):
        long = (pieces["to_m"] - pieces["from_m"]).clip(lower=0) / pieces["section_id"].map(own["length_m"])
        other = pieces["cable_class"].map(by_class).fillna(float(np.mean(slowness)))
        extra = (long * (other - pieces["section_id"].map(mean))).groupby(pieces["section_id"]).sum()
        mean = mean.add(extra.reindex(mean.index), fill_value=0.0)
    return mean
