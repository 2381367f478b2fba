"""Do the windows hold what they promise: quantiles of past errors, and their back-test."""

import bisect
import itertools
import math

import numpy as np
import pandas as pd

from shared.arrays import Floats

WAYS = ("along_loop", "by_class")
ENOUGH = 50
"""Past digs before a conformal quantile is used."""
DISTANCE_BANDS_M = (0.0, 30.0, 60.0, 100.0, 200.0, math.inf)


def parametric_quantile(coverage: float, freedom: float, wrong_share: float) -> float:
    """Student's quantile at the level left to right readings when gross errors are taken to fall outside."""
    from scipy.special import stdtrit

    return float(stdtrit(freedom, 0.5 + min(coverage / (1.0 - wrong_share), 0.999) / 2.0))


def conformal_quantile(ordered: list[float] | Floats, coverage: float) -> float:
    """The ceil((n + 1) level)-th smallest absolute standardised error; infinite where there are too few.

    References
    ----------
    Vovk, Gammerman and Shafer 2005, Algorithmic Learning in a Random World, 2.2.
    """
    place = math.ceil((len(ordered) + 1) * coverage)
    return float(ordered[place - 1]) if place <= len(ordered) else math.inf


def backtest_windows(digs: pd.DataFrame, coverages: tuple[float, ...]) -> pd.DataFrame:
    """Each dig against the window it would have had at its time, a row a dig, way and level.

    Parameters
    ----------
    digs
        Digs foreseen (forward.py): way, read_at, reading_id, forward_error_m, forward_se_m, freedom, wrong_share.
    coverages
        Levels of the windows.

    Notes
    -----
    As windows are made today: from the errors of the earlier digs asked the same way once there are ENOUGH of them,
    else parametric, by the fit at the origin.

    Checked by: tests/unit/test_locating_coverage.py
    """
    parts = []
    for _, own in digs.sort_values(["way", "read_at", "reading_id"]).groupby("way", sort=True):
        score = (own["forward_error_m"] / own["forward_se_m"]).abs().to_numpy(float)
        fits = list(zip(own["freedom"], own["wrong_share"], strict=True))
        seen: list[float] = []
        quantile = np.empty((len(score), len(coverages)))
        for row, (each, fit) in enumerate(zip(score, fits, strict=True)):
            quantile[row] = [choose_quantile(seen, coverage, *fit)[0] for coverage in coverages]
            bisect.insort(seen, each)
        parts += [
            own.assign(
                window_level=coverage,
                half_width_m=quantile[:, k] * own["forward_se_m"],
                is_held=score <= quantile[:, k],
            )
            for k, coverage in enumerate(coverages)
        ]
    return pd.concat(parts, ignore_index=True)


def choose_quantile(
    ordered: list[float] | Floats, coverage: float, freedom: float, wrong_share: float
) -> tuple[float, str]:
    """Quantile of the standardised error that a window uses, and how it was found: conformal or parametric."""
    if len(ordered) >= ENOUGH:
        quantile = conformal_quantile(ordered, coverage)
        if math.isfinite(quantile):
            return quantile, "conformal"
    return parametric_quantile(coverage, freedom, wrong_share), "parametric"


def summarise_coverage(tested: pd.DataFrame, coverage: float) -> pd.DataFrame:
    """Share of digs that windows held, by way: in all, by class, distance band, both together, and instrument.

    Returns
    -------
    DataFrame
        Rows of marts.window_coverage. Limits are Wilson's.

    References
    ----------
    Wilson 1927, JASA 22.
    """
    band = distance_band(tested["true_length_m"])
    groups = {
        "all": pd.Series("all", index=tested.index),
        "cable_class": tested["cable_class"],
        "distance_band": band,
        "class_and_band": tested["cable_class"] + ", " + band,
        "instrument": tested["instrument_id"].fillna("not on record"),
    }
    parts = []
    for name, group in groups.items():
        by = tested.assign(group_name=group.astype(str)).groupby(
            ["way", "group_name", "window_level"], as_index=False, sort=True
        )
        parts.append(
            by.agg(tried=("is_held", "size"), held=("is_held", "sum"), half_width_m=("half_width_m", "median")).assign(
                grouped_by=name
            )
        )
    found = pd.concat(parts, ignore_index=True)
    low, high = wilson_limits(found["held"].to_numpy(float), found["tried"].to_numpy(float), coverage)
    return found.assign(held_share=found["held"] / found["tried"], held_lo=low, held_hi=high)


def wilson_limits(held: Floats, tried: Floats, coverage: float) -> tuple[Floats, Floats]:
    """Wilson's limits of a share."""
    from scipy.special import ndtri

    z, share = float(ndtri(0.5 + coverage / 2.0)), held / tried
    middle = (share + z**2 / (2 * tried)) / (1 + z**2 / tried)
    reach = z / (1 + z**2 / tried) * np.sqrt(share * (1 - share) / tried + z**2 / (4 * tried**2))
    return middle - reach, middle + reach


def distance_band(distance_m: pd.Series) -> pd.Series:
    """Band of each distance, as the back-test names it."""
    return pd.cut(distance_m, list(DISTANCE_BANDS_M), right=False, labels=band_names()).astype(str)


def band_names() -> list[str]:
    """Names of the bands of DISTANCE_BANDS_M, the nearest first."""
    return [
        f"{low:.0f} to {high:.0f} m" if math.isfinite(high) else f"{low:.0f} m and more"
        for low, high in itertools.pairwise(DISTANCE_BANDS_M)
    ]


def fit_quantiles(digs: pd.DataFrame, coverages: tuple[float, ...], freedom: float, wrong_share: float) -> pd.DataFrame:
    """Quantile of the standardised error that windows of each way and level use.

    Parameters
    ----------
    digs
        Digs foreseen: way, forward_error_m and forward_se_m.
    freedom, wrong_share
        Of the last fit, for the parametric quantile.

    Returns
    -------
    DataFrame
        Rows of fitted.window_quantiles.
    """
    score = (digs["forward_error_m"] / digs["forward_se_m"]).abs()
    rows = []
    for way in WAYS:
        ordered = np.sort(score[digs["way"] == way].to_numpy(float))
        for coverage in coverages:
            quantile, method = choose_quantile(ordered, coverage, freedom, wrong_share)
            rows.append((way, coverage, quantile, len(ordered), method))
    return pd.DataFrame(rows, columns=["way", "window_level", "quantile", "digs", "window_method"])
