"""What every part of a strip stands on: the scale, the rows of a loop, and labels that do not run into one another."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import pandas as pd

from reports import style

WIDTH = 640
"""Pixels: the text column, which fits A4 and Letter between their margins."""

EDGE = 16
"""Pixels left free at both ends."""

LETTER_PX = 6.5
"""Width of a letter at 11 pixels, a little on the wide side."""

STACK_PX = 11
"""Height a mark takes above another at the same place."""


@dataclass(frozen=True)
class Scale:
    """Metres along the loop to pixels of the drawing."""

    total_m: float

    def x(self, at_m: float) -> float:
        return EDGE + (WIDTH - 2 * EDGE) * at_m / self.total_m if self.total_m > 0 else float(EDGE)


@dataclass(frozen=True)
class Piece:
    """A section on the strip."""

    section_id: str
    from_terminal: str
    to_terminal: str
    start_m: float
    end_m: float
    cable_class: str
    year: int | None
    expected: float
    normal_open: str


def pieces_of(strip: pd.DataFrame) -> list[Piece]:
    """Rows of loop_strips of one loop as sections, in the order of position."""
    rows: list[dict[str, Any]] = strip.to_dict("records")  # type: ignore[assignment]
    return [
        Piece(
            section_id=str(row["section_id"]),
            from_terminal=_text(row["from_terminal_id"]),
            to_terminal=_text(row["to_terminal_id"]),
            start_m=float(row["start_m"]),
            end_m=float(row["end_m"]),
            cable_class=str(row["cable_class"]),
            year=None if style.is_missing(row["installed_on"]) else int(pd.Timestamp(row["installed_on"]).year),
            expected=0.0 if style.is_missing(row["expected_failures"]) else float(row["expected_failures"]),
            normal_open=_text(row["normal_open"]),
        )
        for row in rows
    ]


def _text(value: Any) -> str:
    return "" if style.is_missing(value) else str(value)


@dataclass(frozen=True)
class Label:
    """A text with the place of its middle and the row it stands in."""

    x: float
    row: int
    text: str


def set_labels(wanted: Sequence[tuple[float, tuple[str, ...]]], rows: int) -> list[Label]:
    """Texts that do not run into one another.

    Parameters
    ----------
    wanted
        Middle of each text in pixels, and its wordings from the longest to the shortest, in order of place.
    rows
        Rows to spread them over.

    Returns
    -------
    list of Label
        The longest wording that fits in the first row that has room; one without room is left out.
    """
    ends = [-1.0] * rows
    placed = []
    for middle, wordings in wanted:
        found = next(
            (
                (row, text, half)
                for text in wordings
                for half in (len(text) * LETTER_PX / 2,)
                for row in range(rows)
                if kept_inside(middle, half) - half > ends[row] + 3
            ),
            None,
        )
        if found is not None:
            row, text, half = found
            x = kept_inside(middle, half)
            ends[row] = x + half
            placed.append(Label(x, row, text))
    return placed


def kept_inside(middle: float, half: float) -> float:
    return max(half, min(WIDTH - half, middle))
