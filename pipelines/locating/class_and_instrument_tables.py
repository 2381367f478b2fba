"""What the fit says of each class and each instrument, as the tables that are exported."""

import numpy as np
import pandas as pd

from pipelines.locating.as_of import FitAsOf
from pipelines.locating.identifiability import (
    MIN_LINK,
    SLIPS,
    common_scale_sd,
    condition_number,
    link_classes_and_instruments,
)
from pipelines.locating.readings import REFERENCE_PCT
from pipelines.locating.velocity import VelocityFit
from pipelines.locating.verdicts import FEW, NOT_SEPARABLE, Verdict, check_distances, judge, tolerated_error
from shared import dictionary
from shared.arrays import Floats, Integers
from shared.settings import Settings


def describe_instruments(found: FitAsOf, names: list[str], last_at: pd.Series, settings: Settings) -> pd.DataFrame:
    """Offset, scale and verdict of each instrument.

    Parameters
    ----------
    found
        The fit as of the day.
    names
        Every instrument to be listed, with or without readings.
    last_at
        Moment of the last usable reading, by instrument.

    Returns
    -------
    DataFrame
        Rows of marts.instrument_bias: scale and offset are means over the instrument's readings, those `as_of` and the
        verdict are of the as-of day.

    Notes
    -----
    Offset and scale are random effects: shrunk towards none in proportion to how little the readings say. Limits are
    Student's, with the variance averaged over the uncertainty of the instrument variances, and that of the movement for
    those as of the day.

    Checked by: tests/unit/test_locating_class_and_instrument_tables.py
    """
    fit, levels = found.fit, found.levels
    limits = fit.quantile(settings.general.interval_coverage)
    lasting, drift_verdicts = common_scale_sd(fit), levels.verdict(limits, settings.locating.tolerance_pct / 100.0)
    today = fit.effect_covariance()[1]
    code = {name: i for i, name in enumerate(fit.readings.instruments)}
    rows: list[dict[str, object]] = []
    for name in names:
        i = code.get(name)
        if i is None:
            rows.append(
                {
                    "instrument_id": name,
                    "readings": 0,
                    "verdict": FEW,
                    "verdict_reason": "no_reading",
                    "is_drifting": False,
                    "drift_verdict": "cannot_tell",
                }
            )
            continue
        own = np.flatnonzero(fit.readings.instrument == i)
        slowness = _own_slowness(fit, own)
        verdict = _judge_instrument(fit, i, own, slowness, lasting[i], settings)
        row: dict[str, object] = {"instrument_id": name, "readings": len(own)}
        scale, offset = 1 + fit.state.scale[i], fit.state.zero_m[i] / slowness
        shift, mean_variance = levels.mean_shift[i], today[i] - fit.moved[i]
        row |= _limits("offset", "_m", offset - shift[1] / slowness, mean_variance[1, 1], limits / slowness)
        row |= _limits("scale", "", scale - shift[0], mean_variance[0, 0], limits)
        row |= {
            "verdict": verdict.verdict,
            "verdict_reason": verdict.reason,
            "readings_needed": verdict.readings_needed,
            "tests_needed": verdict.tests_needed,
            "last_reading_at": last_at.get(name),
            "noise_ratio": float(np.sqrt(fit.factor[i])),
            "wrong_readings": int(np.sum(fit.right[own] < 0.5)),
        }
        row |= _limits("offset_as_of", "_m", offset, today[i, 1, 1], limits / slowness)
        row |= _limits("scale_as_of", "", scale, today[i, 0, 0], limits)
        row |= {"is_drifting": drift_verdicts[i] == "drifting", "drift_verdict": drift_verdicts[i]}
        rows.append(row)
    frame = pd.DataFrame(rows, columns=list(dictionary.tables()["marts.instrument_bias"].columns))
    # only the product with the class's slowness is known: no number rather than a wrong one
    scales = [name for name in frame if str(name).startswith("scale")]
    frame.loc[frame["verdict"] == NOT_SEPARABLE, scales] = np.nan
    return frame.astype(
        {"readings_needed": "Int64", "tests_needed": "Int64", "wrong_readings": "Int64", "is_drifting": bool}
    )


def _limits(name: str, unit: str, value: float, variance: float, limits: float) -> dict[str, object]:
    reach = limits * float(np.sqrt(variance))
    return {f"{name}{unit}": value, f"{name}_lo": value - reach, f"{name}_hi": value + reach}


def _dug_lengths(fit: VelocityFit, rows: Integers) -> Floats:
    """Distances that matter to a crew: those dug, or all where none was dug."""
    dug = rows[fit.readings.is_dug[rows]]
    return np.asarray(fit.readings.length_m[dug if len(dug) else rows])


