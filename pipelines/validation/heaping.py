"""How many values of a column were rounded, or are a clock's or a form's default, rather than read?"""

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from shared.arrays import Floats
from shared.units import M_PER_FT

COLUMNS = [
    "table",
    "column",
    "file",
    "heap",
    "values_given",
    "values_heaped",
    "heaped_pct",
    "heaped_lo",
    "heaped_hi",
    "by_chance_pct",
    "rounded_pct",
    "is_heaped",
]
MIDNIGHTS_BY_CHANCE = 1.0 / 1440.0
QUARTERS_BY_CHANCE = 95.0 / 1439.0
"""Of the minutes of a day but midnight, those at 00, 15, 30 or 45."""
GRIDS = (1.0, 0.1, 0.01)
GRID_SHARE = 0.95
"""A column stands on a grid where this share of its values does."""
LEAST_VALUES = 20
BY_LUCK = 0.05


def binomial_limits(hits: ArrayLike, tries: ArrayLike, coverage: float) -> tuple[Floats, Floats]:
    """Exact limits of a share.

    Parameters
    ----------
    hits, tries
        Counts, one shape; tries above 0.
    coverage
        Two-sided coverage.

    References
    ----------
    C. J. Clopper and E. S. Pearson, Biometrika 26 (1934), 404-413.

    Notes
    -----
    Checked by: tests/unit/test_validation_heaping.py
    """
    from scipy.special import betaincinv

    k, n, tail = np.asarray(hits, dtype=float), np.asarray(tries, dtype=float), (1.0 - coverage) / 2.0
    lo = np.where(k > 0, betaincinv(np.maximum(k, 1e-9), n - k + 1, tail), 0.0)
    hi = np.where(k < n, betaincinv(k + 1, np.maximum(n - k, 1e-9), 1.0 - tail), 1.0)
    return np.asarray(lo, dtype=np.float64), np.asarray(hi, dtype=np.float64)


def count_tens(metres: ArrayLike) -> pd.DataFrame:
    """Lengths at whole tens of metres and of feet, and how many chance would put there.

    Parameters
    ----------
    metres
        Lengths in metres, shape (n,), none missing.

    Returns
    -------
    DataFrame
        heap (tens_of_metres, tens_of_feet), values_given, values_heaped, by_chance (a share).

    Notes
    -----
    A column read to whole metres stands at a ten once in ten, one read to tenths once in a hundred: chance is a tenth
    of the column's grid, the coarsest of 1, 0.1 and 0.01 that holds 95 % of its values. Where the values stand on the
    other unit's grid (ten feet written in tenths of a metre are 3.0, no longer 3.048), half of that is the tolerance.

    Checked by: tests/unit/test_validation_heaping.py
    """
    values = np.asarray(metres, dtype=float)
    values = values[values > 0]
    grids = {unit: _find_grid(values / unit) for unit in (1.0, M_PER_FT)}
    rows = []
    for heap, unit, other in (("tens_of_metres", 1.0, M_PER_FT), ("tens_of_feet", M_PER_FT, 1.0)):
        away = np.abs(values - 10.0 * unit * np.round(values / (10.0 * unit)))
        own, others = grids[unit], (grids[other] or GRIDS[-1]) * other
        tolerance = 1e-4 if own else others / 2.0
        chance = (own or others / unit) / 10.0
        rows.append((heap, len(values), int(np.sum(away < tolerance)), chance))
    return pd.DataFrame(rows, columns=["heap", "values_given", "values_heaped", "by_chance"])


def _find_grid(values: Floats) -> float | None:
    """The coarsest grid on which most of the values stand; none where they stand on none."""
    for grid in GRIDS:
        off = np.abs(values - grid * np.round(values / grid))
        if len(values) and np.mean(off < 1e-4) >= GRID_SHARE:
            return grid
    return None


def measure_heaping(counts: pd.DataFrame, coverage: float) -> pd.DataFrame:
    """Shares, limits and what was rounded, from counts.

    Parameters
    ----------
    counts
        table, column, file, heap, values_given, values_heaped, by_chance.
    coverage
        Coverage of the limits.

    Returns
    -------
    DataFrame
        ``COLUMNS``, groups of fewer than 20 values left out. rounded_pct is the share of values that were not read but
        rounded, (share - chance) / (1 - chance), not below 0: rounding may also meet a true ten.

    Notes
    -----
    is_heaped: so many values would gather by chance alone, somewhere in the table, in fewer than 1 table of 20 (exact
    binomial probability times the number of rows, after Bonferroni): dozens of columns are looked at, and some of them
    lie above chance by luck.

    Checked by: tests/unit/test_validation_heaping.py
    """
    kept = counts[counts["values_given"] >= LEAST_VALUES].sort_values(["table", "column", "file", "heap"])
    if kept.empty:
        return pd.DataFrame(columns=COLUMNS)
    share = kept["values_heaped"] / kept["values_given"]
    lo, hi = binomial_limits(kept["values_heaped"], kept["values_given"], coverage)
    chance = kept["by_chance"]
    return kept.assign(
        heaped_pct=100.0 * share,
        heaped_lo=100.0 * lo,
        heaped_hi=100.0 * hi,
        by_chance_pct=100.0 * chance,
        rounded_pct=100.0 * ((share - chance) / (1.0 - chance).where(chance < 1.0)).clip(lower=0.0).fillna(0.0),
        is_heaped=_by_luck(kept) * len(kept) < BY_LUCK,
    )[COLUMNS].reset_index(drop=True)


def _by_luck(counts: pd.DataFrame) -> Floats:
    """Probability that chance puts so many values there, or more."""
    from scipy.special import betainc

    k, n = counts["values_heaped"].to_numpy(float), counts["values_given"].to_numpy(float)
    tail = betainc(np.maximum(k, 1.0), n - k + 1.0, counts["by_chance"].to_numpy(float))
    return np.asarray(np.where(k > 0, tail, 1.0), dtype=np.float64)
