"""Which year of installation of a class fails unlike the years around it? One bad year of manufacture, mostly."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from pipelines.survival.frailty import fit_dispersion
from pipelines.survival.integer_codes import pair_codes
from pipelines.survival.observation_windows import Windows
from shared.arrays import Floats, Integers

APART = 0.02
"""Chance, before any record, that a year is unlike its neighbours. Ours, no source: one year in fifty."""

SPREAD = 1.0
"""Standard deviation of the logarithm of how many times such a year fails."""

REACH_YEARS = 3.0
"""Neighbours count less the further away: by a normal curve of this standard deviation."""

NEIGHBOUR_FAILURES = 5.0
"""Failures' worth of trust in the class's own level against its neighbours'."""

GRID: Floats = np.linspace(-2.5, 2.5, 51)
"""Logarithms of the factor tried: from 1/12 to 12 times."""

LEAST_PROBABILITY = 0.5
"""A year is apart when that is more likely than not; all others keep their class's curve."""

PLAIN = 2.0
"""Standard deviations within which no year is apart: that takes odds of 49 to 1, some three of them."""

MOST_PAIRS = 50_000
"""Years on loops, evenly spaced, that the dispersion is judged by."""

ROUNDS = 4
"""Neighbours of a year that stands out are judged again without it."""


@dataclass(frozen=True)
class InstallationYears:
    """By class and year of installation: how many times its neighbours it fails, and how surely it differs at all.

    table: class_code, installed_year, loops, failures, expected_failures (as the years around it have it), year_factor
    (posterior mean; 1 where the year is not apart) with limits were it apart, probability_apart, is_apart. of_window:
    factor of each window.
    """

    table: pd.DataFrame
    of_window: Floats


def compare_years(
    windows: Windows, class_codes: Integers, expected: Floats, coverage: float, least_deviation: float = 0.0
) -> InstallationYears:
    """Factors of the years of installation of each class.

    Parameters
    ----------
    windows
        Cable left alone; failures known by loop alone are not in it.
    class_codes, expected
        Class of each window, and failures that the power law of its class expects of it in view.
    coverage
        Of the limits.
    least_deviation
        Years whose failures lie within so many standard deviations of what is expected are not weighed: at PLAIN none
        of them could be apart. Their factor is 1, limits and probability are missing.

    Notes
    -----
    A year is compared with the level of its class in the years around it, so that a slow change from vintage to vintage
    is no finding. Its factor is 1 with the probability 1 - APART, else lognormal. The likelihood is negative binomial
    over the loops that have cable of the year, with the dispersion of all of them, so that a bad loop is no bad year.

    References
    ----------
    T. J. Mitchell and J. J. Beauchamp, JASA 83 (1988) 1023-1032 (a spike at no effect and a slab beside it).

    Checked by: tests/unit/test_survival_installation_years.py
    """
    day = windows.as_of.year + (windows.as_of.day_of_year - 1) / 366.0
    year = np.floor(day - windows.age_now + 1e-3).astype(np.int64)
    first = int(year.min(initial=0))
    span = int(year.max(initial=0)) - first + 1
    joined = class_codes * span + year - first
    met = np.bincount(joined) > 0
    cell, cell_of = np.flatnonzero(met), (np.cumsum(met) - 1)[joined]
    of_pair, place = pair_codes(cell_of, windows.sections["loop_code"].to_numpy(dtype=np.int64)[windows.owner])
    n, e = (
        np.bincount(at, of, len(of_pair)).astype(np.float64)
        for at, of in ((place[windows.event_window], windows.event_weight), (place, expected))
    )
    code, at = cell // span, cell % span + first
    near = (code[:, None] == code) & (at[:, None] != at)
    near = near * np.exp(-0.5 * ((at[:, None] - at) / REACH_YEARS) ** 2)
    failures, awaited, squares = (np.bincount(of_pair, each, len(cell)) for each in (n, e, e**2))
    every = max(len(of_pair) // MOST_PAIRS, 1)
    factor, is_apart = np.ones(len(cell)), np.zeros(len(cell), dtype=np.bool_)
    for _ in range(ROUNDS):
        level = (near @ (failures / factor) + NEIGHBOUR_FAILURES) / (near @ awaited + NEIGHBOUR_FAILURES)
        around, mean = e * level[of_pair], awaited * level
        counted = np.maximum(around * factor[of_pair], 1e-12)
        dispersion = max(fit_dispersion(n[::every], counted[::every]), 1e-3)
        asked = np.abs(failures - mean) >= least_deviation * np.sqrt(mean + dispersion * squares * level**2)
        some, of_asked = asked[of_pair], np.cumsum(asked) - 1
        weighed = np.full((4, len(cell)), np.nan)
        weighed[:, asked] = _weigh(
            n[some], around[some], of_asked[of_pair[some]], int(asked.sum()), dispersion, coverage
        )
        factor, lo, hi, apart = weighed
        met, is_apart = is_apart, apart > LEAST_PROBABILITY
        factor = np.where(is_apart, factor, 1.0)
        if np.array_equal(met, is_apart):
            break
    table = pd.DataFrame(
        {
            "class_code": code,
            "installed_year": at,
            "loops": np.bincount(of_pair, minlength=len(cell)),
            "failures": failures,
            "expected_failures": mean,
            "year_factor": factor,
            "year_factor_lo": lo,
            "year_factor_hi": hi,
            "probability_apart": apart,
            "is_apart": is_apart,
        }
    )
    return InstallationYears(table, factor[cell_of])


def _weigh(
    n: Floats, e: Floats, cell: Integers, cells: int, dispersion: float, coverage: float
) -> tuple[Floats, Floats, Floats, Floats]:
    """Posterior mean of each cell's factor, limits of it were the year apart, and the probability that it is."""
    k = 1.0 / dispersion
    gain = np.empty((cells, len(GRID)))
    plain = (k + n) * np.log1p(e / k)
    for column, log_factor in enumerate(GRID):
        terms = n * log_factor - (k + n) * np.log1p(e * np.exp(log_factor) / k) + plain
        gain[:, column] = np.bincount(cell, terms, cells)
    slab = np.exp(-0.5 * (GRID / SPREAD) ** 2)
    weight = np.exp(gain - gain.max(axis=1, keepdims=True)) * slab / slab.sum()
    with np.errstate(over="ignore"):
        odds = APART / (1.0 - APART) * weight.sum(axis=1) * np.exp(np.minimum(gain.max(axis=1), 700.0))
    apart = odds / (1.0 + odds)
    weight /= weight.sum(axis=1, keepdims=True)
    up_to = np.cumsum(weight, axis=1)
    lo, hi = (np.exp(GRID[(up_to < tail).sum(axis=1)]) for tail in ((1.0 - coverage) / 2.0, (1.0 + coverage) / 2.0))
    return 1.0 + apart * (weight @ np.exp(GRID) - 1.0), lo, hi, apart
