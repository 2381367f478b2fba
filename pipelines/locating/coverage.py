"""Do the windows hold what they promise: quantiles of past errors, and their back-test."""

from __future__ import annotations

import bisect
import itertools
import math

import numpy as np
import pandas as pd

from shared.arrays import Floats

ENOUGH = 50
"""Past digs before a conformal quantile is used, and before a dig is back-tested."""
DISTANCE_BANDS_M = (0.0, 50.0, 100.0, 200.0, math.inf)


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
    """Each dig against the window it would have had at its time, a row a dig, level and method.

    Parameters
    ----------
    digs
        Digs foreseen (forward.py): read_at, reading_id, forward_error_m, forward_se_m, freedom, wrong_share.
    levels
        Levels of the windows.

    Notes
    -----
    The conformal quantile comes from the errors of earlier digs alone; the first fifty are not tested. The parametric
    one is of the fit at the origin.

    Checked by: tests/unit/test_locating_coverage.py
    """
    ordered = digs.sort_values(["read_at", "reading_id"])
    score = (ordered["forward_error_m"] / ordered["forward_se_m"]).abs().to_numpy(float)
    seen: list[float] = []
    conformal = np.full((len(score), len(coverages)), np.nan)
    for row, each in enumerate(score):
        if row >= ENOUGH:
            conformal[row] = [conformal_quantile(seen, coverage) for coverage in coverages]
        bisect.insort(seen, each)
    parts = []
    for k, coverage in enumerate(coverages):
        by_origin = {
            pair: parametric_quantile(coverage, *pair)
            for pair in set(zip(ordered["freedom"], ordered["wrong_share"], strict=True))
        }
        parametric = [by_origin[pair] for pair in zip(ordered["freedom"], ordered["wrong_share"], strict=True)]
        for method, quantile in (("parametric", np.array(parametric, dtype=float)), ("conformal", conformal[:, k])):
            half_width = quantile * ordered["forward_se_m"].to_numpy(float)
            parts.append(
                ordered.assign(
                    window_level=coverage, window_method=method, half_width_m=half_width, is_held=score <= quantile
                ).iloc[ENOUGH:]
            )
    return pd.concat(parts, ignore_index=True)


def summarise_coverage(tested: pd.DataFrame, used_method: str, coverage: float) -> pd.DataFrame:
    """Share of digs that windows held: in all, by class, distance band and instrument.

    Returns
    -------
    DataFrame
        Rows of marts.window_coverage. Limits are Wilson's.

    References
    ----------
    Wilson 1927, JASA 22.
    """
    from scipy.special import ndtri

    band = pd.cut(tested["true_length_m"], list(DISTANCE_BANDS_M), right=False, labels=_band_names()).astype(str)
    groups = {
        "all": pd.Series("all", index=tested.index),
        "cable_class": tested["cable_class"],
        "distance_band": band,
        "instrument": tested["instrument_id"].fillna("not on record"),
    }
    parts = []
    for name, group in groups.items():
        by = tested.assign(group_name=group.astype(str)).groupby(
            ["group_name", "window_level", "window_method"], as_index=False, sort=True
        )
        parts.append(
            by.agg(tried=("is_held", "size"), held=("is_held", "sum"), half_width_m=("half_width_m", "median")).assign(
                grouped_by=name
            )
        )
    found = pd.concat(parts, ignore_index=True)
    z = float(ndtri(0.5 + coverage / 2.0))
    share, tried = found["held"] / found["tried"], found["tried"]
    middle = (share + z**2 / (2 * tried)) / (1 + z**2 / tried)
    reach = z / (1 + z**2 / tried) * np.sqrt(share * (1 - share) / tried + z**2 / (4 * tried**2))
    return found.assign(
        held_share=share, held_lo=middle - reach, held_hi=middle + reach, is_used=found["window_method"] == used_method
    )


def _band_names() -> list[str]:
    return [
        f"{low:.0f} to {high:.0f} m" if math.isfinite(high) else f"{low:.0f} m and more"
        for low, high in itertools.pairwise(DISTANCE_BANDS_M)
    ]


def choose_method(tested: pd.DataFrame) -> str:
    """The method whose shares held lie nearer to the levels promised; the parametric one where nothing is tested."""
    if tested.empty:
        return "parametric"
    shares = tested.groupby(["window_method", "window_level"])["is_held"].mean().reset_index()
    miss = (shares["is_held"] - shares["window_level"]).abs().groupby(shares["window_method"]).max()
    return "conformal" if miss["conformal"] < miss["parametric"] else "parametric"


def fit_quantiles(
    digs: pd.DataFrame, method: str, coverages: tuple[float, ...], freedom: float, wrong_share: float
) -> pd.DataFrame:
    """Quantile of the standardised error that windows of each level use, with both candidates.

    Parameters
    ----------
    digs
        Digs foreseen: forward_error_m and forward_se_m.
    method
        The method in use.
    freedom, wrong_share
        Of the last fit, for the parametric quantile.

    Returns
    -------
    DataFrame
        Rows of fitted.window_quantiles.
    """
    ordered = np.sort((digs["forward_error_m"] / digs["forward_se_m"]).abs().to_numpy(float))
    rows = []
    for coverage in coverages:
        parametric = parametric_quantile(coverage, freedom, wrong_share)
        conformal = conformal_quantile(ordered, coverage)
        is_conformal = method == "conformal" and math.isfinite(conformal)
        rows.append(
            {
                "window_level": coverage,
                "quantile": conformal if is_conformal else parametric,
                "quantile_parametric": parametric,
                "quantile_conformal": conformal if math.isfinite(conformal) else np.nan,
                "digs": len(ordered),
                "window_method": "conformal" if is_conformal else "parametric",
            }
        )
    return pd.DataFrame(rows)