def _random_variance(fit: VelocityFit, instrument: int, random: Floats) -> Floats:
    fixed = np.zeros((len(random), len(fit.readings.classes) + 2))
    return fit.variance(fixed, random, np.full(len(random), instrument))


def _own_slowness(fit: VelocityFit, rows: Integers) -> float:
    """Mean slowness over the paths of some readings, against REFERENCE_PCT."""
    inside = np.isin(fit.readings.part_row, rows)
    parts = fit.readings.part_m[inside]
    return float(parts @ fit.state.slowness[fit.readings.part_class[inside]] / parts.sum())


def _judge_instrument(
    fit: VelocityFit, i: int, own: Integers, slowness: float, lasting: float, settings: Settings
) -> Verdict:
    coverage = settings.general.interval_coverage
    if fit.quantile(coverage) * lasting > settings.locating.tolerance_pct / 100.0:
        return Verdict(NOT_SEPARABLE, None, "read_alone", count_known_runs_by_others(fit, len(own), settings))
    distance = check_distances(_dug_lengths(fit, own), settings.locating)
    # error in metres at distance D, with the setting right: s D + t over slowness
    error = fit.state.scale[i] * distance + fit.state.zero_m[i] / slowness
    random = np.column_stack([distance, np.full(len(distance), 1.0 / slowness)])
    se = np.sqrt(_random_variance(fit, i, random))
    prior = float(fit.weights @ fit.scale_sd)
    left = distance / np.sqrt(lasting**-2 + prior**-2)
    tolerance = tolerated_error(distance, settings.locating)
    moved = np.sqrt(np.einsum("mi,ij,mj->m", random, fit.moved[i], random))
    return judge(
        error, se, np.minimum(left, 0.99 * se), tolerance, fit.freedom, coverage, len(own),
        moved, known_run_se(fit, i, distance),
    )  # fmt: skip


def known_run_se(fit: VelocityFit, instrument: int, distance_m: Floats) -> Floats:
    """Standard error of one reading of a run of known length, metres, by an instrument."""
    noise = fit.noise
    return np.asarray(np.sqrt(fit.factor[instrument] * (noise.constant_m**2 + (noise.growing * distance_m) ** 2)))


def count_known_runs_by_others(fit: VelocityFit, readings: int, settings: Settings) -> int:
    """Readings by other instruments that tie a class, read by one alone so far, to the rest and tell its velocity.

    Notes
    -----
    Enough to count as a tie (identifiability.py), and enough for the noise of their mean to pass the tolerance.
    """
    tie = (MIN_LINK + SLIPS * readings) / (1.0 - SLIPS)
    share = settings.locating.tolerance_pct / 100.0 / fit.quantile(settings.general.interval_coverage)
    return int(np.ceil(max(tie, (fit.noise.growing / share) ** 2)))


def describe_classes(fit: VelocityFit, settings_in_use: pd.Series, settings: Settings) -> pd.DataFrame:
    """Velocity of each class, the setting in use against it, and the verdict.

    Parameters
    ----------
    settings_in_use
        Median velocity setting by class, percent of c.

    Returns
    -------
    DataFrame
        Rows of marts.velocity_by_class. velocity_fitted_pct is that of the cable; velocity_route_pct is the setting
        at which the display agrees with a distance taped along the route: the same, unless slack could be told apart.

    Notes
    -----
    The verdict holds the setting in use against the velocity of the cable. Slack lengthens every reading alike,
    whatever the setting; dig windows take it off.
    """
    readings, classes = fit.readings, len(fit.readings.classes)
    limits = fit.quantile(settings.general.interval_coverage)
    alone = _classes_of_inseparable_instruments(fit, settings)
    rows = []
    for k, name in enumerate(readings.classes):
        cable, route = np.zeros((1, classes + 2)), np.zeros((1, classes + 2))
        cable[0, k] = 1.0
        route[0, k], route[0, classes] = 1.0 + fit.state.slack, fit.state.slowness[k]
        slowness, along = fit.state.slowness[k], fit.state.slowness[k] * (1.0 + fit.state.slack)
        nobody, no_effect = np.array([-1]), np.zeros((1, 2))
        se = float(np.sqrt(fit.variance(cable, no_effect, nobody)[0]))
        route_se = float(np.sqrt(fit.variance(route, no_effect, nobody)[0]))
        own = np.unique(readings.part_row[readings.part_class == k])
        in_use = float(settings_in_use.get(name, np.nan))
        verdict = _judge_class(fit, own, in_use, slowness, se, name in alone, settings)
        rows.append(
            {
                "cable_class": name,
                "readings": len(own),
                "velocity_fitted_pct": REFERENCE_PCT / slowness,
                "velocity_lo": REFERENCE_PCT / (slowness + limits * se),
                "velocity_hi": REFERENCE_PCT / max(slowness - limits * se, 0.5),
                "setting_median_pct": in_use,
                "bias_points": in_use - REFERENCE_PCT / slowness,
                "verdict": verdict.verdict,
                "verdict_reason": verdict.reason,
                "readings_needed": verdict.readings_needed,
                "tests_needed": verdict.tests_needed,
                "velocity_route_pct": REFERENCE_PCT / along,
                "velocity_route_lo": REFERENCE_PCT / (along + limits * route_se),
                "velocity_route_hi": REFERENCE_PCT / max(along - limits * route_se, 0.5),
                "instruments": len(np.unique(readings.instrument[own][readings.instrument[own] >= 0])),
            }
        )
    frame = pd.DataFrame(rows).astype({"readings_needed": "Int64", "tests_needed": "Int64"})
    # only the product with the instrument's own scale is known: no number rather than a wrong one
    numbers = [c for c in frame if str(c).startswith("velocity_")] + ["bias_points"]
    frame.loc[frame["verdict"] == NOT_SEPARABLE, numbers] = np.nan
    return frame


