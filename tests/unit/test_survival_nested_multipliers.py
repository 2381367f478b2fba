"""The nested multipliers by brute force: likelihood, moments of totals, and every step of the search for variances."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.special import digamma, gammaln
from scipy.stats import gamma

from pipelines.survival import hierarchical_frailty as nested
from pipelines.survival.frailty_tree import build_tree
from pipelines.survival.hierarchical_frailty import Variances

N, E = np.array([3.0, 0, 1, 5, 0]), np.array([0.8, 1.5, 0.4, 2.0, 0.7])
KM, HALF, LOOP = np.array([1.0, 2, 1, 3, 3]), np.array([0, 0, 1, 2, 2]), np.array([0, 0, 0, 1, 1])
TREE = build_tree(N, E, KM, HALF, LOOP)
WEIGHTS = np.array([2.0, 0.5, 1.0, 0.0, 3.0])


def on_the_grid(variance: float) -> np.ndarray:
    """Weights of a gamma of mean 1 at the grid's multipliers, by scipy: its density times the multiplier."""
    weights = gamma.pdf(np.exp(nested.GRID), 1 / variance, scale=variance) * np.exp(nested.GRID)
    return weights / weights.sum()


def by_force(loop: float, half: float, section: float, power: float = 0.0):
    """Every grid value of the loop's multiplier and of each half-loop's times it, one by one.

    A half-loop's product is its own grid multiplier times the loop's, held at the ends of the grid.
    """
    outer, prior = np.exp(nested.GRID), on_the_grid(loop)
    zero, size = 33, len(outer)
    k = (KM / KM.mean()) ** power / section
    height, loops, halves, totals = 0.0, [], [], []
    for one in (0, 1):
        given, moments = np.ones(size), []
        for half_loop in np.unique(HALF[one == LOOP]):
            mine = np.flatnonzero(half_loop == HALF)
            log_seen = sum(
                gammaln(k[i] + N[i])
                - gammaln(k[i])
                - N[i] * np.log(k[i])
                + N[i] * np.log(outer)
                - (k[i] + N[i]) * np.log1p(E[i] * outer / k[i])
                for i in mine
            )
            first = sum(WEIGHTS[i] * (k[i] + N[i]) / (k[i] / outer + E[i]) for i in mine)
            second = sum(WEIGHTS[i] ** 2 * (k[i] + N[i]) / (k[i] / outer + E[i]) ** 2 for i in mine) + first**2
            found = np.zeros((4, size))
            for j in range(size):
                for m, weight in enumerate(on_the_grid(half)):
                    place = min(max(j + m - zero, 0), size - 1)
                    seen = weight * np.exp(log_seen[place])
                    found[:, j] += seen * np.array([1, first[place], second[place], outer[place]])
            given *= found[0]
            moments.append(found[1:] / found[0])
        height += np.log((prior * given).sum())
        post = prior * given / (prior * given).sum()
        loops.append(post @ outer)
        halves += [(post @ m[0], post @ m[1] - (post @ m[0]) ** 2, post @ m[2]) for m in moments]
        mean = sum(m[0] for m in moments)
        square = sum(m[1] - m[0] ** 2 for m in moments) + mean**2
        totals.append((post @ mean, post @ square - (post @ mean) ** 2))
    return height, np.array(loops), np.array(halves), np.array(totals)


@pytest.mark.parametrize("power", [0.0, 1.0])
def test_likelihood_posteriors_and_totals_are_those_of_brute_force(power: float) -> None:
    variances = Variances(0.4, 0.2, 0.6, power)
    height, loops, halves, totals = by_force(0.4, 0.2, 0.6, power)
    assert nested.log_likelihood(TREE, variances) == pytest.approx(height)
    post, moments = nested.fit_posterior(TREE, variances), nested.fit_totals(TREE, variances, WEIGHTS)
    assert_allclose(post.loop, loops)
    assert_allclose(post.half_loop, halves[:, 2])
    assert_allclose(np.stack([moments.half_mean, moments.half_variance], 1), halves[:, :2], rtol=1e-9)
    assert_allclose(np.stack([moments.loop_mean, moments.loop_variance], 1), totals, rtol=1e-9)
    # each section alone by a weight of its own: the posterior's mean
    for section in range(5):
        own = nested.fit_totals(TREE, variances, np.eye(5)[section])
        assert own.loop_mean.sum() == pytest.approx(post.shape[section] / post.rate[section], rel=1e-9)


