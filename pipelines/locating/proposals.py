"""Which setting each instrument should stand on for each class, and what following it would have done to past digs."""

import numpy as np
import pandas as pd

from pipelines.locating.class_and_instrument_tables import known_run_se
from pipelines.locating.readings import REFERENCE_PCT
from pipelines.locating.velocity import VelocityFit
from pipelines.locating.verdicts import check_distances, judge, tolerated_error
from shared import dictionary
from shared.arrays import Floats
from shared.settings import Settings


def propose_settings(fit: VelocityFit, digs: pd.DataFrame, settings: Settings) -> pd.DataFrame:
    """Proposed setting of every instrument on every class it was used on, as of the as-of day.

    Parameters
    ----------
    fit
        Its instruments stand as on the as-of day.
    digs
        Dug readings in the fit: instrument_id, cable_class, velocity_setting_pct, displayed_distance_m,
        true_length_m, left_out_error_m.

    Returns
    -------
    DataFrame
        Rows of marts.setting_proposals.

    Notes
    -----
    At the proposed setting the slope of the displayed distance against the distance taped along the route is one: the
    instrument's own scale and the cable's slack are in it. It stands also where instrument and class cannot be told
    apart, since only their product is needed. The verdict holds the median setting in use, with the instrument's
    offset, against the tolerance over the distances dug. Error after: the dig's own reading left out of the fit.

    Checked by: tests/unit/test_locating_proposals.py
    """
    coverage = settings.general.interval_coverage
    limits = fit.quantile(coverage)
    rows = []
    used = digs[digs["instrument_id"].notna()]
    for (instrument, cable_class), own in used.groupby(["instrument_id", "cable_class"], sort=True):
        constant_m, slope, variances = line_of(fit, str(instrument), str(cable_class))
        se = float(np.sqrt(variances[1, 1]))
        in_use = float(own["velocity_setting_pct"].median())
        distance = check_distances(own["true_length_m"].to_numpy(float), settings.locating)
        shown = in_use / REFERENCE_PCT
        error = shown * (constant_m + slope * distance) - distance
        spread = shown * np.sqrt(variances[0, 0] + 2 * distance * variances[0, 1] + distance**2 * variances[1, 1])
        tolerance = tolerated_error(distance, settings.locating)
        i = fit.readings.instruments.index(str(instrument))
        random = shown * np.column_stack([slope / (1 + fit.state.scale[i]) * distance, np.ones_like(distance)])
        moved = np.sqrt(np.einsum("mi,ij,mj->m", random, fit.moved[i], random))
        verdict = judge(
            error, spread, np.zeros_like(spread), tolerance, fit.freedom, coverage, len(own),
            moved, known_run_se(fit, i, distance),
        )  # fmt: skip
        proposed = REFERENCE_PCT / slope
        rows.append(
            {
                "instrument_id": instrument,
                "cable_class": cable_class,
                "digs": len(own),
                "setting_median_pct": in_use,
                "setting_proposed_pct": proposed,
                "setting_proposed_lo": REFERENCE_PCT / (slope + limits * se),
                "setting_proposed_hi": REFERENCE_PCT / max(slope - limits * se, 0.5),
                "reads_long_pct": 100.0 * (in_use / proposed - 1.0),
                "verdict": verdict.verdict,
                "verdict_reason": verdict.reason,
                "readings_needed": verdict.readings_needed,
                "tests_needed": verdict.tests_needed,
                "error_before_m": float((own["displayed_distance_m"] - own["true_length_m"]).abs().median()),
                "error_after_m": float(own["left_out_error_m"].abs().median()),
            }
        )
    columns = list(dictionary.tables()["marts.setting_proposals"].columns)
    whole = {"readings_needed": "Int64", "tests_needed": "Int64", "digs": "int64"}
    return pd.DataFrame(rows, columns=columns).astype(whole)


def line_of(fit: VelocityFit, instrument: str, cable_class: str) -> tuple[float, float, Floats]:
    """Line time = constant + slope x distance along the route, of an instrument on a class, metres at REFERENCE_PCT.

    Returns
    -------
    constant_m, slope, covariance
        The covariance of the two has shape (2, 2).
    """
    i, k = fit.readings.instruments.index(instrument), fit.readings.classes.index(cable_class)
    state, classes = fit.state, len(fit.readings.classes)
    fixed, random = np.zeros((2, classes + 2)), np.zeros((2, 2))
    fixed[0, classes + 1] = random[0, 1] = 1.0
    fixed[1, k] = (1 + state.slack) * (1 + state.scale[i])
    fixed[1, classes] = (1 + state.scale[i]) * state.slowness[k]
    random[1, 0] = (1 + state.slack) * state.slowness[k]
    a, b, group = [0, 0, 1, 1], [0, 1, 0, 1], np.full(4, i)
    covariance = fit.covariance(fixed[a], random[a], fixed[b], random[b], group).reshape(2, 2)
    slope = (1 + state.scale[i]) * (1 + state.slack) * state.slowness[k]
    return float(state.tail_m + state.zero_m[i]), float(slope), covariance


def describe_reads_long(digs: pd.DataFrame, coverage: float) -> pd.DataFrame:
    """How far each instrument reads from what was dug, whatever the setting: all that can be said without one.

    Parameters
    ----------
    digs
        Every dug reading that is not back-filled: instrument_id, displayed_distance_m, true_length_m and
        velocity_setting_pct (missing where not recorded).
    coverage
        Two-sided level of the limits.

    Returns
    -------
    DataFrame
        Rows of marts.reads_long. Limits of the median from order statistics (binomial), so that they need no form
        of the errors; missing below six digs or so, where no two order statistics reach the level.

    References
    ----------
    Conover 1999, Practical Nonparametric Statistics, 3.2.

    Checked by: tests/unit/test_locating_proposals.py
    """
    from scipy.stats import binom

    named = digs.assign(
        instrument_id=digs["instrument_id"].fillna("not on record"),
        error_m=digs["displayed_distance_m"] - digs["true_length_m"],
        error_pct=100.0 * (digs["displayed_distance_m"] / digs["true_length_m"] - 1.0),
    )
    rows = []
    for instrument, own in named.groupby("instrument_id", sort=True):
        ordered = np.sort(own["error_pct"].to_numpy(float))
        n = len(ordered)
        # the greatest rank with at most a tail below it; none: 0
        low = int(binom.ppf((1.0 - coverage) / 2.0, n, 0.5))
        rows.append(
            {
                "instrument_id": instrument,
                "digs": n,
                "settings_known": int(own["velocity_setting_pct"].notna().sum()),
                "median_error_m": float(own["error_m"].median()),
                "reads_long_pct": float(np.median(ordered)),
                "reads_long_lo": float(ordered[low - 1]) if low else np.nan,
                "reads_long_hi": float(ordered[n - low]) if low else np.nan,
            }
        )
    return dictionary.make_frame("marts.reads_long", rows)
