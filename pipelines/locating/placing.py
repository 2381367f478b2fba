"""Where along its way a reading ends, and how surely: the one arithmetic of command, card, export and back-test."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipelines.locating.effects import Effects
from pipelines.locating.ways import Ways
from shared.arrays import Booleans, Floats, Integers


@dataclass(frozen=True)
class Placed:
    """Readings turned into places.

    Parameters
    ----------
    corrected_m
        Distance along the route from the terminal tested from, metres, shape (n,).
    se_m
        Standard error of the distance that a dig there would measure, metres, shape (n,).
    end_class
        Class the reading ends in, an index into the effects' classes.
    is_beyond
        Whether it ends beyond the last metre of its way.
    """

    corrected_m: Floats
    se_m: Floats
    end_class: Integers
    is_beyond: Booleans


def place_readings(
    effects: Effects,
    ways: Ways,
    time_m: Floats,
    instrument: Integers,
    *,
    years: Floats,
    moved: tuple[Floats, Floats],
    further_variance_m2: Floats,
    is_tail_known: bool,
) -> Placed:
    """Correct readings along their ways.

    Parameters
    ----------
    ways
        A way for each reading.
    time_m
        Readings as distances at REFERENCE_PCT, the season taken off, metres, shape (n,).
    instrument
        Row of each reading's instrument in the effects, shape (n,).
    years
        Years of each reading after the as-of day, shape (n,); nought where it is not known.
    moved
        Scale and time zero of the instrument on that day less those of the as-of day, shapes (n,).
    further_variance_m2
        Variance of the display itself (sampling, cursor), metres squared, shape (n,).
    is_tail_known
        Whether the ways hold the tails; else the usual tail of a path is taken off and widens the window.

    Notes
    -----
    time = tail + zero + (1 + scale) sum_k slowness_k ((1 + slack) route_k + tail_k), walked to its end. Variance: that
    of the estimates, g' Sigma g with g the derivatives by slowness, slack, tail, scale, zero and drift, plus noise of
    the reading and of the dig, plus the scatter of the tails where they are not known; over the slope where the way
    ends.

    Checked by: tests/unit/test_locating_placing.py
    """
    terms, n, classes = effects.terms, ways.rows, len(effects.slowness)
    near, per_m = (0.0, 0.0) if is_tail_known else (terms["usual_tail_m"], terms["usual_tail_per_m"])
    scale = 1.0 + effects.own[instrument, 0] + moved[0]
    stretch = 1.0 + effects.slack + per_m
    slowness = effects.slowness[ways.cable_class] * scale[ways.row]
    cable = ways.route_m * stretch + ways.tail_m
    first = np.searchsorted(ways.row, np.arange(n))
    last = np.searchsorted(ways.row, np.arange(n), side="right") - 1
    left = time_m - effects.tail_m - effects.own[instrument, 1] - moved[1] - near * slowness[first]
    spent = np.cumsum(slowness * cable)
    start = spent - slowness * cable
    start = start - start[first][ways.row]
    # the stretch a reading ends in is the last that begins before it is used up
    end = (
        np.maximum(np.bincount(ways.row, weights=start <= left[ways.row], minlength=n).astype(np.int64) - 1, 0) + first
    )
    into = np.maximum(left - start[end], 0.0) / slowness[end]
    is_route = ways.route_m[end] > 0.0
    along = np.where(is_route | (end == last), into / stretch, 0.0)
    before = np.arange(len(ways.row)) < end[ways.row]
    corrected = np.asarray(np.bincount(ways.row, weights=ways.route_m * before, minlength=n) + along, dtype=float)
    rows = np.arange(n)
    of_class = np.concatenate(
        [ways.row * classes + ways.cable_class, *(rows * classes + ways.cable_class[at] for at in (end, first))]
    )
    metres = np.concatenate([cable * before, into, np.full(n, near)])
    passed = np.asarray(np.bincount(of_class, weights=metres, minlength=n * classes), dtype=float).reshape(n, classes)
    end_class = ways.cable_class[end]
    variance = _variance(effects, passed, corrected, scale, instrument, years) + further_variance_m2
    if not is_tail_known:
        scatter = terms["usual_tail_variance_m2"] + terms["usual_tail_variance_per_m"] * corrected
        variance += scatter * effects.slowness[end_class] ** 2
    whole = np.bincount(ways.row, weights=ways.route_m, minlength=n)
    return Placed(
        corrected_m=corrected,
        se_m=np.sqrt(variance) / (slowness[end] * stretch),
        end_class=end_class,
        is_beyond=corrected > whole,
    )


def _variance(
    effects: Effects, passed: Floats, corrected: Floats, scale: Floats, instrument: Integers, years: Floats
) -> Floats:
    """Variance of each reading about its expected time, metres squared at REFERENCE_PCT, shape (n,).

    Parameters
    ----------
    passed
        Cable of each class passed, metres, shape (n, K + 1).
    """
    time = passed @ effects.slowness
    # the derivative by slack is the time over the route alone: of the cable passed, the part in proportion to it
    share = corrected / np.maximum(passed.sum(axis=1), 1e-9)
    fixed = np.column_stack([scale[:, None] * passed, scale * time * share, np.ones(len(time))])
    own = np.column_stack([time, np.ones(len(time)), time * np.maximum(years, 0.0)])
    covariance, crossed = effects.own_covariance[instrument], effects.own_with_fixed[instrument]
    return np.asarray(
        np.einsum("ni,ij,nj->n", fixed, effects.fixed_covariance, fixed)
        + np.einsum("ni,nij,nj->n", own, covariance, own)
        + 2.0 * np.einsum("ni,nij,nj->n", own, crossed, fixed)
        + (effects.terms["noise_constant_m"] ** 2 + (effects.terms["noise_growing"] * time) ** 2)
        * effects.factor[instrument]
        + effects.terms["noise_dig_share2"] * time**2
        + effects.terms["noise_dig_m2"]
    )
