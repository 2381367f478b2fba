"""How many failures lie on what a rule picks first?"""

from collections.abc import Sequence

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from shared.arrays import Floats, Integers

Draws = NDArray[np.uint8] | Floats
"""How often each loop is drawn in each replicate, shape (replicates, loops)."""

AT_ONCE = 2048
"""Units or loops whose draws are made floats at a time: those of a large fleet would take a third of a gigabyte."""

LENGTH_FRACTIONS = (0.01, 0.05, 0.10, 0.20)


def measure_capture(
    units: pd.DataFrame,
    order: Integers,
    groups: Integers,
    draws: Draws,
    fractions: tuple[float, ...] = LENGTH_FRACTIONS,
    by: str = "length_km",
    *,
    counted: Sequence[str] = ("observed",),
    drawn_totals: tuple[Floats, Floats] | None = None,
    amounts: tuple[Floats, Floats] | None = None,
) -> tuple[Floats, Floats]:
    """Failures on the cable picked until a share of the length is reached.

    Parameters
    ----------
    units
        Units with failures that followed, loop_code, and their length or another measure of what a pick uses up.
    order, groups
        From order_by_rule.
    draws
        How often each loop is drawn in each replicate, shape (replicates, loops); loop_code counts its columns.
    fractions
        Shares of the measure.
    by
        Column that a pick uses up.
    counted
        Columns of failures that followed.
    drawn_totals
        sum_drawn of the units, where it has been worked out already: it is the same for every rule.
    amounts
        Further cuts after those at shares, in the measure itself: of the units, shape (cuts,), and of each replicate,
        shape (replicates, cuts).

    Returns
    -------
    captured, drawn
        Failures captured (failures_captured), shape (counted, cuts); in each replicate, (replicates, counted, cuts).

    Notes
    -----
    A group of ties counts in part: as much of its failures as of its length lies before the cut, which is what a
    random order within the group gives on average. For the replicates the order is put in blocks of 1/4000 of the
    length, so that a replicate is one product of the draws with the blocks. What is picked after the largest share is
    no matter, so most of the units are never looked at.

    Checked by: tests/unit/test_evaluation_backtest.py
    """
    size = units[by].to_numpy(dtype=np.float64)[order]
    followed = [units[name].to_numpy(dtype=np.float64) for name in counted]
    loop = units["loop_code"].to_numpy(dtype=np.int64)
    running, total = np.cumsum(size), float(size.sum())
    cuts = total * np.array(fractions) if amounts is None else np.append(total * np.array(fractions), amounts[0])

    def take(amount: float) -> tuple[Integers, Integers, Floats]:
        """The first picks, to the end of the tie in which an amount is reached; the tie of each, and sizes of ties."""
        tie = np.searchsorted(groups, np.searchsorted(running, amount), side="right")
        ends = np.append(groups[1 : tie + 1], len(order))[:tie]
        tie_of = np.repeat(np.arange(tie), np.diff(ends, prepend=0))
        return order[: len(tie_of)], tie_of, np.bincount(tie_of, size[: len(tie_of)]).astype(np.float64)

    picks, tie, size_of_tie = take(cuts.max())
    of_ties = [np.bincount(tie, failed[picks]).astype(np.float64)[None, :] for failed in followed]
    captured = _interpolate_at(size_of_tie[None, :], of_ties, cuts[None, :])[0]
    if not len(draws):
        return captured, np.zeros((0, *captured.shape))
    totals, failures = sum_drawn(units, draws, by, counted) if drawn_totals is None else drawn_totals
    drawn_cuts = np.outer(totals, fractions)
    if amounts is not None:
        drawn_cuts = np.column_stack([drawn_cuts, amounts[1]])
    # a replicate reaches a share a little earlier or later in the order, by about 2 / sqrt(loops) of it
    reach = cuts.max() * (1.0 + 10.0 / np.sqrt(draws.shape[1]))
    while True:
        picks, tie, size_of_tie = take(reach)
        block = _number_blocks(size_of_tie, total)[tie]
        # without the last block: it may go on beyond these picks
        head = picks[: np.searchsorted(block, block[-1])]
        kinds = [size[: len(head)], *(failed[head] for failed in followed)]
        sizes, *counts = _sum_blocks(kinds, block[: len(head)], loop[head], draws)
        if len(picks) == len(order):
            # these are all: the last block is what is left of the whole
            sizes, *counts = (
                np.column_stack([sums, np.maximum(whole - sums.sum(axis=1), 0.0)])
                for sums, whole in zip([sizes, *counts], [totals, *failures], strict=True)
            )
            break
        if np.all(sizes.sum(axis=1) >= drawn_cuts.max(axis=1) * (1.0 + 1e-9)):
            break
        reach *= 2.0
    return captured, _interpolate_at(sizes, counts, drawn_cuts)


