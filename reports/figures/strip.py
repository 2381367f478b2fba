"""A loop drawn to scale as a strip: its sections in order, its terminals, faults and splices where they lie.

Static SVG without any script, so that many of them stay light. Ink is the page's own (style.css); what tells one
thing from another is line kind, shape and letter, never ink alone.
"""

from __future__ import annotations

import os.path

import pandas as pd
from markupsafe import Markup

from reports import style
from reports.figures.strip_layout import LETTER_PX, STACK_PX, WIDTH, Piece, Scale, kept_inside, pieces_of, set_labels
from reports.figures.strip_marks import Mark, cable_line, draw_legend, draw_marks, letter, marks_of, stack

BAR_PX = 30
"""Height of the tallest bar of expected failures per metre."""


def short_names(names: list[str]) -> tuple[str, list[str]]:
    """Names without the beginning they share, and that beginning, cut where a word ends."""
    shared = os.path.commonprefix(names) if len(set(names)) > 1 else ""  # noqa: RUF071  names, not paths: letter by letter is meant
    shared = shared[: max(shared.rfind(mark) for mark in "-_/. ") + 1]
    return shared, [name.removeprefix(shared) for name in names]


def draw_strip(strip: pd.DataFrame, marks: pd.DataFrame, places: dict[str, int], key: str) -> Markup:
    """A loop to scale.

    Parameters
    ----------
    strip
        Rows of loop_strips of one loop, in the order of position.
    marks
        Rows of loop_strip_marks of that loop; those without a place are not drawn.
    places
        Place of every cable class, from letters_of.
    key
        Id of the drawing on its page.

    Returns
    -------
    Markup
        An svg element with a title and a description.

    Notes
    -----
    Horizontal places are proportional to metres of cable by the register, from source A.

    Checked by: tests/unit/test_reports_strip.py
    """
    pieces, drawn = pieces_of(strip), marks_of(marks)
    is_radial = bool(strip["configuration"].iloc[0] == "radial")
    scale = Scale(pieces[-1].end_m)
    levels = stack(drawn, scale)
    line_y = 62 + STACK_PX * max([2, *(level + 1 for level in levels)])
    _, names = short_names(terminal_names(pieces))
    names_px = 12 + LETTER_PX * max(map(len, names), default=0)
    bars_y = line_y + 16 + names_px + BAR_PX
    legend, legend_px = draw_legend(pieces, drawn, places, bars_y + 62)
    height = round(bars_y + 62 + legend_px)
    parts = [
        *draw_half_loops(pieces, scale, line_y, is_radial=is_radial),
        *draw_classes(pieces, scale, places),
        *draw_cable(pieces, scale, places, line_y),
        *draw_terminals(pieces, names, scale, line_y),
        *draw_marks(drawn, levels, scale, line_y),
        *draw_expected(pieces, scale, bars_y),
        *draw_axis(scale, bars_y + 42),
        *legend,
    ]
    title = f"Loop {strip['loop_id'].iloc[0]} to scale"
    return Markup(
        '<svg class="strip" role="img" viewBox="0 0 {w} {h}" width="{w}" height="{h}" '
        'aria-labelledby="{k}-t {k}-d"><title id="{k}-t">{t}</title><desc id="{k}-d">{d}</desc>{p}</svg>'
    ).format(w=WIDTH, h=height, k=key, t=title, d=describe(pieces, drawn), p=Markup("").join(parts))


def describe(pieces: list[Piece], marks: list[Mark]) -> str:
    """The drawing in a sentence or two."""
    splices = sum(mark.shape == "splice" for mark in marks)
    return (
        f"{style.counted(len(pieces), 'section')} over {style.number(pieces[-1].end_m, 0)} m, "
        f"{style.counted(len(marks) - splices, 'job')} and {style.counted(splices, 'splice')} marked. "
        "The tables below hold the same figures."
    )


def terminal_names(pieces: list[Piece]) -> list[str]:
    """Names of the terminals in order: the first section's start, then every section's end."""
    return [pieces[0].from_terminal, *(piece.to_terminal for piece in pieces)]


def open_at(pieces: list[Piece]) -> float | None:
    """Metres at which the loop is normally open, or None."""
    for piece in pieces:
        if piece.normal_open:
            return piece.start_m if piece.normal_open == "from" else piece.end_m
    return None


def draw_half_loops(pieces: list[Piece], scale: Scale, line_y: float, *, is_radial: bool) -> list[Markup]:
    """Brackets over the half-loops, and the point between them that stands open."""
    end, opened = pieces[-1].end_m, open_at(pieces)
    if opened is None:
        spans = [(0.0, end, "radial, from its one source" if is_radial else "loop, normal open point not known")]
    else:
        spans = [(0.0, opened, "half-loop A, from source A"), (opened, end, "half-loop B, from source B")]
    parts = []
    for start, stop, text in spans:
        left, right = scale.x(start), scale.x(stop)
        if right - left < 2:
            continue
        parts.append(Markup('<path class="thin" d="M{:.1f} 28v-4H{:.1f}v4"/>').format(left + 1, right - 1))
        fitting = [t for t in (text, text.partition(",")[0], text[-1:]) if len(t) * LETTER_PX < right - left]
        if fitting:
            parts.append(Markup('<text class="mid" x="{:.1f}" y="20">{}</text>').format((left + right) / 2, fitting[0]))
    if opened is not None:
        x, words = scale.x(opened), "normally open"
        parts.append(
            Markup(
                '<path class="open" data-m="{m:.2f}" d="M{x:.1f} 14V{y:.1f}"/>'
                '<path class="gap" d="M{x:.1f} {a:.1f}v14"/>'
                '<text class="mid strong" x="{t:.1f}" y="10">{w}</text>'
            ).format(m=opened, x=x, y=line_y - 12, a=line_y - 7, t=kept_inside(x, len(words) * LETTER_PX / 2), w=words)
        )
    return parts