def test_a_section_s_gamma_has_the_mixture_s_mean_logarithm() -> None:
    """One section in a loop that alone varies beside it: a mixture over the grid of gammas in closed form."""
    n, e, k = 3.0, 0.8, 1 / 0.6
    tree = build_tree(np.array([n]), np.array([e]), np.ones(1), np.zeros(1, int), np.zeros(1, int))
    outer = np.exp(nested.GRID)
    seen = on_the_grid(0.4) * outer**n * (1 + e * outer / k) ** -(k + n)
    seen /= seen.sum()
    mean = seen @ ((k + n) / (k / outer + e))
    mean_log = seen @ (digamma(k + n) - np.log(k / outer + e))
    post = nested.fit_posterior(tree, Variances(0.4, 0.0, 0.6))
    assert post.shape[0] / post.rate[0] == pytest.approx(mean)
    assert digamma(post.shape[0]) - np.log(post.rate[0]) == pytest.approx(mean_log)
    # sections that do not vary follow their loop
    still = nested.fit_posterior(tree, Variances(0.4, 0.0, 0.0))
    seen = on_the_grid(0.4) * outer**n * np.exp(-e * outer)
    seen /= seen.sum()
    assert still.shape[0] / still.rate[0] == pytest.approx(seen @ outer)
    assert digamma(still.shape[0]) - np.log(still.rate[0]) == pytest.approx(seen @ nested.GRID)
    assert_allclose([still.loop[0], still.half_loop[0]], seen @ outer)
    totals = nested.fit_totals(tree, Variances(0.4, 0.0, 0.0), np.array([2.0]))
    assert totals.loop_mean[0] == pytest.approx(2 * seen @ outer)
    assert totals.loop_variance[0] == pytest.approx(4 * (seen @ outer**2 - (seen @ outer) ** 2))
    assert nested.log_likelihood(tree, Variances(0.4, 0.0, 0.0)) == pytest.approx(
        np.log((on_the_grid(0.4) * outer**n * np.exp(-e * outer)).sum())
    )


def test_the_grid_runs_from_a_735th_to_55() -> None:
    assert np.exp(-nested.GRID[0]) == pytest.approx(735, rel=1e-3)
    assert np.exp(nested.GRID[-1]) == pytest.approx(54.6, rel=1e-3)
    assert len(nested.GRID) == 54
    assert_allclose(nested._prior(0.5), on_the_grid(0.5))
    assert nested._prior(0.03).max() < 1.0  # the least variance there is
    assert np.flatnonzero(nested._prior(0.029)).tolist() == [33]
    assert nested.GRID[33] == 0.0


@pytest.mark.parametrize("shape", [0.05, 0.7, 3.0, 40.0, 1e5])
def test_a_gamma_is_known_by_its_mean_and_mean_logarithm(shape: float) -> None:
    gap = np.array([np.log(shape) - digamma(shape)])
    assert nested._gamma_shape(gap) == pytest.approx([shape], rel=1e-6)
    assert np.isfinite(nested._gamma_shape(np.zeros(1))).all()


def height_of(found: dict[str, float], power: float) -> float:
    """Log-likelihood and prior: standard deviations of loops and sections gamma of shape 2 and mode 0.5."""
    prior = sum(gamma.logpdf(np.sqrt(found[name]), 2, scale=0.5) for name in ("loop", "section"))
    return nested.log_likelihood(TREE, Variances(**found, length_power=power)) + prior


@pytest.mark.parametrize("start", [(0.3, 0.1, 0.5), (0.2, 0.0, 3.9), (0.04, 0.0, 0.04)])
@pytest.mark.parametrize(("factor", "power", "largest"), [(3.0, 0.0, 4.0), (1.15, 1.0, 4.0), (1.5, 0.0, 0.6)])
def test_one_round_takes_the_best_of_each_coordinate_in_turn(
    start: tuple, factor: float, power: float, largest: float
) -> None:
    found = dict(zip(("loop", "half_loop", "section"), start, strict=True))
    wanted = dict(found)
    for name in ("section", "loop", "half_loop", "loop"):
        tried = (wanted[name] or 0.1) * factor ** np.arange(-2.0, 3)
        tried = [0.0] * (name == "half_loop") + sorted(set(np.clip(tried, 0.03, largest).tolist()))
        wanted[name] = tried[int(np.argmax([height_of(wanted | {name: v}, power) for v in tried]))]
    nested._search(TREE, found, factor, power, largest)
    assert found == wanted


def test_the_rounds_grow_finer_and_look_at_more_sections(monkeypatch: pytest.MonkeyPatch) -> None:
    asked: list[tuple] = []
    monkeypatch.setattr(nested, "thin_tree", lambda _, sections: sections)
    monkeypatch.setattr(nested, "_search", lambda tree, found, *rest: asked.append((tree, dict(found), *rest)))
    begin = {"loop": 0.3, "half_loop": 0.1, "section": 0.5}
    assert nested.fit_variances(TREE) == Variances(0.3, 0.1, 0.5, 0.0)
    assert asked == [(3_000, begin, 3.0, 0.0, 4.0), (8_000, begin, 1.5, 0.0, 4.0), (20_000, begin, 1.15, 0.0, 4.0)]
    asked.clear()
    assert nested.fit_variances(TREE, 1.0, Variances(0.2, 0.0, 0.7), 2.0) == Variances(0.2, 0.0, 0.7, 1.0)
    assert asked == [(20_000, {"loop": 0.2, "half_loop": 0.0, "section": 0.7}, 1.15, 1.0, 2.0)]
