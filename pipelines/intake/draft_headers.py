"""Where the header of a table stands: among titles above it, units and dashes below it."""

import re
from collections.abc import Sequence
from dataclasses import dataclass

from shared.dictionary.aliases import UNIT_WORDS, likeness_to_any

SAMPLE_ROWS = 2000
MOST_BELOW = 5
"""Rows of units, dashes and second headings that may be below a header."""


@dataclass(frozen=True)
class Header:
    """A header: how likely it is one, its cells, the rows above and below it that are no data, and its units."""

    likeness: float
    names: tuple[str, ...]
    above: int = 0
    below: int = 0
    units: tuple[str, ...] = ()


def find_header(rows: Sequence[tuple[int, list[str]]]) -> Header:
    """The header among some rows, each with its number in the file.

    Checked by: tests/unit/test_intake_draft.py (through draft_mapping)
    """
    if not rows:
        return Header(0.0, ())
    likeness, at = _likeliest(rows)
    number, names = rows[at]
    below = [cells for _, cells in rows[at + 1 : at + 1 + MOST_BELOW]]
    filled = _filled_with_digits([cells for _, cells in rows[at + 1 :]])
    skipped = max((i for i, cells in enumerate(below, start=1) if _is_unit_row(cells)), default=0)
    if any(_digits_in(cells, filled) for cells in below[:skipped]):
        skipped = 0
    units = next((cells for cells in below[:skipped] if _has_unit(cells)), [])
    return Header(likeness, tuple(" ".join(n.split()) for n in names), number - 1, skipped, tuple(units))


def _likeliest(rows: Sequence[tuple[int, list[str]]]) -> tuple[float, int]:
    """How like a header the likeliest row is, and its place.

    Notes
    -----
    A header's cells are texts, few alike, above columns that hold digits, and are words of the trade. Words
    alone do not tell: a row of codes has many.
    """
    filled = _filled_with_digits([cells for _, cells in rows])
    width = max((len([c for c in cells if c.strip()]) for _, cells in rows), default=0)
    found = []
    for place, (_, cells) in enumerate(rows):
        texts = [c.strip().casefold() for c in cells if c.strip()]
        if (
            len(texts) < min(2, width)
            or len(set(texts)) < 0.8 * len(texts)
            or _digits_in(cells, filled) > len(filled) / 2
        ):
            continue
        wordy = sum(any(ch.isalpha() for ch in t) for t in texts)
        if wordy >= 0.7 * len(texts):
            found.append((len(texts) / width, -place, place))
    likely = sorted(found, reverse=True)[:30]
    scored = [
        (sum(likeness_to_any(c) for c in rows[place][1] if c.strip()) + full * width / 10, above, place)
        for full, above, place in likely
    ]
    likeness, _, place = max(scored, default=(0.0, 0, 0))
    return likeness, place


def _filled_with_digits(rows: Sequence[Sequence[str]]) -> set[int]:
    """Places of the columns whose cells mostly hold a digit."""
    width = max((len(r) for r in rows), default=0)
    found = set()
    for place in range(width):
        cells = [r[place] for r in rows[:SAMPLE_ROWS] if place < len(r) and r[place].strip()]
        if cells and sum(any(ch.isdigit() for ch in c) for c in cells) > len(cells) / 2:
            found.add(place)
    return found


def _digits_in(cells: Sequence[str], places: set[int]) -> int:
    return sum(
        place < len(cells) and bool(re.match(r"[\W\d]*\d[\W\d]*$|.*\d[-/.: ]\d", cells[place])) for place in places
    )


def _is_unit_row(row: Sequence[str]) -> bool:
    """Whether a row holds units, or is a line drawn with dashes."""
    cells = [c.strip() for c in row if c.strip()]
    return bool(cells) and (_has_unit(row) or all(set(c) <= set("-=_") for c in cells))


def _has_unit(row: Sequence[str]) -> bool:
    filled = [c.strip().strip("()[]").casefold() for c in row if c.strip()]
    return not any(ch.isdigit() for c in filled for ch in c) and any(c in UNIT_WORDS for c in filled)
