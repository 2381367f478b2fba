"""Rank limits against brute force: draws from the posterior, sorted."""

from __future__ import annotations

import numpy as np
import pytest

from pipelines.ranking.rank_limits import rank_units


def draw_fleet(units: int, seed: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """True failures per km, and the gamma posterior of each unit, of a fleet with multipliers of variance 0.5."""
    rng = np.random.default_rng(seed)
    multiplier = rng.gamma(2.0, 0.5, units)
    expected, per_km = rng.lognormal(0.3, 1.0, units), rng.lognormal(0.0, 0.8, units)
    seen = rng.poisson(expected * multiplier)
    return multiplier * per_km, 2.0 + seen, (2.0 + expected) / per_km


def rank_draws(shape: np.ndarray, rate: np.ndarray, draws: int, rng: np.random.Generator) -> np.ndarray:
    ranks = np.empty((draws, len(shape)), dtype=np.int32)
    for row in ranks:
        row[np.argsort(-rng.gamma(shape) / rate)] = np.arange(1, len(shape) + 1)
    return ranks


@pytest.mark.parametrize("units", [12, 60, 900])
def test_limits_agree_with_sorted_draws(units: int) -> None:
    _, shape, rate = draw_fleet(units, units)
    limits = rank_units(shape, rate, 0.90)
    exact = np.quantile(rank_draws(shape, rate, 6000, np.random.default_rng(1)), [0.05, 0.95], axis=0)
    crude = np.quantile(rank_draws(shape, rate, 1000, np.random.default_rng(2)), [0.05, 0.95], axis=0)
    error = np.hypot(limits.rank_lo - exact[0], limits.rank_hi - exact[1])
    error_of_draws = np.hypot(crude[0] - exact[0], crude[1] - exact[1])
    # Ranks are whole: half a rank in each limit is lost to rounding alone.
    assert np.sqrt(np.mean(error**2)) <= np.sqrt(np.mean(error_of_draws**2)) + np.hypot(0.5, 0.5)


def test_limits_hold_the_true_rank_as_often_as_they_say() -> None:
    held = []
    for seed in range(40):
        truth, shape, rate = draw_fleet(300, 1000 + seed)
        rank = np.empty(len(truth))
        rank[np.argsort(-truth)] = np.arange(1, len(truth) + 1)
        limits = rank_units(shape, rate, 0.90)
        held.append(np.mean((limits.rank_lo <= rank) & (rank <= limits.rank_hi)))
    # 12,000 ranks; within a fleet they hang together, hence the spread over fleets.
    assert np.mean(held) == pytest.approx(0.90, abs=4 * np.std(held) / np.sqrt(len(held)))
