"""Loops on a map without tiles: points at true proportions, the first of the ranking marked by their rank."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import pandas as pd
from markupsafe import Markup

from reports import style
from reports.figures.strip import nice_step

WIDTH = 640
"""Pixels: the text column, which fits A4 and Letter between their margins."""

EDGE = 18
"""Pixels left free on every side."""

TALLEST = 600
"""Pixels of the tallest map, so that it stays on a sheet of paper."""

DRAWN_LOOPS = 3_000
"""Loops drawn at most, by rank: more than that cover one another and weigh."""

LARGEST_PX = 15.0
"""Radius of the largest loop; areas are proportional to expected failures."""

LEAST_PX = 1.2
"""Radius below which a loop could not be seen."""

M_PER_DEGREE = 111_320.0
"""Metres of a degree along the equator (2 pi x 6,378,137 m / 360; WGS 84)."""

METRES_OVER_CABLE = (0.2, 1.05)
"""Straight distance over cable where coordinates are metres: cable is never shorter, seldom five times longer."""


@dataclass(frozen=True)
class Plane:
    """Coordinates on a plane, in metres where that is known."""

    x: np.ndarray
    y: np.ndarray
    is_metric: bool


def lay_flat(places: pd.DataFrame) -> Plane:
    """Coordinates in metres: degrees are laid flat at the middle latitude, a planar grid is left as it is.

    Parameters
    ----------
    places
        Rows of loop_places: x, y, straight_over_cable.

    Notes
    -----
    Degrees are known by their bounds and by straight distances that are nothing beside the cable's metres. A grid
    counts as metres where straight distances fit the register's lengths; else the map has no scale.

    Checked by: tests/unit/test_reports_map.py
    """
    x, y = places["x"].to_numpy(dtype=float), places["y"].to_numpy(dtype=float)
    ratio = float(places["straight_over_cable"].median())
    if np.abs(x).max() <= 180 and np.abs(y).max() <= 90 and not ratio >= 0.01:
        middle = math.cos(math.radians((y.min() + y.max()) / 2))
        return Plane(x * M_PER_DEGREE * middle, y * M_PER_DEGREE, is_metric=True)
    low, high = METRES_OVER_CABLE
    return Plane(x, y, is_metric=low <= ratio <= high)


def nearest_m(plane: Plane) -> np.ndarray:
    """Distance of each point from the nearest other one."""
    apart = np.hypot(plane.x[:, None] - plane.x, plane.y[:, None] - plane.y)
    np.fill_diagonal(apart, np.inf)
    least: np.ndarray = apart.min(axis=1)
    return least


def draw_map(places: pd.DataFrame, plane: Plane, marked: np.ndarray) -> Markup:
    """The map.

    Parameters
    ----------
    places
        rank, loop_id, expected_failures, in the order of rank; as many rows as the plane has points.
    plane
        Where they lie.
    marked
        Whether a loop is marked by its rank, and leads to its sheet.

    Notes
    -----
    One scale both ways; north, or growing y, is up.

    Checked by: tests/unit/test_reports_map.py
    """
    wide, high = np.ptp(plane.x) or 1.0, np.ptp(plane.y) or 1.0
    scale = min((WIDTH - 2 * EDGE) / wide, (TALLEST - 2 * EDGE) / high)
    height = max(120.0, 2 * EDGE + high * scale) + 30
    left = (WIDTH - wide * scale) / 2
    x, y = left + (plane.x - plane.x.min()) * scale, height - 30 - EDGE - (plane.y - plane.y.min()) * scale
    expected = places["expected_failures"].to_numpy(dtype=float)
    radius = np.maximum(LEAST_PX, LARGEST_PX * np.sqrt(expected / (expected.max() or 1.0)))
    labels = dict(zip(np.flatnonzero(marked).tolist(), set_ranks(x, y, radius, places["rank"], marked), strict=True))
    others, firsts = [], []
    for n, (loop, rank) in enumerate(zip(places["loop_id"], places["rank"], strict=True)):
        spot = Markup('cx="{:.1f}" cy="{:.1f}" r="{:.1f}"').format(x[n], y[n], radius[n])
        if not marked[n]:
            others.append(Markup("<circle {}/>").format(spot))
            continue
        title = f"{rank} {loop}: {style.number(expected[n], 2)} failures expected"
        firsts.append(
            Markup(
                '<a href="loop:{a}"><circle class="first" {s}><title>{t}</title></circle>'
                '<text x="{x:.1f}" y="{y:.1f}">{r}</text></a>'
            ).format(a=loop, s=spot, t=title, x=labels[n][0], y=labels[n][1], r=rank)
        )
    bar = draw_scale_bar(scale, height) if plane.is_metric else Markup("")
    return Markup(
        '<svg class="map" role="group" viewBox="0 0 {w} {h:.0f}" width="{w}" height="{h:.0f}" '
        'aria-label="Map of the loops"><g class="others" aria-hidden="true">{o}</g>{f}{b}</svg>'
    ).format(w=WIDTH, h=height, o=Markup("").join(others), f=Markup("").join(reversed(firsts)), b=bar)


def set_ranks(
    x: np.ndarray, y: np.ndarray, radius: np.ndarray, ranks: pd.Series, marked: np.ndarray
) -> list[tuple[float, float]]:
    """Left end and foot of each rank's text, beside its circle where no other rank or circle is in the way.

    Where all eight sides are taken the text stands on its circle.
    """
    taken = [(x[n] - radius[n], x[n] + radius[n], y[n] - radius[n], y[n] + radius[n]) for n in np.flatnonzero(marked)]
    own = list(taken)
    feet: list[tuple[float, float]] = []
    for circle, rank in zip(own, ranks[marked], strict=True):
        wide, high = 7.0 * len(str(rank)), 9.0
        left, right, top, foot = circle
        middle_x, middle_y = (left + right - wide) / 2, (top + foot + high) / 2
        sides = [
            (right + 2, middle_y), (left - wide - 2, middle_y), (middle_x, top - 2), (middle_x, foot + high + 2),
            (right, top), (right, foot + high), (left - wide, top), (left - wide, foot + high),
        ]  # fmt: skip
        others = [box for box in taken if box != circle]
        free = (
            (a, b)
            for a, b in sides
            if a >= 0
            and a + wide <= WIDTH
            and not any(a < r and a + wide > le and b - high < f and b > to for le, r, to, f in others)
        )
        a, b = next(free, (middle_x, middle_y))
        taken.append((a, a + wide, b - high, b))
        feet.append((a, b))
    return feet


def draw_scale_bar(scale: float, height: float) -> Markup:
    """A bar of a round number of metres or kilometres, about a fifth of the map's width."""
    metres = nice_step(WIDTH / 5 / scale)
    value, unit = (metres / 1000, "km") if metres >= 1000 else (metres, "m")
    return Markup(
        '<g aria-hidden="true"><path class="thin" data-m="{m:g}" d="M{e} {y:.1f}v6h{p:.1f}v-6"/>'
        '<text x="{t:.1f}" y="{b:.1f}">'
        '<tspan class="q" data-v="{v:g}" data-u="{u}" data-d="">{s}\u00a0{u}</tspan></text></g>'
    ).format(
        m=metres, e=EDGE, y=height - 14, p=metres * scale, t=EDGE + metres * scale + 8, b=height - 6,
        v=value, u=unit, s=style.number(value),
    )  # fmt: skip
