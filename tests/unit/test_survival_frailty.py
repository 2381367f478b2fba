"""Dispersion beside scipy's negative binomial, trees cut by hand, and the share left by treatment in closed form."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from scipy.optimize import minimize_scalar
from scipy.special import gammaln
from scipy.stats import nbinom, poisson

from pipelines.survival import hierarchical_frailty
from pipelines.survival.frailty import fit_dispersion, log_likelihood
from pipelines.survival.frailty_tree import build_tree, split_tree, thin_tree
from pipelines.survival.observation_windows import build_windows
from pipelines.survival.treatment import Treatment, assume_treatment, fit_treatment, is_treated, leave_out_treated
from tests.survival_fleets import small_history


def test_the_likelihood_is_the_negative_binomial_s() -> None:
    n, e = np.array([0.0, 3, 1, 7, 0]), np.array([0.5, 1.0, 2.0, 2.5, 0.1])

    def by_scipy(dispersion: float, counts: np.ndarray = n) -> float:
        if dispersion == 0:
            return poisson.logpmf(counts, e).sum()
        return nbinom.logpmf(counts, 1 / dispersion, 1 / (1 + dispersion * e)).sum()

    for d in (0.3, 2.0):
        assert log_likelihood(n, e, d) - log_likelihood(n, e, 0.0) == pytest.approx(by_scipy(d) - by_scipy(0))
        other = log_likelihood(n, 1.7 * e, d) - log_likelihood(n, e, d)
        assert other == pytest.approx(nbinom.logpmf(n, 1 / d, 1 / (1 + d * 1.7 * e)).sum() - by_scipy(d))
    # fractions of a failure: the gamma function stands in for the factorial
    shared = np.array([0.5, 2.5, 1.0, 0.5, 0.0])
    k = 1 / 0.4
    wanted = (gammaln(k + shared) - gammaln(k) + shared * np.log(e / (k + e)) - k * np.log1p(e / k)).sum()
    assert log_likelihood(shared, e, 0.4) == pytest.approx(wanted)


def test_the_dispersion_is_where_the_likelihood_is_greatest() -> None:
    n, e = np.array([0.0, 0, 6, 1, 0, 9, 2, 3]), np.array([1.0, 2, 2, 1, 1, 3, 2, 0])
    used = e > 0
    best = minimize_scalar(
        lambda log_d: -nbinom.logpmf(n[used], np.exp(-log_d), 1 / (1 + np.exp(log_d) * e[used])).sum(),
        bounds=(-9, 4),
        method="bounded",
        options={"xatol": 1e-9},
    )
    assert fit_dispersion(n, e) == pytest.approx(np.exp(best.x), rel=1e-4)
    assert fit_dispersion(n, e, largest=0.5) == pytest.approx(0.5, rel=1e-4)
    wild = np.array([0.0] * 60 + [3000.0]), np.full(61, 0.5)
    assert fit_dispersion(*wild) == pytest.approx(20.0, rel=1e-4)  # the bound of the search
    assert fit_dispersion(np.ones(9), np.ones(9)) == 0.0
    assert fit_dispersion(np.zeros(9), np.ones(9)) == 0.0
    assert fit_dispersion([1.0, 0.0], [0.0, 1.0]) == 0.0


LOOP, HALF = np.array([0, 0, 0, 1, 1, 4, 4, 4, 4]), np.array([0, 0, 1, 1, 2, 3, 3, 5, 5])


def grow() -> hierarchical_frailty.Tree:
    km = np.array([1.0, 2, 3, 1, 1, 2, 2, 2, 4])  # 2 km on average
    return build_tree(np.arange(9.0), 10.0 + np.arange(9), km, HALF, LOOP)


def test_sections_lie_in_their_half_loops_and_these_in_loops() -> None:
    tree = grow()
    assert tree.half_starts.tolist() == [0, 2, 3, 4, 5, 7]  # half 1 of loop 0 is not half 1 of loop 1
    assert tree.loop_starts.tolist() == [0, 2, 4]
    assert tree.half_of_section.tolist() == [0, 0, 1, 2, 3, 4, 4, 5, 5]
    assert tree.loop_of_half.tolist() == [0, 0, 1, 1, 2, 2]
    assert tree.relative_length.tolist() == [0.5, 1, 1.5, 0.5, 0.5, 1, 1, 1, 2]
    short = build_tree(np.zeros(2), np.ones(2), np.array([0.0, 2.0]), np.zeros(2, int), np.zeros(2, int))
    assert short.relative_length.tolist() == [1e-6, 2.0]


@pytest.mark.parametrize(("half", "loop"), [([1, 0], [0, 0]), ([0, 1], [1, 0])])
def test_a_tree_is_refused_where_the_order_falls(half: list, loop: list) -> None:
    with pytest.raises(ValueError, match="sorted by loop and half-loop"):
        build_tree(np.zeros(2), np.ones(2), np.ones(2), np.array(half), np.array(loop))
    build_tree(np.zeros(2), np.ones(2), np.ones(2), np.array([1, 0]), np.array([0, 1]))  # numbers begin anew


@pytest.mark.parametrize(
    ("part", "cuts"), [(1, [3, 2, 4]), (4, [3, 2, 4]), (5, [5, 4]), (6, [5, 4]), (8, [5, 4]), (9, [9])]
)
def test_a_tree_is_cut_between_loops(monkeypatch: pytest.MonkeyPatch, part: int, cuts: list[int]) -> None:
    monkeypatch.setattr("pipelines.survival.frailty_tree.PART", part)
    tree = grow()
    parts = list(split_tree(tree))
    assert [len(one.failures) for one, _ in parts] == cuts
    begin = 0
    for (one, place), size in zip(parts, cuts, strict=True):
        assert (place.start, place.stop) == (begin, begin + size)
        own = slice(begin, begin + size)
        whole = build_tree(tree.failures[own], tree.expected[own], np.ones(size), HALF[own], LOOP[own])
        assert one.half_starts.tolist() == whole.half_starts.tolist()
        assert one.loop_starts.tolist() == whole.loop_starts.tolist()
        assert one.failures.tolist() == tree.failures[own].tolist()
        assert one.expected.tolist() == tree.expected[own].tolist()
        assert one.relative_length.tolist() == tree.relative_length[own].tolist()
        begin += size


def test_a_thinned_tree_keeps_every_so_manieth_loop_whole() -> None:
    tree = grow()
    assert thin_tree(tree, 9) is tree
    for asked in (8, 5):  # nine sections over eight: every second loop
        thin = thin_tree(tree, asked)
        assert thin.failures.tolist() == [0, 1, 2, 5, 6, 7, 8]
        assert thin.expected.tolist() == [10, 11, 12, 15, 16, 17, 18]
        assert thin.relative_length.tolist() == [0.5, 1, 1.5, 1, 1, 1, 2]
        assert (thin.half_starts.tolist(), thin.loop_starts.tolist()) == ([0, 2, 3, 5], [0, 2])
    assert thin_tree(tree, 3).failures.tolist() == [0, 1, 2]


def test_the_share_left_by_treatment_is_a_gamma_s_mean() -> None:
    """One section a loop whose multiplier alone varies: two failures for one expected, dispersion 0.5."""
    tree = build_tree(np.array([2.0, 0.0]), np.array([1.0, 1.0]), np.ones(2), np.zeros(2, int), np.array([0, 1]))
    prior = assume_treatment(0.25, 20.0)
    assert (prior.factor, prior.shape, prior.years, prior.failures, prior.expected) == (0.25, 1.0, 20.0, 0.0, 0.0)
    found = fit_treatment(
        prior, tree, hierarchical_frailty.Variances(0, 0, 0.5), 3.0, np.array([6.0, 3.0]), np.array([0.1, 0.4])
    )
    # multipliers gamma(4) / 3 and gamma(2) / 3
    mean, variance = 6 * 4 / 3 + 3 * 2 / 3, 36 * 4 / 9 + 9 * 2 / 9
    assert (found.shape, found.failures, found.years) == (4.0, 3.0, 20.0)
    assert found.expected == pytest.approx(mean)
    assert found.factor == pytest.approx(4 / (1 / 0.25 + mean))
    spread = np.sqrt(variance / mean**2 + ((6 * 0.1 + 3 * 0.4) / 9) ** 2)
    assert found.expected_variation == pytest.approx(spread)
    assert found.variation == pytest.approx(np.sqrt(1 / 4 + spread**2))
    assert Treatment(0.5, 4.0, 20.0).variation == 0.5
    assert fit_treatment(prior, tree, hierarchical_frailty.Variances(0, 0, 0.5), 3.0, np.zeros(2), np.zeros(2)) is prior
    cured = dataclasses.replace(prior, factor=0.0)
    none = fit_treatment(cured, tree, hierarchical_frailty.Variances(0, 0, 0.5), 0.0, np.array([6.0, 3.0]), np.zeros(2))
    assert none.factor == pytest.approx(1e-6, rel=1e-3)


def test_cable_is_treated_after_its_injection_and_for_so_many_years() -> None:
    ages = np.array([9.9, 10.0, 10.1, 30.0, 30.1])
    assert is_treated(np.full(5, 10.0), ages, 20.0).tolist() == [False, False, True, True, False]
    assert not is_treated(np.full(5, np.inf), ages, 20.0).any()


def test_what_failed_on_the_day_of_injection_is_untreated() -> None:
    sections = [{"rejuvenated_on": "2008-01-01"}, {}, {"rejuvenated_on": "1996-01-01"}]
    failed = [("S0", "2004"), ("S0", "2008"), ("S0", "2012"), ("S1", "2012"), ("S2", "2004")]
    windows = build_windows(small_history(sections, [{"section_id": s, "failed_on": f"{y}-01-01"} for s, y in failed]))
    bare = leave_out_treated(windows)
    assert bare.entry_years.tolist() == [12, 12, 12]
    assert bare.exit_years.tolist() == [20, 32, 12]  # injected before the records: never seen untreated
    assert bare.event_window.tolist() == [0, 0, 1]
    assert bare.event_age_years.tolist() == [16, 20, 24]
    assert bare.event_weight.tolist() == [1, 1, 1]
    assert bare.event_on.astype("datetime64[Y]").astype(str).tolist() == ["2004", "2008", "2012"]
