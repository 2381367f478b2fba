"""Rank limits without draws against sorted draws: the same limits, how much faster, and which is nearer the truth.

Run: python -m tests.benchmarks.replacement_ranks [UNITS] [DRAWS]
"""

from __future__ import annotations

import sys
import time
from collections.abc import Callable

import numpy as np

from pipelines.ranking.rank_limits import rank_units

LEVEL = 0.90


def draw_posteriors(units: int, seed: int = 1) -> tuple[np.ndarray, np.ndarray]:
    """Gamma posteriors of a fleet: shape by failures seen, rate by failures expected and class."""
    rng = np.random.default_rng(seed)
    expected, per_km = rng.lognormal(0.3, 1.0, units), rng.lognormal(0.0, 0.8, units)
    seen = rng.poisson(expected * rng.gamma(2.0, 0.5, units))
    return 2.0 + seen, (2.0 + expected) / per_km


def sort_draws(shape: np.ndarray, rate: np.ndarray, draws: int, seed: int) -> np.ndarray:
    """Limits from sorted draws of the whole fleet: the plain way, as fast as numpy allows without tricks."""
    rng = np.random.default_rng(seed)
    ranks = np.empty((draws, len(shape)), dtype=np.int32)
    places = np.arange(1, len(shape) + 1, dtype=np.int32)
    for row in ranks:
        row[np.argsort(-rng.gamma(shape) / rate)] = places
    return np.quantile(ranks, [(1 - LEVEL) / 2, (1 + LEVEL) / 2], axis=0)


def no_draws(shape: np.ndarray, rate: np.ndarray) -> np.ndarray:
    limits = rank_units(shape, rate, LEVEL)
    return np.array([limits.rank_lo, limits.rank_hi])


def time_once(work: Callable[[], np.ndarray]) -> float:
    start = time.perf_counter()
    work()
    return time.perf_counter() - start


def rms(found: np.ndarray, reference: np.ndarray) -> float:
    return float(np.sqrt(np.mean((found - reference) ** 2)))


def main(units: int = 100_000, draws: int = 1_000, check_units: int = 20_000, check_draws: int = 8_000) -> float:
    """Print accuracy first, then time; returns how many times faster."""
    shape, rate = draw_posteriors(min(units, check_units))
    reference = sort_draws(shape, rate, check_draws, seed=2)
    ours, theirs = rms(no_draws(shape, rate), reference), rms(sort_draws(shape, rate, draws, seed=3), reference)
    print(
        f"{len(shape):,} units against {check_draws:,} sorted draws: limits off by {ours:.1f} ranks without draws, "
        f"by {theirs:.1f} with {draws:,} draws (rms)"
    )
    shape, rate = draw_posteriors(units)
    quick, slow = [], []
    for seed in (4, 5, 6):  # in turns: the machine may be shared
        quick.append(time_once(lambda: no_draws(shape, rate)))
        slow.append(time_once(lambda seed=seed: sort_draws(shape, rate, max(draws // 3, 1), seed)) * 3)
        quick.append(time_once(lambda: no_draws(shape, rate)))
    ratio = float(np.median(slow) / np.median(quick))
    print(
        f"{units:,} units: {np.median(quick):.3f} s without draws, {np.median(slow):.1f} s with {draws:,} sorted "
        f"draws: {ratio:.0f} times faster"
    )
    return ratio


if __name__ == "__main__":
    main(*(int(word) for word in sys.argv[1:]))
