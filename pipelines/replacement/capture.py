"""In which order does a rule pick units, and how many failures lie on what it picks first?"""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

Floats = NDArray[np.float64]

LENGTH_FRACTIONS = (0.01, 0.05, 0.10, 0.20)


def order_by_rule(units: pd.DataFrame, rule: str) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Order in which a rule picks the units, and the first place of each group that it ties.

    Notes
    -----
    Checked by: tests/unit/test_replacement_backtest.py
    """
    keys = [key.to_numpy() for key in _sort_keys(units, rule)]
    order = _largest_first(keys[-1])
    for key in reversed(keys[:-1]):
        order = order[_largest_first(key[order])]
    differs = np.zeros(max(len(order) - 1, 0), dtype=bool)
    for key in keys:
        ordered = key[order]
        differs |= ordered[1:] != ordered[:-1]
    return order, np.concatenate([[0], 1 + np.flatnonzero(differs)])


def _largest_first(key: NDArray[Any]) -> NDArray[np.int64]:
    """Order from the largest to the least; equals keep their order. Small whole numbers are sorted by their digits."""
    if key.dtype.kind in "bi" and (key.dtype.kind == "b" or (len(key) and key.min() >= 0 and key.max() < 2**15)):
        return np.argsort(-key.astype(np.int16), kind="stable")
    return np.argsort(-key.astype(np.float64), kind="stable")


def _sort_keys(units: pd.DataFrame, rule: str) -> list[pd.Series]:
    """What a rule sorts by, most weighty first, larger picked first."""
    length, age = units["length_km"], units["age_years"]
    match rule:
        case "model":
            return [units["expected"] / length]
        case "most_failures":
            return [units["failures"], age]
        case "recent_failures":
            return [units["failures_recent"], age]
        case "failures_per_km":
            return [units["failures"] / length, age]
        case "oldest_first":
            return [age]
        case "three_in_five_years":
            return [units["failures_five_years"].ge(3)]
        case "random":
            return [length * 0.0]
        case _:
            return [units[rule]]


def measure_capture(
    units: pd.DataFrame, order: NDArray[np.int64], groups: NDArray[np.int64], draws: Floats,
    fractions: tuple[float, ...] = LENGTH_FRACTIONS, by: str = "length_km",
) -> tuple[Floats, Floats]:
    """Failures on the cable picked until a share of the length is reached.

    Parameters
    ----------
    units
        Units with observed failures, loop_code, and their length or another measure of what a pick uses up.
    order, groups
        From order_by_rule.
    draws
        How often each loop is drawn in each replicate, shape (replicates, loops); loop_code counts its columns.
    fractions
        Shares of the measure.
    by
        Column that a pick uses up.

    Returns
    -------
    captured, share_drawn
        Failures captured, shape (fractions,); captured over all failures in each replicate, shape
        (replicates, fractions).

    Notes
    -----
    A group of ties counts in part: as much of its failures as of its length lies before the cut, which is what a
    random order within the group gives on average. For the replicates the order is put in blocks of 1/4000 of the
    length, so that a replicate is one product of the draws with the blocks.

    Checked by: tests/unit/test_replacement_backtest.py
    """
    from scipy.sparse import csr_array

    size = units[by].to_numpy(dtype=np.float64)[order]
    observed = units["observed"].to_numpy(dtype=np.float64)[order]
    loop = units["loop_code"].to_numpy(dtype=np.int64)[order]
    tie = np.repeat(np.arange(len(groups)), np.diff(np.append(groups, len(order))))
    size_of_tie = np.bincount(tie, size).astype(np.float64)
    observed_of_tie = np.bincount(tie, observed).astype(np.float64)
    captured = _interpolate_at(size_of_tie[None, :], observed_of_tie[None, :], np.outer([size.sum()], fractions))[0]
    if not len(draws):
        return captured, np.zeros((0, len(fractions)))
    starts = np.cumsum(size_of_tie) - size_of_tie
    block_of_tie = (starts / size.sum() * 4000.0).astype(np.int64)
    block = np.cumsum(np.diff(block_of_tie, prepend=block_of_tie[0]) > 0)[tie]
    targets, failed = (
        draws @ np.bincount(loop, values, draws.shape[1]) for values in (size, observed)
    )
    # what is picked after the largest share is no matter: most of the units are left out
    first = 1.25 * max(fractions)
    while True:
        last = int(np.searchsorted(starts[tie], first * size.sum()))
        shape = (int(block[max(last - 1, 0)]) + 1, draws.shape[1])
        last = int(np.searchsorted(block, shape[0]))
        sizes, counts = (
            (csr_array((values[:last], (block[:last], loop[:last])), shape=shape) @ draws.T).T
            for values in (size, observed)
        )
        if last == len(size) or bool(np.all(sizes.sum(axis=1) >= targets * max(fractions) * (1.0 + 1e-9))):
            break
        first *= 2.0
    inside = _interpolate_at(sizes, counts, np.outer(targets, fractions))
    return captured, inside / np.maximum(failed, 1e-9)[:, None]


def _interpolate_at(sizes: Floats, counts: Floats, targets: Floats) -> Floats:
    """Running counts at targets of the running sizes, straight within a step; one row a replicate."""
    size_sum = np.cumsum(sizes, axis=1, dtype=np.float64)
    count_sum = np.cumsum(counts, axis=1, dtype=np.float64)
    found = np.empty_like(targets, dtype=np.float64)
    rows = np.arange(len(targets))
    for k in range(targets.shape[1]):
        place = np.minimum((size_sum < targets[:, [k]]).sum(axis=1), size_sum.shape[1] - 1)
        step, gain = sizes[rows, place], counts[rows, place]
        over = np.maximum(size_sum[rows, place] - targets[:, k], 0.0)
        share_left = np.divide(over, step, out=np.zeros_like(over), where=step > 0)
        found[:, k] = count_sum[rows, place] - share_left * gain
    return found
