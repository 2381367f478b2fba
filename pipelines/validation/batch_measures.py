"""How unlike are a file's values and those loaded before? Pure measures for the rules of a batch."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

CHANCE = 1e-3
"""Share of like files that would be called unlike by chance alone."""

# Factors by which a column moves when its unit or convention is mistaken.
KNOWN_FACTORS = {
    1.0 / 0.3048: "feet read as metres", 0.3048: "metres read as feet", 0.5: "half velocities read as whole ones",
    2.0: "whole velocities read as half ones", 0.01: "a fraction read as percent", 100.0: "percent read as a fraction",
    1000.0: "metres read as kilometres", 0.001: "kilometres read as metres", 60.0: "minutes read as hours",
}


def ks_distance(first: NDArray[np.float64], second: NDArray[np.float64]) -> float:
    """Largest difference between the shares of two samples up to any value.

    Parameters
    ----------
    first, second
        Values, shape (n,) and (m,), in one unit, none missing, none empty.

    Returns
    -------
    float
        0 to 1.

    References
    ----------
    N. V. Smirnov, Annals of Mathematical Statistics 19 (1948), 279-281.

    Notes
    -----
    Checked by: tests/unit/test_validation_batch_rules.py
    """
    values = np.unique(np.concatenate([first, second]))
    shares = [np.searchsorted(np.sort(x), values, side="right") / len(x) for x in (first, second)]
    return float(np.max(np.abs(shares[0] - shares[1])))


def ks_by_chance(n: int, m: int, chance: float = CHANCE) -> float:
    """Distance that two samples of one distribution exceed with probability ``chance``.

    Notes
    -----
    Smirnov's limit law, first term: c = sqrt(-ln(chance / 2) / 2), times sqrt((n + m) / (n m)). Ties make the true
    probability smaller.

    Checked by: tests/unit/test_validation_batch_rules.py
    """
    return math.sqrt(-math.log(chance / 2.0) / 2.0) * math.sqrt((n + m) / (n * m))


def name_factor(median: float, median_before: float) -> str:
    """What a ratio of medians within 5 % of a known factor suggests, in words; else nothing."""
    if median <= 0 or median_before <= 0:
        return ""
    ratio = median / median_before
    near = [words for factor, words in KNOWN_FACTORS.items() if abs(math.log(ratio / factor)) < 0.05]
    return f", {ratio:.2f} times as much: {near[0]}?" if near else ""