def sum_drawn(
    units: pd.DataFrame, draws: Draws, by: str = "length_km", counted: Sequence[str] = ("observed",)
) -> tuple[Floats, Floats]:
    """Sums over all units in each replicate: of a measure, and of what followed, shape (counted, replicates)."""
    loop = units["loop_code"].to_numpy(dtype=np.int64)
    by_loop = np.stack(
        [np.bincount(loop, units[name].to_numpy(dtype=np.float64), draws.shape[1]) for name in (by, *counted)]
    )
    sums = np.zeros((len(by_loop), len(draws)))
    for first in range(0, draws.shape[1], AT_ONCE):
        some = slice(first, first + AT_ONCE)
        sums += by_loop[:, some] @ draws[:, some].T.astype(np.float64)
    return sums[0], sums[1:]


def _number_blocks(size_of_tie: Floats, total: float) -> Integers:
    """Block of each tie: those that begin within the same 1/4000 of the whole."""
    starts = np.cumsum(size_of_tie) - size_of_tie
    nominal = (starts / total * 4000.0).astype(np.int64)
    return np.cumsum(np.diff(nominal, prepend=nominal[0]) > 0)


def _sum_blocks(kinds: Sequence[Floats], block: Integers, loop: Integers, draws: Draws) -> list[Floats]:
    """Sums of each kind of value drawn in each block, shape (replicates, blocks) a kind; blocks never fall."""
    from scipy.sparse import csr_array

    count = int(block[-1]) + 1 if len(block) else 0
    sums = [np.zeros((count, len(draws))) for _ in kinds]
    for begin in range(0, len(block), AT_ONCE):
        some = slice(begin, begin + AT_ONCE)
        drawn, place = draws.T[loop[some]].astype(np.float64), block[some] - block[begin]
        for values, summed in zip(kinds, sums, strict=True):
            kept = np.flatnonzero(values[some])  # most units have no failure to count
            starts = np.searchsorted(place[kept], np.arange(place[-1] + 2))
            weights = csr_array((values[some][kept], kept, starts), shape=(place[-1] + 1, len(drawn)))
            summed[block[begin] : block[begin] + place[-1] + 1] += weights @ drawn
    return [summed.T for summed in sums]


def _interpolate_at(sizes: Floats, counts: Sequence[Floats], targets: Floats) -> Floats:
    """Running counts at targets of the running sizes, straight within a step; shape (replicates, counts, targets)."""
    size_sum, count_sums = (np.cumsum(each, axis=-1, dtype=np.float64) for each in (sizes, np.stack(counts, axis=1)))
    found = np.empty((len(targets), len(counts), targets.shape[1]))
    rows = np.arange(len(targets))
    for k in range(targets.shape[1]):
        place = np.minimum((size_sum < targets[:, [k]]).sum(axis=1), size_sum.shape[1] - 1)
        step = sizes[rows, place]
        over = np.maximum(size_sum[rows, place] - targets[:, k], 0.0)
        share_left = np.divide(over, step, out=np.zeros_like(over), where=step > 0)
        for c, count in enumerate(counts):
            found[:, c, k] = count_sums[rows, c, place] - share_left * count[rows, place]
    return found
