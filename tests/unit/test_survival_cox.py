"""Proportional hazards by age: beside a general-purpose fit, and where the data cannot tell."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm
from numpy.testing import assert_allclose
from scipy.optimize import brentq

from pipelines.survival import cox
from pipelines.survival.cox import fit_cox


def draw(seed: int, sections: int = 3000, effects: tuple[float, ...] = (0.5, -0.7)):
    """Sections of four kinds (two attributes), late entry, constant hazard, recurrent failures on whole days."""
    rng = np.random.default_rng(seed)
    design = np.array([[0.0, 0.0], [1.0, 0.0], [0.0, 1.0], [1.0, 1.0]])
    kind = rng.integers(0, 4, sections)
    entry = rng.integers(0, 6000, sections)
    leave = entry + rng.integers(400, 6000, sections)
    km = rng.lognormal(-2.5, 0.4, sections)
    rate = 4e-4 * km * np.exp(design[kind] @ np.array(effects))
    number = rng.poisson(rate * (leave - entry) * 3)
    owner = np.repeat(np.arange(sections), number)
    day = rng.integers(entry[owner] + 1, leave[owner] + 1)
    return kind, entry, leave, km, owner, day, design, np.zeros(4, dtype=np.int64), rng.integers(0, 300, sections)


def test_many_small_intervals_of_age_give_the_same_by_poisson_regression() -> None:
    """With a level for each day with a failure, Poisson regression has the maximum of Breslow's likelihood (Holford
    1980); statsmodels fits it."""
    kind, entry, leave, km, owner, day, design, stratum, cluster = draw(1, sections=300)
    fit = fit_cox(kind, entry, leave, km, owner, day, design, stratum, cluster)
    days = np.unique(day)
    rows = []
    for k in range(4):
        mine = kind == k
        risk = ((entry[mine, None] < days) & (days <= leave[mine, None])).T @ km[mine]
        seen = np.array([((kind[owner] == k) & (day == d)).sum() for d in days])
        rows.append(pd.DataFrame({"risk": risk, "seen": seen, "day": days, "a": design[k, 0], "b": design[k, 1]}))
    cells = pd.concat(rows).query("risk > 0")
    levels = pd.get_dummies(cells["day"], dtype=float)
    x = np.column_stack([cells[["a", "b"]], levels])
    poisson = sm.GLM(cells["seen"], x, family=sm.families.Poisson(), offset=np.log(cells["risk"])).fit(tol=1e-12)
    assert_allclose(fit.coefficients, poisson.params[:2], rtol=1e-6)
    assert_allclose(np.sqrt(np.diag(fit.variance)), poisson.bse[:2], rtol=1e-5)


def test_planted_effects_are_found() -> None:
    fits = [fit_cox(*draw(seed)) for seed in range(8)]
    found = np.array([f.coefficients for f in fits])
    error = np.sqrt(np.mean([np.diag(f.robust_variance) for f in fits], axis=0) / len(fits))
    assert (np.abs(found.mean(axis=0) - [0.5, -0.7]) < 3 * error).all()


def test_a_column_that_follows_from_others_is_not_told() -> None:
    kind, entry, leave, km, owner, day, design, stratum, cluster = draw(2)
    twice = np.column_stack([design, design[:, 0]])
    fit = fit_cox(kind, entry, leave, km, owner, day, twice, stratum, cluster)
    assert np.isnan(fit.coefficients[[0, 2]]).all()
    plain = fit_cox(kind, entry, leave, km, owner, day, design, stratum, cluster)
    assert_allclose(fit.coefficients[1], plain.coefficients[1], rtol=1e-9)


def test_values_that_no_stratum_joins_to_the_reference_are_not_told() -> None:
    # stratum 0 has the reference and value 1, stratum 1 has values 2 and 3: 2 and 3 compare with each other alone
    kind, entry, leave, km, owner, day, _, _, cluster = draw(3)
    design = np.array([[0.0, 0, 0], [1, 0, 0], [0, 1, 0], [0, 0, 1]])
    fit = fit_cox(kind, entry, leave, km, owner, day, design, np.array([0, 0, 1, 1]), cluster)
    assert np.isnan(fit.coefficients).tolist() == [False, True, True]


def test_no_failure_on_one_side_gives_no_end() -> None:
    kind, entry, leave, km, owner, day, design, stratum, cluster = draw(4)
    kept = design[kind[owner], 0] == 0
    fit = fit_cox(kind, entry, leave, km, owner[kept], day[kept], design, stratum, cluster)
    assert fit.coefficients[0] == -np.inf
    assert np.isfinite(fit.coefficients[1])


def test_cutting_sections_in_two_changes_nothing() -> None:
    kind, entry, leave, km, owner, day, design, stratum, cluster = draw(5)
    whole = fit_cox(kind, entry, leave, km, owner, day, design, stratum, cluster)
    half = fit_cox(
        np.r_[kind, kind],
        np.r_[entry, entry],
        np.r_[leave, leave],
        np.r_[km, km] / 2,
        owner,
        day,
        design,
        stratum,
        np.r_[cluster, cluster],
    )
    assert_allclose(half.coefficients, whole.coefficients, rtol=1e-9)
    assert_allclose(half.robust_variance, whole.robust_variance, rtol=1e-9)


def test_a_failure_out_of_view_is_a_fault() -> None:
    kind, entry, leave, km, owner, day, design, stratum, cluster = draw(6)
    day[0] = entry[owner[0]]
    with pytest.raises(ValueError, match="outside"):
        fit_cox(kind, entry, leave, km, owner, day, design, stratum, cluster)


def one_table(failures: tuple[int, int] = (6, 2), km: tuple[float, float] = (8.0, 4.0)):
    """Two kinds at risk together from day 100 to 200, no two failures on one day; the first kind has two sections."""
    kind, entry, leave = np.array([0, 1, 0]), np.full(3, 100), np.full(3, 200)
    lengths = np.array([0.75 * km[0], km[1], 0.25 * km[0]])
    owner = np.repeat([0, 1], failures)
    day = 101 + 3 * np.arange(sum(failures))
    return (
        kind,
        entry,
        leave,
        lengths,
        owner,
        day,
        np.array([[0.0], [1.0]]),
        np.zeros(2, dtype=np.int64),
        np.array([0, 1, 2]),
    )


def test_two_kinds_at_risk_together_have_a_closed_form() -> None:
    fit = fit_cox(*one_table())
    # hazard ratio: failures a km over failures a km; its information n p (1 - p) with p = 2/8
    assert_allclose(fit.coefficients, [np.log((2 / 4) / (6 / 8))], rtol=1e-9)
    assert_allclose(fit.variance, [[1 / 6 + 1 / 2]], rtol=1e-9)
    at_risk = 8 + 4 * (2 / 4) / (6 / 8)
    assert fit.log_likelihood == pytest.approx(2 * np.log(2 / 3) - 8 * np.log(at_risk))
    # residuals of the clusters: six failures where 4.5 were due, none where 1.5 were, each drawing by p
    assert_allclose(fit.robust_variance, [[(1 / 6 + 1 / 2) ** 2 * 2 * (0.25 * 1.5) ** 2]], rtol=1e-9)


def test_cable_is_at_risk_from_the_day_after_its_entry_to_the_day_of_its_exit() -> None:
    """On day 150 a section of kind 1 leaves and another enters: the one counts that day, the other does not."""
    kind, entry, leave = np.array([0, 1, 1]), np.array([100, 100, 150]), np.array([200, 150, 200])
    km = np.array([1.0, 2.0, 5.0])
    args = km, np.array([0, 0, 1]), np.array([150, 151, 150]), np.array([[0.0], [1.0]]), np.zeros(2, dtype=np.int64)
    fit = fit_cox(kind, entry, leave, *args, np.arange(3))
    # score: 1 - 2 * 2r / (1 + 2r) - 5r / (1 + 5r) = 0, times the two denominators: 1 - 2r - 20 r^2 = 0
    r = np.roots([-20.0, -2.0, 1.0])
    r = r[r > 0][0]
    assert_allclose(np.exp(fit.coefficients), [r], rtol=1e-9)
    height = np.log(r) - 2 * np.log(1 + 2 * r) - np.log(1 + 5 * r)
    assert fit.log_likelihood == pytest.approx(height)


def test_each_stratum_has_a_baseline_of_its_own() -> None:
    one, other = one_table((6, 2)), one_table((3, 9), (1.0, 2.0))
    both = [np.r_[a, b] for a, b in zip(one[1:4], other[1:4], strict=True)]
    kind, owner, day = np.r_[one[0], other[0] + 2], np.r_[one[4], other[4] + 3], np.r_[one[5], other[5]]
    design, stratum, cluster = np.r_[one[6], other[6]], np.array([0, 0, 1, 1]), np.r_[one[8], other[8] + 3]
    fit = fit_cox(kind, *both, owner, day, design, stratum, cluster)

    def score(r: float) -> float:
        return 2 - 8 * 4 * r / (8 + 4 * r) + 9 - 12 * 2 * r / (1 + 2 * r)

    r = brentq(score, 0.01, 10, xtol=1e-14)
    shares = 4 * r / (8 + 4 * r), 2 * r / (1 + 2 * r)
    assert_allclose(fit.coefficients, [np.log(r)], rtol=1e-8)
    information = 8 * shares[0] * (1 - shares[0]) + 12 * shares[1] * (1 - shares[1])
    assert_allclose(fit.variance, [[1 / information]], rtol=1e-8)
    # by cluster: failures less those due, each weighted by its kind's distance from the mean of its stratum
    p, q = shares
    due = np.array([8 * (1 - p) * 0.75, 8 * p, 8 * (1 - p) * 0.25, 12 * (1 - q) * 0.75, 12 * q, 12 * (1 - q) * 0.25])
    weight = np.array([-p, 1 - p, -p, -q, 1 - q, -q])
    residuals = weight * (np.array([6, 2, 0, 3, 9, 0]) - due)
    assert_allclose(fit.robust_variance, [[(residuals**2).sum() / information**2]], rtol=1e-7)
    # cable of a stratum in which nothing fails tells nothing, whatever its loop and kind
    entry, leave, lengths = (np.r_[a, b] for a, b in zip(both, (100, 200, 50.0), strict=True))
    quiet = fit_cox(
        np.r_[kind, 4], entry, leave, lengths, owner, day, np.r_[design, [[1.0]]], np.r_[stratum, 2], np.r_[cluster, 0]
    )
    assert_allclose(quiet.coefficients, fit.coefficients)
    assert_allclose(quiet.robust_variance, fit.robust_variance)


def test_a_ratio_without_a_maximum_stands_still_and_the_others_are_found_beside_it() -> None:
    kind, entry, leave = np.arange(4) % 3, np.full(4, 100), np.full(4, 200)
    design = np.array([[0.0, 0], [1, 0], [0, 1]])
    owner, day = np.array([0, 0, 0, 2]), np.array([110, 120, 130, 140])
    fit = fit_cox(
        kind, entry, leave, np.array([1.0, 1, 1, 2]), owner, day, design, np.zeros(3, dtype=np.int64), np.arange(4)
    )
    assert fit.coefficients[0] == -np.inf
    assert_allclose(fit.coefficients[1], np.log(1 / (3 / 3)), atol=1e-4)
    assert np.isnan(fit.variance[0]).all()
    assert np.isnan(fit.robust_variance[0]).all()
    assert fit.variance[1, 1] == pytest.approx(1 / 3 + 1, rel=1e-3)
    all_on_one = fit_cox(
        kind,
        entry,
        leave,
        np.array([1.0, 1, 1, 2]),
        np.array([1, 1]),
        np.array([110, 120]),
        design[:, :1],
        np.zeros(3, dtype=np.int64),
        np.arange(4),
    )
    assert all_on_one.coefficients[0] == np.inf


@pytest.mark.parametrize(("share", "is_told"), [(1e-4, True), (1.05e-8, True), (0.95e-8, False)])
def test_a_column_is_told_where_others_leave_something_of_it(share: float, is_told: bool) -> None:
    """The third kind, which alone parts two columns, has a tiny share of the length at risk."""
    kind, entry, leave = np.array([0, 1, 2]), np.full(3, 100), np.full(3, 200)
    design = np.array([[0.0, 0], [1, 1], [0, 1]])
    km = np.array([1.0, 1.0, share])
    owner, day = np.array([0, 1, 2]), np.array([110, 120, 130])
    fit = fit_cox(kind, entry, leave, km, owner, day, design, np.zeros(3, dtype=np.int64), np.arange(3))
    assert np.isnan(fit.coefficients).tolist() == [not is_told] * 2  # correlated by 1 - share
    alone = fit_cox(
        kind[:2],
        entry[:2],
        leave[:2],
        km[[0, 2]],
        owner[:2],
        day[:2],
        design[[0, 2], 1:],
        np.zeros(2, dtype=np.int64),
        np.arange(2),
    )
    assert np.isnan(alone.coefficients).tolist() == [not is_told]
    nothing = fit_cox(kind, entry, leave, km, owner, day, np.ones((3, 1)), np.zeros(3, dtype=np.int64), np.arange(3))
    assert np.isnan(nothing.coefficients).tolist() == [True]


@pytest.mark.parametrize("day", [100, 201])
def test_a_failure_counts_after_the_entry_and_up_to_the_exit(day: int) -> None:
    args = list(one_table())
    args[5] = np.r_[day, args[5][1:]]
    with pytest.raises(ValueError, match="outside"):
        fit_cox(*args)
    args[5] = np.r_[200 if day > 200 else 101, args[5][1:]]
    fit_cox(*args)


def test_steps_are_held_to_two_and_end_beyond_twelve(monkeypatch: pytest.MonkeyPatch) -> None:
    asked: list[float] = []
    evaluate = cox._evaluate

    def kept(strata, design, beta):
        asked.append(float(beta[0]))
        return evaluate(strata, design, beta)

    monkeypatch.setattr(cox, "_evaluate", kept)
    kind, entry, leave, km, _, _, design, stratum, _ = one_table(km=(1.0, 1e-4))
    owner, day = np.array([1, 1]), np.array([110, 120])
    strata = cox._tabulate(kind, entry, leave, km, owner, day, stratum)
    beta, height, _ = cox._climb(strata, design)
    steps = np.diff(asked)
    assert steps.max() == 2.0
    assert 12.0 <= beta[0] < 14.0
    assert asked[-2] < 12.0  # none is taken from beyond
    assert height == pytest.approx(2 * beta[0] - 2 * np.log1p(1e-4 * np.exp(beta[0])))
