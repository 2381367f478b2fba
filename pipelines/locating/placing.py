"""Where along its way a reading ends, and how surely: the one arithmetic of command, card, export and back-test."""

from dataclasses import dataclass

import numpy as np

from pipelines.locating.effects import USUAL, Effects
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
    time = zero + (1 + scale) sum_k slowness_k ((1 + slack) route_k + tail_k) + what no record has of each tail, walked
    to its end. Variance: that of the estimates, g' Sigma g with g the derivatives by slowness, slack, tail, scale, zero
    and drift, plus noise of the reading and of the dig, plus the scatter of the tails where they are not known; over
    the slope where the way ends.

    Checked by: tests/unit/test_locating_placing.py
    """
    terms, n, classes = effects.terms, ways.rows, len(effects.slowness)
    usual = {name: 0.0 if is_tail_known else terms[name] for name in USUAL}
    row = ways.row
    scale = 1.0 + effects.own[instrument, 0] + moved[0]
    stretch = 1.0 + effects.slack + usual["usual_tail_per_m"]
    slowness = effects.slowness[ways.cable_class] * scale[row]
    slope = slowness * stretch + usual["usual_tails_per_m"] * effects.tail_m
    time = np.where(ways.is_tail, slowness * ways.tail_m + effects.tail_m, slope * ways.route_m)
    first = np.searchsorted(row, np.arange(n))
    last = np.searchsorted(row, np.arange(n), side="right") - 1
    left = time_m - effects.own[instrument, 1] - moved[1]
    left = left - usual["usual_tail_m"] * slowness[first] - usual["usual_tails"] * effects.tail_m
    start = np.cumsum(time) - time
    start = start - start[first][row]
    # the stretch a reading ends in is the last that begins before it is used up
    end = first + np.maximum(np.bincount(row, weights=start <= left[row], minlength=n).astype(np.int64) - 1, 0)
    over = np.maximum(left - start[end], 0.0)
    along = np.where(ways.is_tail[end] & (end < last), 0.0, over / slope[end])
    before = np.arange(len(row)) < end[row]
    corrected = np.asarray(np.bincount(row, weights=ways.route_m * before, minlength=n) + along, dtype=float)
    # cable of each class on the way: whole stretches, the part of the last, the usual tail
    of_reading = [np.arange(n) * classes + ways.cable_class[at] for at in (end, first)]
    of_class = np.concatenate([row * classes + ways.cable_class, *of_reading])
    metres = np.concatenate(
        [(ways.route_m * stretch + ways.tail_m) * before, along * stretch, np.full(n, usual["usual_tail_m"])]
    )
    passed = np.asarray(np.bincount(of_class, weights=metres, minlength=n * classes), dtype=float).reshape(n, classes)
    end_class = ways.cable_class[end]
    tails = usual["usual_tails"] + usual["usual_tails_per_m"] * corrected
    tails = tails + np.bincount(row, weights=ways.is_tail * (np.arange(len(row)) <= end[row]), minlength=n)
    variance = _variance(effects, passed, corrected, tails, scale, instrument, years) + further_variance_m2
    scatter = usual["usual_tail_variance_m2"] + usual["usual_tail_variance_per_m"] * corrected
    variance += scatter * effects.slowness[end_class] ** 2
    whole = np.bincount(ways.row, weights=ways.route_m, minlength=n)
    return Placed(
        corrected_m=corrected, se_m=np.sqrt(variance) / slope[end], end_class=end_class, is_beyond=corrected > whole
    )


def _variance(
    effects: Effects,
    passed: Floats,
    corrected: Floats,
    tails: Floats,
    scale: Floats,
    instrument: Integers,
    years: Floats,
) -> Floats:
    """Variance of each reading about its expected time, metres squared at REFERENCE_PCT, shape (n,).

    Parameters
    ----------
    passed
        Cable of each class passed, metres, shape (n, K + 1).
    tails
        Number of tails passed, shape (n,).
    """
    time = passed @ effects.slowness
    # the derivative by slack is the time over the route alone: of the cable passed, the part in proportion to it
    share = corrected / np.maximum(passed.sum(axis=1), 1e-9)
    fixed = np.column_stack([scale[:, None] * passed, scale * time * share, tails])
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