def _classes_of_inseparable_instruments(fit: VelocityFit, settings: Settings) -> set[str]:
    """Classes read by one instrument only, whose time base no other class pins down."""
    links = link_classes_and_instruments(fit)
    limit = settings.locating.tolerance_pct / 100.0 / fit.quantile(settings.general.interval_coverage)
    open_ended = np.flatnonzero(common_scale_sd(fit) > limit)
    found = set()
    for k, name in enumerate(fit.readings.classes):
        tied = links[links["cable_class"] == k]
        alone = tied[~tied["is_shared"]]
        who = fit.readings.instrument[np.unique(fit.readings.part_row[fit.readings.part_class == k])]
        if alone["instrument"].isin(open_ended).any() or (tied.empty and np.isin(who, open_ended).all()):
            found.add(name)
    return found


def _judge_class(
    fit: VelocityFit,
    own: Integers,
    in_use: float,
    slowness: float,
    slowness_se: float,
    is_alone: bool,
    settings: Settings,
) -> Verdict:
    if is_alone:
        return Verdict(NOT_SEPARABLE, None, "read_alone", count_known_runs_by_others(fit, len(own), settings))
    if not np.isfinite(in_use):
        return Verdict(FEW, None, "no_setting")
    distance = check_distances(_dug_lengths(fit, own), settings.locating)
    per_slowness = in_use / REFERENCE_PCT * distance
    se = per_slowness * slowness_se
    # what stays however many readings come: the instruments' own time bases, averaged over those on the class
    who = np.unique(fit.readings.instrument[own])
    left = per_slowness * slowness * float(fit.weights @ fit.scale_sd) / np.sqrt(len(who))
    tolerance, coverage = tolerated_error(distance, settings.locating), settings.general.interval_coverage
    return judge(
        per_slowness * slowness - distance, se, np.minimum(left, 0.99 * se), tolerance, fit.freedom, coverage, len(own)
    )


def describe_noise(fit: VelocityFit) -> pd.DataFrame:
    """What the fit found besides velocities: noise, slack, tail, spread of the instruments, condition."""
    readings = fit.readings
    values = [
        ("constant_noise_m", fit.noise.constant_m, "m", "standard deviation of a reading at no distance"),
        ("growing_noise_pct", 100 * fit.noise.growing, "%", "standard deviation in proportion to distance"),
        ("paced_noise_pct", 100 * fit.noise.paced, "%", "further standard deviation where the dig was paced out"),
        ("register_noise_pct", 100 * fit.noise.register, "%", "further standard deviation of lengths of the register"),
        ("wrong_share_pct", 100 * fit.noise.wrong_share, "%", "share of readings that are grossly wrong"),
        ("slack_pct", 100 * fit.state.slack if fit.has_slack else np.nan, "%", "cable longer than its route by"),
        ("tail_m", fit.state.tail_m, "m", "cable beyond the recorded tails in every dug reading"),
        ("instrument_scale_sd_pct", 100 * float(fit.weights @ fit.scale_sd), "%", "spread of the instruments' scales"),
        ("instrument_offset_sd_m", float(fit.weights @ fit.zero_sd), "m", "spread of the instruments' offsets"),
        ("condition_number", condition_number(fit), "", "of the classes' slowness: large means hard to tell apart"),
        ("readings", float(len(readings)), "", "readings in the fit"),
        ("rounds", float(fit.rounds), "", "rounds of the fit"),
    ]
    return pd.DataFrame(values, columns=["term", "term_value", "term_unit", "term_meaning"])
