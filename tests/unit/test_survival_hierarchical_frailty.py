"""Multipliers: closed form at one level, message passing at three, against brute force and simulation."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.stats import gamma

from pipelines.survival import frailty_tree, hierarchical_frailty
from pipelines.survival.frailty import fit_dispersion


def fleet(seed: int, loops: int = 300, variances=(0.35, 0.15, 0.35)):
    rng = np.random.default_rng(seed)
    sections = rng.integers(5, 22, loops)
    loop = np.repeat(np.arange(loops), sections)
    half = 2 * loop + np.concatenate([np.arange(k) >= k / 2 for k in sections]).astype(int)
    a, b, c = variances
    truth = rng.gamma(1 / a, a, loops)[loop] * rng.gamma(1 / b, b, 2 * loops)[half] * rng.gamma(1 / c, c, len(loop))
    expected = rng.lognormal(-1.2, 0.8, len(loop))
    failures = rng.poisson(expected * truth).astype(float)
    return hierarchical_frailty.build_tree(failures, expected, np.full(len(loop), 0.1), half, loop), truth, loop


def test_one_level_is_the_closed_form() -> None:
    tree, _, _ = fleet(1, loops=40)
    only_sections = hierarchical_frailty.fit_posterior(tree, hierarchical_frailty.Variances(0.0, 0.0, 0.5))
    assert_allclose(only_sections.shape, 1 / 0.5 + tree.failures, rtol=1e-5)
    assert_allclose(only_sections.rate, 1 / 0.5 + tree.expected, rtol=1e-5)


def test_a_loop_of_one_section_agrees_with_integration_by_brute_force() -> None:
    n, e, a, c = 3.0, 0.8, 0.4, 0.6
    tree = hierarchical_frailty.build_tree(np.array([n]), np.array([e]), np.ones(1), np.zeros(1, int), np.zeros(1, int))
    found = hierarchical_frailty.fit_posterior(tree, hierarchical_frailty.Variances(a, 0.0, c))
    u, v = np.meshgrid(np.linspace(1e-3, 14, 1500), np.linspace(1e-3, 14, 1500))
    weight = gamma.pdf(u, 1 / a, scale=a) * gamma.pdf(v, 1 / c, scale=c) * (u * v) ** n * np.exp(-e * u * v)
    assert_allclose(found.shape / found.rate, (weight * u * v).sum() / weight.sum(), rtol=2e-3)
    assert_allclose(found.loop, (weight * u).sum() / weight.sum(), rtol=2e-3)


def test_totals_of_a_loop_hold_what_its_sections_share() -> None:
    tree, _, _ = fleet(2, loops=30)
    variances = hierarchical_frailty.Variances(0.35, 0.15, 0.35)
    weights = tree.expected * 0.4
    totals = hierarchical_frailty.fit_totals(tree, variances, weights)
    post = hierarchical_frailty.fit_posterior(tree, variances)
    by_loop = np.bincount(tree.loop_of_half[tree.half_of_section], weights=weights * post.shape / post.rate)
    independent = np.bincount(tree.loop_of_half[tree.half_of_section], weights=weights**2 * post.shape / post.rate**2)
    assert_allclose(totals.loop_mean, by_loop, rtol=1e-6)
    assert_allclose(np.add.reduceat(totals.half_mean, tree.loop_starts), by_loop, rtol=1e-6)
    assert (totals.loop_variance > independent).mean() > 0.9


def test_variances_are_found_and_limits_hold_the_truth() -> None:
    held, found = [], []
    for seed in range(5):
        tree, truth, _ = fleet(10 + seed)
        variances = hierarchical_frailty.fit_variances(tree)
        post = hierarchical_frailty.fit_posterior(tree, variances)
        lo, hi = gamma.ppf([[0.05], [0.95]], post.shape) / post.rate
        held.append(np.mean((lo < truth) & (truth < hi)))
        found.append([variances.loop + variances.half_loop, variances.section])
    assert 0.87 <= np.mean(held) <= 0.93
    assert_allclose(np.mean(found, axis=0), [0.5, 0.35], atol=0.15)


def test_no_variation_is_seen_as_none() -> None:
    rng = np.random.default_rng(4)
    expected = rng.uniform(0.2, 2.0, 4000)
    assert fit_dispersion(rng.poisson(expected), expected) < 0.03
    varied = rng.poisson(expected * rng.gamma(2.0, 0.5, 4000))
    assert fit_dispersion(varied, expected) == pytest.approx(0.5, abs=0.1)


def test_a_search_from_an_earlier_answer_stays_near_the_full_one() -> None:
    tree, _, _ = fleet(6)
    full = hierarchical_frailty.fit_variances(tree)
    again = hierarchical_frailty.fit_variances(tree, start=full)
    assert hierarchical_frailty.log_likelihood(tree, again) >= hierarchical_frailty.log_likelihood(tree, full) - 1e-9


def test_unsorted_sections_are_refused() -> None:
    with pytest.raises(ValueError, match="sorted"):
        hierarchical_frailty.build_tree(np.zeros(2), np.ones(2), np.ones(2), np.array([0, 0]), np.array([1, 0]))


def test_a_tree_taken_in_parts_is_the_tree(monkeypatch: pytest.MonkeyPatch) -> None:
    tree, _, _ = fleet(5, loops=60)
    variances, weights = hierarchical_frailty.Variances(0.35, 0.15, 0.35), np.linspace(0.0, 2.0, len(tree.failures))
    monkeypatch.setattr(frailty_tree, "PART", 10**9)
    whole = (
        hierarchical_frailty.fit_posterior(tree, variances),
        hierarchical_frailty.fit_totals(tree, variances, weights),
    )
    for part in (1, 7, 40):
        monkeypatch.setattr(frailty_tree, "PART", part)
        cut = (
            hierarchical_frailty.fit_posterior(tree, variances),
            hierarchical_frailty.fit_totals(tree, variances, weights),
        )
        for one, other in zip(whole, cut, strict=True):
            for name, values in vars(one).items():
                found = getattr(other, name)
                if name == "messages":  # part by part
                    found, values = np.concatenate(found), np.concatenate(values)
                assert_allclose(found, values, rtol=1e-11, err_msg=name)
