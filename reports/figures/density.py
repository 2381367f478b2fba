"""Charts of very many points: how many lie where, and the farthest ones by name."""

from __future__ import annotations

import numpy as np
import pandas as pd

MANY_POINTS = 5_000
"""Points of one series above which a chart shows how many lie where."""

COLUMNS, ROWS = 48, 30
"""Cells of the grid, along and up."""

NAMED = 25
"""Points farthest from the middle that are still drawn by themselves."""

LARGEST_PX = 12.0


def densities(points: pd.DataFrame, x: str, y: str, reach: float) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Cells of a grid over many points, and the points farthest out.

    Parameters
    ----------
    points
        One row a point, x and y given.
    x, y
        Columns of the place of a point.
    reach
        Half height of the chart; what lies beyond is counted at its edge.

    Returns
    -------
    cells, farthest
        Cells with a point: mean place x and y, points, and size in pixels, whose area grows with the points. The
        NAMED rows with the largest y, sign aside; every point is in one of the two.

    Notes
    -----
    Checked by: tests/unit/test_reports_density.py
    """
    order = np.argsort(-points[y].abs().to_numpy(), kind="stable")
    farthest, rest = points.iloc[np.sort(order[:NAMED])], points.iloc[np.sort(order[NAMED:])]
    along, up = rest[x].to_numpy(dtype=float), rest[y].clip(-reach, reach).to_numpy(dtype=float)
    cell = np.zeros(len(rest), dtype=np.int64)
    for values, parts in ((along, COLUMNS), (up, ROWS)):
        part = (values - values.min()) / (np.ptp(values) or 1.0) * parts
        cell = cell * parts + np.minimum(part.astype(np.int64), parts - 1)
    filled, place, counts = np.unique(cell, return_inverse=True, return_counts=True)
    means = {name: np.bincount(place, values, len(filled)) / counts for name, values in ((x, along), (y, up))}
    size = np.maximum(LARGEST_PX * np.sqrt(counts / counts.max()), 1.5)
    return pd.DataFrame({x: means[x].round(1), y: means[y].round(2), "points": counts, "size": size.round(1)}), farthest


def outline(rows: pd.DataFrame, y: str) -> pd.DataFrame:
    """A line of very many points by the lowest and the highest of each short run; a shorter line as it is.

    Checked by: tests/unit/test_reports_density.py
    """
    if len(rows) <= MANY_POINTS:
        return rows
    run = pd.Series(np.arange(len(rows)) * (MANY_POINTS // 10) // len(rows))
    values = rows[y].reset_index(drop=True).groupby(run)
    return rows.iloc[np.unique(np.concatenate([values.idxmin(), values.idxmax()]))]
