"""Limits for means and medians of 200 groups over a million jobs, against a plain bootstrap in the same run.

    python -m tests.benchmarks.restoration_limits [--jobs N] [--groups N] [--replicates N] [--seconds]

Prints how far the ends lie from those of the plain bootstrap, in standard errors of the bootstrap
distribution, and how many times faster they came. Outputs are compared before times are.

Medians of whole minutes lie on a grid that is coarse beside their standard error (a minute to 1.4), so one plain
bootstrap differs from the next by more than a tenth of it. The distribution that it samples is known without
sampling, so three figures are printed for medians: ours against that distribution, a plain bootstrap against it (the
floor, which no method can pass under), and ours against the plain one.
"""

from __future__ import annotations

import argparse
import time
from dataclasses import dataclass

import numpy as np
import pandas as pd

from pipelines.restoration.bootstrap import limit_means
from pipelines.restoration.quantile_limits import limit_quantiles
from pipelines.restoration.sorted_groups import sort_groups


@dataclass(frozen=True)
class Comparison:
    """One run: seconds of both ways, and differences of the interval ends in standard errors."""

    seconds_ours: float
    seconds_plain: float
    mean_gaps: np.ndarray
    median_gaps: np.ndarray
    exact_gaps: np.ndarray
    floor_gaps: np.ndarray


def plain_bootstrap(values: np.ndarray, replicates: int, coverage: float, rng: np.random.Generator) -> np.ndarray:
    """Limits and standard deviation of the resampled mean and median of one group: 2 x (lo, hi, sd)."""
    means, medians = np.empty(replicates), np.empty(replicates)
    n = len(values)
    for start in range(0, replicates, 100):
        drawn = values[rng.integers(0, n, size=(min(100, replicates - start), n))]
        means[start : start + 100] = drawn.mean(axis=1)
        medians[start : start + 100] = np.median(drawn, axis=1)
    tails = [(1 - coverage) / 2, (1 + coverage) / 2]
    return np.array([[*np.quantile(part, tails), part.std()] for part in (means, medians)])


def compare(
    jobs: int, groups: int, replicates: int, *, whole_minutes: bool = True, seed: int = 1, coverage: float = 0.9
) -> Comparison:
    """Run both ways on the same invented jobs: lognormal, unequal groups, in whole minutes or not."""
    rng = np.random.default_rng(seed)
    codes = rng.choice(groups, size=jobs, p=rng.dirichlet(np.full(groups, 5.0)))
    minutes = rng.lognormal(4.6, 0.8, jobs)
    minutes = minutes.round() if whole_minutes else minutes
    names = pd.Categorical.from_codes(codes, categories=[f"g{i:04}" for i in range(groups)])
    # once beforehand: imports are not timed
    limit_means(sort_groups(minutes[:1000], names[:1000]), coverage=coverage, replicates=200, rng=rng)

    began = time.perf_counter()
    found = sort_groups(minutes, names)
    _, mean_lo, mean_hi = limit_means(found, coverage=coverage, replicates=replicates, rng=rng)
    _, median_lo, median_hi = limit_quantiles(found, 0.5, coverage=coverage)
    ours = time.perf_counter() - began

    began = time.perf_counter()
    plain = np.array(
        [
            plain_bootstrap(found.values[s : s + n], replicates, coverage, rng)
            for s, n in zip(found.starts, found.counts, strict=True)
        ]
    )
    seconds_plain = time.perf_counter() - began

    mean_gaps = np.concatenate([mean_lo - plain[:, 0, 0], mean_hi - plain[:, 0, 1]]) / np.tile(plain[:, 0, 2], 2)
    median_gaps = np.concatenate([median_lo - plain[:, 1, 0], median_hi - plain[:, 1, 1]]) / np.tile(plain[:, 1, 2], 2)
    exact = np.array(
        [
            exact_median_limits(found.values[s : s + n], coverage)
            for s, n in zip(found.starts, found.counts, strict=True)
        ]
    )
    exact_ends, spread = np.concatenate([exact[:, 0], exact[:, 1]]), np.tile(exact[:, 2], 2)
    exact_gaps = (np.concatenate([median_lo, median_hi]) - exact_ends) / spread
    floor_gaps = (np.concatenate([plain[:, 1, 0], plain[:, 1, 1]]) - exact_ends) / spread
    return Comparison(ours, seconds_plain, mean_gaps, median_gaps, exact_gaps, floor_gaps)


