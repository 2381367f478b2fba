"""Sections in their half-loops and loops, as arrays: what the multipliers are fitted to."""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from shared.arrays import Floats, Integers

PART = 8_000
"""Sections worked on at a time."""


@dataclass(frozen=True)
class Variances:
    """Variances of the multipliers; 0 switches a level off.

    length_power: a section's variance is section x (length / mean length) ** -length_power. At 1 the multiplier is a
    sum of independent pieces along the cable, and cutting a section in two changes nothing.
    """

    loop: float
    half_loop: float
    section: float
    length_power: float = 0.0


@dataclass(frozen=True)
class Tree:
    """Sections in the order of loop and half-loop, with what was seen and expected of each.

    half_starts, loop_starts: first section of each half-loop, and first half-loop of each loop.
    """

    failures: Floats
    expected: Floats
    relative_length: Floats
    half_starts: Integers
    loop_starts: Integers

    @property
    def half_of_section(self) -> Integers:
        return _owner(self.half_starts, len(self.failures))

    @property
    def loop_of_half(self) -> Integers:
        return _owner(self.loop_starts, len(self.half_starts))


def build_tree(
    failures: Floats, expected: Floats, length_km: Floats, half_codes: Integers, loop_codes: Integers
) -> Tree:
    """A tree from sections sorted by loop and half-loop (codes that never fall).

    Raises
    ------
    ValueError
        The codes are not sorted: a fault of ours.
    """
    if np.any(np.diff(loop_codes) < 0) or np.any((np.diff(half_codes) < 0) & (np.diff(loop_codes) == 0)):
        raise ValueError("sections must be sorted by loop and half-loop")
    new_half = np.r_[True, (np.diff(half_codes) != 0) | (np.diff(loop_codes) != 0)]
    half_starts = np.flatnonzero(new_half)
    loop_starts = np.flatnonzero(np.r_[True, np.diff(loop_codes[half_starts]) != 0])
    mean_length = float(length_km.mean())
    return Tree(failures, expected, np.maximum(length_km, 1e-6) / mean_length, half_starts, loop_starts)


def split_tree(tree: Tree) -> Iterator[tuple[Tree, slice]]:
    """The tree in parts of whole loops, small enough for a part's grids to stay in the processor's cache."""
    first_sections = tree.half_starts[tree.loop_starts]
    sections, halves, loops = len(tree.failures), len(tree.half_starts), len(tree.loop_starts)
    begin = 0
    while begin < loops:
        end = max(begin + 1, int(np.searchsorted(first_sections, first_sections[begin] + PART, side="right")) - 1)
        if end >= loops - 1 and sections - first_sections[begin] <= PART:
            end = loops
        low, high = first_sections[begin], first_sections[end] if end < loops else sections
        half_low, half_high = tree.loop_starts[begin], tree.loop_starts[end] if end < loops else halves
        place = slice(int(low), int(high))
        yield (
            Tree(
                tree.failures[place],
                tree.expected[place],
                tree.relative_length[place],
                tree.half_starts[half_low:half_high] - low,
                tree.loop_starts[begin:end] - half_low,
            ),
            place,
        )
        begin = end


def _owner(starts: Integers, size: int) -> Integers:
    owner = np.zeros(size, dtype=np.int64)
    owner[starts[1:]] = 1
    return np.cumsum(owner)


def thin_tree(tree: Tree, sections: int) -> Tree:
    """Evenly spaced whole loops, about as many sections as asked for."""
    every = int(np.ceil(len(tree.failures) / sections))
    if every <= 1:
        return tree
    keep_half = tree.loop_of_half % every == 0
    keep = keep_half[tree.half_of_section]
    return Tree(
        tree.failures[keep],
        tree.expected[keep],
        tree.relative_length[keep],
        np.flatnonzero(np.r_[True, np.diff(tree.half_of_section[keep]) != 0]),
        np.flatnonzero(np.r_[True, np.diff(tree.loop_of_half[keep_half]) != 0]),
    )
