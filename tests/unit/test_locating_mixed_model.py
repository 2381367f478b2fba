"""The block algebra against the same model written out with dense matrices."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from pipelines.locating.mixed_model import Design, row_variance, solve, sum_fixed_by_group, sum_products

SPREAD = np.array([0.02, 0.7])
RUN_VARIANCE = 0.01**2


def make_design(seed: int = 1, n: int = 60, q: int = 3, groups: int = 4) -> tuple[Design, np.ndarray, np.ndarray]:
    rng = np.random.default_rng(seed)
    group = np.sort(rng.integers(-1, groups, n))
    x = rng.uniform(20, 200, (n, q)) * (rng.random((n, q)) < 0.6)
    row, column = np.nonzero(x)
    # runs of one to three rows, each within one group
    run = np.cumsum(np.concatenate([[0], (np.diff(group) != 0) | (rng.random(n - 1) < 0.5)]))
    design = Design(
        row=row,
        column=column,
        value=x[row, column],
        columns=q,
        response=rng.normal(100, 20, n),
        scale=x.sum(axis=1) + 5,
        zero=rng.integers(1, 3, n).astype(float),
        group=group,
        groups=groups,
        run=run,
        prior_mean=np.array([1.0, 0.9, 1.1]),
        prior_precision=np.array([2.0, 0.0, 5.0]),
    )
    return design, x, rng.uniform(0.2, 2.0, n)


def dense_parts(design: Design, weight: np.ndarray, tightness: np.ndarray):
    """Random-effect columns, their covariance, and the covariance of the rows."""
    n = len(weight)
    z = np.zeros((n, 2 * design.groups))
    known = np.flatnonzero(design.group >= 0)
    z[known, 2 * design.group[known]] = design.scale[known]
    z[known, 2 * design.group[known] + 1] = design.zero[known]
    spread = np.diag((SPREAD**2 / tightness).ravel())
    runs = np.zeros((n, n))
    for run in np.unique(design.run):
        rows = np.flatnonzero(design.run == run)
        if len(rows) > 1:
            runs[np.ix_(rows, rows)] = RUN_VARIANCE * np.outer(design.scale[rows], design.scale[rows])
    return z, spread, z @ spread @ z.T + np.diag(1 / weight) + runs


def as_precision(tightness: np.ndarray, spread: np.ndarray) -> np.ndarray:
    return (tightness / spread**2)[:, :, None] * np.eye(2)


@pytest.fixture(scope="module")
def solved():
    design, x, weight = make_design()
    tightness = np.random.default_rng(3).uniform(0.5, 1.5, (design.groups, 2))
    products = sum_products(design, weight, RUN_VARIANCE)
    return design, x, weight, tightness, solve(products, design, as_precision(tightness, SPREAD))


def test_fixed_effects_are_those_of_generalised_least_squares(solved) -> None:
    design, x, weight, tightness, solution = solved
    _, _, covariance = dense_parts(design, weight, tightness)
    inverse = np.linalg.inv(covariance)
    system = x.T @ inverse @ x + np.diag(design.prior_precision)
    target = x.T @ inverse @ design.response + design.prior_precision * design.prior_mean
    assert solution.fixed == pytest.approx(np.linalg.solve(system, target), rel=1e-8)
    assert solution.inverse == pytest.approx(np.linalg.inv(system), rel=1e-7, abs=1e-12)


def test_instrument_effects_are_the_best_linear_predictions(solved) -> None:
    design, x, weight, tightness, solution = solved
    z, spread, covariance = dense_parts(design, weight, tightness)
    expected = spread @ z.T @ np.linalg.solve(covariance, design.response - x @ solution.fixed)
    assert solution.random.ravel() == pytest.approx(expected, rel=1e-7, abs=1e-10)


def test_differences_of_the_criterion_are_those_of_the_restricted_likelihood(solved) -> None:
    design, x, weight, tightness, _ = solved
    products = sum_products(design, weight, RUN_VARIANCE)

    def dense(spread: np.ndarray) -> float:
        z, _, _ = dense_parts(design, weight, tightness)
        covariance = dense_parts(design, weight, tightness)[2]
        covariance = covariance + z @ np.diag(((spread**2 - SPREAD**2) / tightness).ravel()) @ z.T
        inverse = np.linalg.inv(covariance)
        system = x.T @ inverse @ x + np.diag(design.prior_precision)
        beta = np.linalg.solve(system, x.T @ inverse @ design.response + design.prior_precision * design.prior_mean)
        left = design.response - x @ beta
        away = beta - design.prior_mean
        return float(
            np.linalg.slogdet(covariance)[1]
            + np.linalg.slogdet(system)[1]
            + left @ inverse @ left
            + design.prior_precision @ away**2
        )

    other = np.array([0.05, 0.3])
    criterion = [
        solve(products, design, as_precision(tightness, spread)).criterion - np.log(tightness / spread**2).sum()
        for spread in (other, SPREAD)
    ]
    ours = criterion[0] - criterion[1]
    assert ours == pytest.approx(dense(other) - dense(SPREAD), rel=1e-7)


def test_variance_of_rows(solved) -> None:
    design, x, weight, tightness, solution = solved
    z, spread, _ = dense_parts(design, weight, tightness)
    runs = np.linalg.inv(dense_parts(design, weight, tightness)[2] - z @ spread @ z.T)
    joint = np.hstack([x, z])
    precision = joint.T @ runs @ joint
    precision += np.diag(np.concatenate([design.prior_precision, 1 / np.diag(spread)]))
    covariance = np.linalg.inv(precision)
    expected = np.einsum("ij,jk,ik->i", joint, covariance, joint)
    assert row_variance(solution, design) == pytest.approx(expected, rel=1e-7)


def test_what_instruments_bring_adds_up_to_the_whole(solved) -> None:
    design, x, weight, _, _ = solved
    plain = sum_products(design, weight, 0.0)  # runs without a deviation of their own
    assert plain.fixed == pytest.approx((x.T * weight) @ x)
    assert plain.response == pytest.approx(weight @ design.response**2)
    known = design.group >= 0
    own = sum_fixed_by_group(design, np.where(known, weight, 0.0), RUN_VARIANCE)
    whole = sum_products(design, np.where(known, weight, 1e-300), RUN_VARIANCE).fixed
    assert own.sum(axis=0) == pytest.approx(whole, rel=1e-9)
    for g in range(design.groups):
        rows = np.flatnonzero(design.group == g)
        noise = np.diag(1 / weight[rows])
        same = design.run[rows][:, None] == design.run[rows]
        noise += same * (same.sum(axis=0) > 1) * RUN_VARIANCE * np.outer(design.scale[rows], design.scale[rows])
        assert own[g] == pytest.approx(x[rows].T @ np.linalg.solve(noise, x[rows]))


def test_prior_means_of_the_effects_are_a_reading_more_each(solved) -> None:
    """A pull moves the effects as an observation of them with that precision would."""
    design, x, weight, tightness, _ = solved
    precision, mean = (
        as_precision(tightness, SPREAD),
        np.random.default_rng(8).normal(0, 1, (design.groups, 2)) * SPREAD,
    )
    pull = np.einsum("gij,gj->gi", precision, mean)
    found = solve(sum_products(design, weight, RUN_VARIANCE), design, precision, pull)
    z, spread, covariance = dense_parts(design, weight, tightness)
    inverse = np.linalg.inv(covariance)
    system = x.T @ inverse @ x + np.diag(design.prior_precision)
    shifted = design.response - z @ mean.ravel()
    target = x.T @ inverse @ shifted + design.prior_precision * design.prior_mean
    assert found.fixed == pytest.approx(np.linalg.solve(system, target), rel=1e-8)
    effects = mean.ravel() + spread @ z.T @ inverse @ (shifted - x @ found.fixed)
    assert found.random.ravel() == pytest.approx(effects, rel=1e-7, abs=1e-10)


def test_rows_of_a_model_without_instruments(solved) -> None:
    design, x, _, _, solution = solved
    nobody = np.full(len(x), -1)
    plain = np.einsum("ij,jk,ik->i", x, solution.inverse, x)
    bare = replace(solution, random=np.zeros((0, 2)), within=np.zeros((0, 2, 2)), carried=np.zeros((0, 2, 3)))
    alone = replace(design, group=nobody, groups=0)
    assert row_variance(bare, alone) == pytest.approx(plain)
    assert sum_fixed_by_group(alone, np.ones(len(x)), RUN_VARIANCE).shape == (0, 3, 3)
