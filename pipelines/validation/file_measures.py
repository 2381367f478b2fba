"""How unlike are a file's values and those loaded before? Pure measures for the rules of whole files."""

import math

import numpy as np

from shared.arrays import Floats
from shared.units import M_PER_FT

ALIKE = 0.01
"""Values this share apart are taken as equal: settings rounded in another unit are no other settings."""
CHANCE = 1e-3
"""Share of like files that would be called unlike by chance alone."""

# Factors by which a column moves when its unit or convention is mistaken.
THOUSANDS = {1000.0: "decimals read as thousands", 0.001: "thousands read as decimals"}
KNOWN_FACTORS = {
    "length": {
        1.0 / M_PER_FT: "feet read as metres",
        M_PER_FT: "metres read as feet",
        1000.0: "metres read as kilometres",
        0.001: "kilometres read as metres",
    },
    "velocity": {
        0.5: "half velocities read as whole ones",
        2.0: "whole velocities read as half ones",
        0.01: "a fraction read as percent",
        100.0: "percent read as a fraction",
    },
    "minutes": {60.0: "minutes read as hours", **THOUSANDS},
    "number": THOUSANDS,
}
"""What a ratio of medians may come from, by kind of column."""


def ks_distance(first: Floats, second: Floats, alike: float = ALIKE) -> float:
    """Largest difference between the shares of two samples up to any value.

    Parameters
    ----------
    first, second
        Values, shape (n,) and (m,), in one unit, none missing, none empty.
    alike
        Share of a value by which another may differ and still count as equal; 0 gives the two-sample statistic of
        Kolmogorov and Smirnov itself.

    Returns
    -------
    float
        0 to 1.

    References
    ----------
    N. V. Smirnov, Annals of Mathematical Statistics 19 (1948), 279-281. The allowance is our choice, after Levy's
    metric: columns of few distinct values, such as settings, would else be unlike by their last digit alone.

    Notes
    -----
    Checked by: tests/unit/test_validation_file_rules.py
    """
    return max(_exceeds(first, second, alike), _exceeds(second, first, alike))


def _exceeds(one: Floats, other: Floats, alike: float) -> float:
    """How far the share of ``one`` up to a value exceeds that of ``other`` up to a value a little above it."""
    values = np.sort(one)
    own = np.searchsorted(values, values, side="right") / len(values)
    others = np.searchsorted(np.sort(other), values + alike * np.abs(values), side="right") / len(other)
    return float(np.max(own - others))


def ks_by_chance(n: int, m: int, chance: float = CHANCE) -> float:
    """Distance that two samples of one distribution exceed with probability ``chance``.

    Notes
    -----
    Smirnov's limit law, first term: c = sqrt(-ln(chance / 2) / 2), times sqrt((n + m) / (n m)). Ties make the true
    probability smaller.

    Checked by: tests/unit/test_validation_file_rules.py
    """
    return math.sqrt(-math.log(chance / 2.0) / 2.0) * math.sqrt((n + m) / (n * m))


def name_factor(median: float, median_before: float, column: str) -> str:
    """What a ratio of medians within 5 % of a known factor suggests of a column, in words; else nothing.

    Checked by: tests/unit/test_validation_file_rules.py
    """
    if median <= 0 or median_before <= 0:
        return ""
    ratio = median / median_before
    kind = "length" if column.endswith("_m") else next((k for k in ("velocity", "minutes") if k in column), "number")
    near = [words for factor, words in KNOWN_FACTORS[kind].items() if abs(math.log(ratio / factor)) < 0.05]
    return f", {ratio:.3g} times as much: {near[0]}?" if near else ""
