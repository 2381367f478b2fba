"""In which order does a rule that people use pick sections or loops?"""

from collections.abc import Mapping
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from shared.arrays import Booleans, Integers

RULES: dict[str, str] = {
    "model": "failures the model expects per km over the horizon",
    "most_failures": "failures on record; ties by age",
    "recent_failures": "failures of the last three years; ties by age",
    "failures_per_km": "failures on record per km; ties by age",
    "oldest_first": "age, by length where a loop has several",
    "class_rate_times_failures": "rate of the cable's class times failures on record and a half, per km",
    "class_age_times_failures": "rate of the cable's class at its age times failures on record and a half, per km",
    "three_in_five_years": "three failures or more in the last five years first, the rest as it comes",
    "random": "as it comes",
}

PRESENT_RULE = "present_rule"
"""The rule in use at the utility, as replacement.present_rule of the settings has it; it flags, and does not order."""


def flag_by_rule(units: pd.DataFrame, rule: str, present_rule: Mapping[str, float]) -> Booleans:
    """Units that a rule with thresholds flags.

    Parameters
    ----------
    units
        Units with length_km, age_years, failures_five_years and failures_present (within the years of the rule).
    rule
        three_in_five_years or present_rule.
    present_rule
        Least failures (within years), failures_per_km and age_years, each where the rule has it; all must be met.

    Notes
    -----
    Checked by: tests/unit/test_evaluation_backtest_summary.py
    """
    if rule != PRESENT_RULE:
        return np.asarray(units["failures_five_years"].to_numpy() >= 3)
    failures, length = units["failures_present"].to_numpy(), units["length_km"].to_numpy()
    has = {"failures": failures, "failures_per_km": failures / length, "age_years": units["age_years"].to_numpy()}
    flagged = np.ones(len(units), dtype=bool)
    for name in has.keys() & present_rule.keys():
        flagged &= has[name] >= present_rule[name]
    return flagged


def order_by_rule(units: pd.DataFrame, rule: str, by_age: Integers | None = None) -> tuple[Integers, Integers]:
    """Order in which a rule picks the units, and the first place of each group that it ties.

    Parameters
    ----------
    units
        Units with length_km, age_years and what the rule goes by.
    rule
        A rule of RULES, or a column of units, larger picked first.
    by_age
        Order of oldest_first, where it has been worked out already: the other rules break their ties by it.

    Notes
    -----
    Checked by: tests/unit/test_evaluation_backtest.py
    """
    key, breaks_ties_by_age = _sort_key(units, rule)
    keys = [key]
    if breaks_ties_by_age:
        age = units["age_years"].to_numpy()
        oldest = _largest_first(age) if by_age is None else by_age
        order = oldest[_largest_first(key[oldest])]
        keys.append(age)
    else:
        order = _largest_first(key)
    differs = np.zeros(max(len(order) - 1, 0), dtype=bool)
    for one in keys:
        ordered = one[order]
        differs |= ordered[1:] != ordered[:-1]
    return order, np.concatenate([[0], 1 + np.flatnonzero(differs)])


def _largest_first(key: NDArray[Any]) -> Integers:
    """Order from the largest to the least; equals keep their order."""
    if len(key) and key.min() >= 0:
        # most units have no failure on record: only those that have one are sorted
        above = np.flatnonzero(key)
        if 2 * len(above) <= len(key):
            return np.concatenate([above[_sort_down(key[above])], np.flatnonzero(key == 0)])
    return _sort_down(key)


def _sort_down(key: NDArray[Any]) -> Integers:
    """Stable order from the largest to the least. Small whole numbers are sorted by their digits."""
    if key.dtype.kind in "bi" and (key.dtype.kind == "b" or (len(key) and key.min() >= 0 and key.max() < 2**15)):
        return np.argsort(-key.astype(np.int16), kind="stable")
    return np.argsort(-key.astype(np.float64), kind="stable")


def _sort_key(units: pd.DataFrame, rule: str) -> tuple[NDArray[Any], bool]:
    """What a rule sorts by, larger picked first, and whether it breaks ties by age."""
    length = units["length_km"].to_numpy()
    match rule:
        case "model":
            return units["expected"].to_numpy() / length, False
        case "most_failures":
            return units["failures"].to_numpy(), True
        case "recent_failures":
            return units["failures_recent"].to_numpy(), True
        case "failures_per_km":
            return units["failures"].to_numpy() / length, True
        case "class_rate_times_failures":
            return units["class_rate"].to_numpy() * (units["failures"].to_numpy() + 0.5) / length, False
        case "class_age_times_failures":
            return units["class_age_rate"].to_numpy() * (units["failures"].to_numpy() + 0.5) / length, False
        case "oldest_first":
            return np.zeros(len(units)), True
        case "three_in_five_years":
            return units["failures_five_years"].to_numpy() >= 3, False
        case "random":
            return np.zeros(len(units)), False
        case _:
            return units[rule].to_numpy(), False
