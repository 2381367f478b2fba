"""The marks of a strip: failures, splices, kinds of cable, and what they mean."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import pandas as pd
from markupsafe import Markup

from reports import style
from reports.figures.strip_layout import EDGE, LETTER_PX, STACK_PX, WIDTH, Piece, Scale

LINE_KINDS = 8
"""Kinds of line in style.css, .k0 to .k7; a ninth class takes the first again, under its own letter."""

SHAPES = {
    # a lozenge parted where the cable was; whole and hollow where the place is not known
    "dug": '<path class="dug" d="M{x:.1f} {y:.1f}m-.6 0v-9.4l-3.9 4.7zm1.2 0v-9.4l3.9 4.7z"{d}/>',
    "middle": '<path class="middle" d="M{x:.1f} {y:.1f}l-4.5-4.7l4.5-4.7l4.5 4.7z"{d}/>',
    "other": '<path class="other" d="M{a:.1f} {y:.1f}l7-7m0 7l-7-7"{d}/>',
    "splice": '<circle class="splice" cx="{x:.1f}" cy="{y:.1f}" r="3"{d}/>',
}
SHAPE_WORDS = {
    "dug": "failure, where dug",
    "middle": "failure, place on its section not known",
    "other": "job that does not count as a failure",
    "splice": "splice",
}


@dataclass(frozen=True)
class Mark:
    """A failure or a splice with its place."""

    section_id: str
    at_m: float
    shape: str


def marks_of(marks: pd.DataFrame) -> list[Mark]:
    """Rows of loop_strip_marks of one loop as marks, in the order of place.

    Those without a place are left out; a splice is drawn where its place is known, once a place.
    """
    rows: list[dict[str, Any]] = marks.dropna(subset=["at_m"]).to_dict("records")  # type: ignore[assignment]
    made: list[Mark] = []
    for row in sorted(rows, key=lambda r: (r["at_m"], str(r["job_id"]))):
        shape = shape_of(str(row["mark_kind"]), str(row["place_basis"]), row["why_not"])
        mark = Mark(str(row["section_id"]), float(row["at_m"]), shape)
        is_known = row["place_basis"] in ("dug", "piece")
        if shape != "splice" or (is_known and mark not in made):
            made.append(mark)
    return made


def shape_of(mark_kind: str, place_basis: str, why_not: Any) -> str:
    """Shape of a mark: splice, dug, middle or other (a job that does not count as a failure of the cable)."""
    if mark_kind == "splice":
        return "splice"
    if not style.is_missing(why_not) and why_not != "undated_section":
        return "other"
    return "dug" if place_basis == "dug" else "middle"


def letters_of(classes: list[str]) -> dict[str, int]:
    """Place of each cable class among those drawn: its letter and its kind of line."""
    return {name: place for place, name in enumerate(classes)}


def letter(place: int) -> str:
    """A, B, ... Z, AA, AB, ..."""
    return (letter(place // 26 - 1) if place >= 26 else "") + chr(ord("A") + place % 26)


def cable_line(place: int, left: float, right: float, y: float) -> Markup:
    """A line in the kind of a class; a double one is a broad line with a light core."""
    kind = place % LINE_KINDS
    line = Markup('<path class="k{k}" d="M{a:.1f} {y:g}H{b:.1f}"/>').format(k=kind, a=left, b=right, y=y)
    core = Markup('<path class="core" d="M{a:.1f} {y:g}H{b:.1f}"/>').format(a=left, b=right, y=y)
    return line + core if kind in (1, 6) else line


def stack(marks: list[Mark], scale: Scale) -> list[int]:
    """Level of each mark above the line: those that would cover one another stand on top of each other."""
    taken: list[list[float]] = []
    levels = []
    for mark in marks:
        if mark.shape == "splice":
            levels.append(-1)
            continue
        x = scale.x(mark.at_m)
        level = next((n for n, xs in enumerate(taken) if all(abs(x - other) >= 9 for other in xs)), len(taken))
        if level == len(taken):
            taken.append([])
        taken[level].append(x)
        levels.append(level)
    return levels


def draw_shape(shape: str, x: float, y: float, data: Markup) -> Markup:
    return Markup(SHAPES[shape]).format(x=x, a=x - 3.5, y=y, d=data)


def draw_marks(marks: list[Mark], levels: list[int], scale: Scale, line_y: float) -> list[Markup]:
    """Failures above the line, splices on it."""
    return [
        draw_shape(
            mark.shape,
            scale.x(mark.at_m),
            line_y if mark.shape == "splice" else line_y - 9 - STACK_PX * level,
            Markup(' data-m="{:.2f}"').format(mark.at_m),
        )
        for mark, level in zip(marks, levels, strict=True)
    ]


def draw_legend(
    pieces: list[Piece], marks: list[Mark], places: dict[str, int], top: float
) -> tuple[list[Markup], float]:
    """What the lines and marks of this drawing mean; and its height in pixels."""
    shapes = {mark.shape for mark in marks}
    entries: list[tuple[str, str]] = [
        (f"k{places[name]}", f"{letter(places[name])}  {name}")
        for name in sorted({piece.cable_class for piece in pieces}, key=lambda n: places[n])
    ]
    entries += [(shape, words) for shape, words in SHAPE_WORDS.items() if shape in shapes]
    entries.append(("bar", "failures expected: the bar by its area, the figure of the section"))
    parts: list[Markup] = []
    x, y = float(EDGE), top + 12
    for sign, words in entries:
        wide = 40 + len(words) * LETTER_PX
        if x > EDGE and x + wide > WIDTH:
            x, y = float(EDGE), y + 17
        if sign[0] == "k":
            parts.append(cable_line(int(sign[1:]), x, x + 24, y - 4))
        elif sign == "bar":
            parts.append(Markup('<path class="bar" d="M{:.1f} {:.1f}v-9h20v9z"/>').format(x, y))
        else:
            parts.append(draw_shape(sign, x + 12, y - 4 if sign == "splice" else y, Markup("")))
        parts.append(Markup('<text x="{:.1f}" y="{:.1f}">{}</text>').format(x + 30, y, words))
        x += wide + 8
    return parts, y - top + 10