def draw_classes(pieces: list[Piece], scale: Scale, places: dict[str, int]) -> list[Markup]:
    """Letter of the class and year above each run of sections that share both."""
    runs: list[tuple[float, float, str, int | None]] = []
    for piece in pieces:
        if runs and runs[-1][2:] == (piece.cable_class, piece.year):
            runs[-1] = (runs[-1][0], piece.end_m, piece.cable_class, piece.year)
        else:
            runs.append((piece.start_m, piece.end_m, piece.cable_class, piece.year))
    wanted = []
    for start, end, name, year in runs:
        sign = letter(places[name])
        wanted.append(((scale.x(start) + scale.x(end)) / 2, (f"{sign} {year or 'no date'}", sign)))
    return [
        Markup('<text class="mid" x="{:.1f}" y="{}">{}</text>').format(label.x, 55 - 12 * label.row, label.text)
        for label in set_labels(wanted, 2)
    ]


def draw_cable(pieces: list[Piece], scale: Scale, places: dict[str, int], y: float) -> list[Markup]:
    """A line a section, its kind by the class."""
    return [
        Markup('<g data-s="{}">{}</g>').format(
            piece.section_id, cable_line(places[piece.cable_class], scale.x(piece.start_m), scale.x(piece.end_m), y)
        )
        for piece in pieces
    ]


def draw_terminals(pieces: list[Piece], names: list[str], scale: Scale, y: float) -> list[Markup]:
    """A tick a terminal, its name below it, upright where there is room."""
    metres = [0.0, *(piece.end_m for piece in pieces)]
    parts: list[Markup] = []
    last = -100.0
    for name, at in zip(names, metres, strict=True):
        x = scale.x(at)
        parts.append(Markup('<path class="tick" data-m="{:.2f}" d="M{:.1f} {:.1f}v18"/>').format(at, x, y - 9))
        if name and x - last >= 11:
            last = x
            parts.append(
                Markup('<text class="end" transform="translate({:.1f} {:.1f})rotate(-90)">{}</text>').format(
                    x + 4, y + 13, name
                )
            )
    return parts


def draw_expected(pieces: list[Piece], scale: Scale, y: float) -> list[Markup]:
    """A bar a section, as high as its expected failures per metre, so that its area is its expected failures."""
    rates = [p.expected / (p.end_m - p.start_m) if p.end_m > p.start_m else 0.0 for p in pieces]
    top = max(rates) or 1.0
    parts: list[Markup] = []
    wanted = []
    for piece, rate in zip(pieces, rates, strict=True):
        left, right, high = scale.x(piece.start_m), scale.x(piece.end_m), rate / top * BAR_PX
        parts.append(
            Markup('<path class="bar" d="M{:.1f} {:.1f}v-{:.1f}H{:.1f}v{:.1f}z"/>').format(left, y, high, right, high)
        )
        wanted.append(((left + right) / 2, (style.number(piece.expected, 2),)))
    for label in set_labels(wanted, 2):
        place = Markup('<text class="mid" x="{:.1f}" y="{:.1f}">{}</text>')
        parts.append(place.format(label.x, y + 12 + 12 * label.row, label.text))
    return parts


def draw_axis(scale: Scale, y: float) -> list[Markup]:
    """Metres from source A."""
    step = nice_step(scale.total_m / 7)
    parts = [Markup('<path class="thin" d="M{:.1f} {:.1f}H{:.1f}"/>').format(scale.x(0), y, scale.x(scale.total_m))]
    for n in range(int(scale.total_m / step) + 1):
        x = scale.x(n * step)
        unit = Markup('<tspan class="q" data-v="{v:g}" data-u="m" data-d="0">{t}\u00a0m</tspan>').format(
            v=n * step, t=style.number(n * step, 0)
        )
        parts.append(
            Markup('<path class="thin" data-m="{m:g}" d="M{x:.1f} {y:.1f}v4"/><text class="mid" x="{t:.1f}" '
                   'y="{w:.1f}">{u}</text>').format(m=n * step, x=x, y=y, t=kept_inside(x, 12), w=y + 15, u=unit)
        )  # fmt: skip
    return parts


def nice_step(least: float) -> float:
    """The least of 1, 2, 5 times a power of ten that is not below a size."""
    power: float = 10.0 ** (len(f"{max(least, 1e-3):.0f}") - 1) if least >= 1 else 1.0
    return next((m * power for m in (1, 2, 5) if m * power >= least), 10 * power)