def exact_median_distribution(values: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """What a plain bootstrap of the median samples from: its possible values in order, and their probabilities.

    Parameters
    ----------
    values
        Sorted, shape (n,).

    Notes
    -----
    Of n draws the number at most u is Binomial(n, F(u)). For odd n that gives the middle one. For even n the two
    middle ones, j = n / 2 and j + 1, are u < w with probability C(n, j) (F(u)^j - F(u-)^j) (S(w-)^j - S(w)^j), S = 1 -
    F: j draws at most u, the largest of them u, the others at least w, the smallest w. They are both u with what is
    left of the probability that the lower one is u. Values further than six standard errors from the middle are left
    out.

    Checked by: tests/unit/test_restoration_bootstrap.py, against all resamples of few values
    """
    from scipy.special import gammaln
    from scipy.stats import binom

    n = len(values)
    distinct, counts = np.unique(values, return_counts=True)
    share = np.cumsum(counts) / n
    reach = 0.5 + 3 / np.sqrt(n) * np.array([-1, 1])
    first, last = np.searchsorted(share, reach) + np.array([-1, 2])
    kept = slice(max(first, 0), last)
    u, at = distinct[kept], share[kept]
    below = np.concatenate([[0.0], share[:-1]])[kept]
    if n % 2:
        half = (n + 1) // 2
        return u, binom.sf(half - 1, n, at) - binom.sf(half - 1, n, below)
    j = n // 2
    scale = (gammaln(n + 1) - 2 * gammaln(j + 1)) / 2
    with np.errstate(divide="ignore"):
        low = np.exp(scale + j * np.log(at)) - np.exp(scale + j * np.log(below))
        high = np.exp(scale + j * np.log1p(-below)) - np.exp(scale + j * np.log1p(-np.minimum(at, 1.0)))
    i, k = np.triu_indices(len(u), 1)
    apart = low[i] * high[k]
    both = binom.sf(j - 1, n, at) - binom.sf(j - 1, n, below) - np.bincount(i, apart, minlength=len(u))
    middles, place = np.unique(np.concatenate([u, (u[i] + u[k]) / 2]), return_inverse=True)
    return middles, np.bincount(place, np.concatenate([both, apart]))


def exact_median_limits(values: np.ndarray, coverage: float) -> tuple[float, float, float]:
    """Limits and standard deviation of the resampled median by its exact distribution: lo, hi, sd."""
    middles, chance = exact_median_distribution(values)
    total = np.cumsum(chance)
    lo, hi = (float(middles[np.searchsorted(total, tail - 1e-12)]) for tail in ((1 - coverage) / 2, (1 + coverage) / 2))
    mean = float((middles * chance).sum())
    return lo, hi, float(np.sqrt(((middles - mean) ** 2 * chance).sum()))


def main() -> None:
    options = argparse.ArgumentParser()
    options.add_argument("--jobs", type=int, default=1_000_000)
    options.add_argument("--groups", type=int, default=200)
    options.add_argument("--replicates", type=int, default=2000)
    options.add_argument("--seconds", action="store_true", help="stamps to the second: no ties")
    given = options.parse_args()
    found = compare(given.jobs, given.groups, given.replicates, whole_minutes=not given.seconds)
    print(f"{given.jobs} jobs, {given.groups} groups, {given.replicates} replicates")
    for name, gaps in (("means", found.mean_gaps), ("medians", found.median_gaps)):
        print(
            f"{name}: ends differ by {_rms(gaps):.3f} standard errors (rms), "
            f"{np.mean(gaps):+.3f} on average, {np.max(np.abs(gaps)):.3f} at most, "
            f"{np.mean(np.abs(gaps) < 0.1):.0%} within 0.1"
        )
    print(
        f"medians, ours against their exact distribution: {_rms(found.exact_gaps):.3f} (rms), "
        f"{np.max(np.abs(found.exact_gaps)):.3f} at most; the plain bootstrap against it, the floor: "
        f"{_rms(found.floor_gaps):.3f} (rms)"
    )
    print(f"a replicate's own noise at such an end, without a grid: {_noise(given.replicates):.3f} standard errors")
    print(
        f"ours {found.seconds_ours:.2f} s, plain {found.seconds_plain:.1f} s: "
        f"{found.seconds_plain / found.seconds_ours:.0f} times faster"
    )


def _rms(gaps: np.ndarray) -> float:
    return float(np.sqrt(np.mean(gaps**2)))


def _noise(replicates: int) -> float:
    """Standard deviation of the 5 % quantile of so many normal draws, in their standard deviations."""
    from scipy.stats import norm

    return float(np.sqrt(0.05 * 0.95 / replicates) / norm.pdf(norm.ppf(0.05)))


if __name__ == "__main__":
    main()
