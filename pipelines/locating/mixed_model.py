"""Linear mixed model with two random effects an instrument, solved block by block.

Every reading belongs to one instrument at most, so the random effects fall into blocks of two and Woodbury's
identity leaves one small system in the fixed effects: no matrix with a side of the number of readings is formed.
"""

from dataclasses import dataclass
from typing import Any

import numpy as np

from shared.arrays import Floats, Integers


@dataclass(frozen=True)
class Design:
    """Linearised model y = X beta + z_scale s + z_zero t + run deviation + noise.

    Parameters
    ----------
    row, column, value
        X in triplets; every pair of row and column once.
    columns
        Number of fixed effects q.
    response, scale, zero
        y and the two columns of the random effects, shape (n,).
    group
        Instrument of each row, -1 for none; groups is their number G.
    run
        Run of each row; a run lies within one group.
    prior_mean, prior_precision
        Normal prior of each fixed effect, shape (q,); precision 0: flat.
    """

    row: Integers
    column: Integers
    value: Floats
    columns: int
    response: Floats
    scale: Floats
    zero: Floats
    group: Integers
    groups: int
    run: Integers
    prior_mean: Floats
    prior_precision: Floats


@dataclass(frozen=True)
class CrossProducts:
    """Weighted sums of products: all that the variance of the random effects needs of the readings."""

    fixed: Floats  # (q, q)
    fixed_response: Floats  # (q,)
    random: Floats  # (G, 2, 2)
    random_fixed: Floats  # (G, 2, q)
    random_response: Floats  # (G, 2)
    response: float


@dataclass(frozen=True)
class Solution:
    """Fixed effects and instrument effects for given variances, with what their covariance is made of.

    Cov(beta) = inverse; Cov(u_g) = within_g + carried_g inverse carried_g', Cov(beta, u_g) = -inverse carried_g'.
    """

    fixed: Floats  # (q,)
    random: Floats  # (G, 2): scale error, time-zero error
    inverse: Floats  # (q, q)
    within: Floats  # (G, 2, 2)
    carried: Floats  # (G, 2, q)
    criterion: float  # -2 log restricted likelihood, without the log determinants of the instruments' priors


def sum_products(design: Design, weight: Floats, run_variance: float) -> CrossProducts:
    """Weighted cross-products of a design.

    Parameters
    ----------
    weight
        One over the variance of each row's own noise, shape (n,).
    run_variance
        Variance of the run deviation, which enters a row in proportion to its scale column.

    Notes
    -----
    A run adds a rank-one term to the variance of its rows; Sherman and Morrison take it off the products.
    """
    from scipy import sparse

    def scaled(matrix: Any, by: Floats) -> Any:
        return sparse.diags_array(by).tocsr() @ matrix

    n, q, groups = len(design.response), design.columns, design.groups
    x: Any = sparse.csr_array((design.value, (design.row, design.column)), shape=(n, q))
    group = np.where(design.group < 0, groups, design.group)
    to_group: Any = sparse.csr_array((weight, (group, np.arange(n))), shape=(groups + 1, n))
    z = np.column_stack([design.scale, design.zero])
    y = design.response
    fixed = (x.T @ scaled(x, weight)).toarray()
    fixed_response = x.T @ (weight * y)
    random = np.stack([to_group @ (z[:, [k]] * z) for k in range(2)], axis=1)
    random_fixed = np.stack([(to_group @ scaled(x, z[:, k])).toarray() for k in range(2)], axis=1)
    random_response = to_group @ (z * y[:, None])
    response = float(weight @ (y * y))

    runs = _sum_runs(design, weight, run_variance, x, z)
    if runs is not None:
        gather: Any = sparse.csr_array(
            (runs.mass, (runs.group, np.arange(len(runs.mass)))), shape=(groups + 1, len(runs.mass))
        )
        fixed -= (runs.fixed.T @ scaled(runs.fixed, runs.mass)).toarray()
        fixed_response -= runs.fixed.T @ (runs.mass * runs.response)
        random -= np.stack([gather @ (runs.random[:, [k]] * runs.random) for k in range(2)], axis=1)
        random_fixed -= np.stack([(gather @ scaled(runs.fixed, runs.random[:, k])).toarray() for k in range(2)], axis=1)
        random_response -= gather @ (runs.random * runs.response[:, None])
        response -= float(runs.mass @ (runs.response * runs.response))
    return CrossProducts(
        fixed, fixed_response, random[:groups], random_fixed[:groups], random_response[:groups], response
    )


@dataclass(frozen=True)
class _Runs:
    """Weighted sums over each run of several readings, and the mass they are taken off with."""

    mass: Floats
    group: Integers
    fixed: Any  # sparse (runs, q)
    random: Floats  # (runs, 2)
    response: Floats


def _sum_runs(design: Design, weight: Floats, run_variance: float, x: Any, z: Floats) -> _Runs | None:
    from scipy import sparse

    shared = np.flatnonzero(np.bincount(design.run)[design.run] > 1)
    if run_variance <= 0 or not len(shared):
        return None
    names, run = np.unique(design.run[shared], return_inverse=True)
    pull = weight[shared] * design.scale[shared]
    to_run: Any = sparse.csr_array((pull, (run, np.arange(len(shared)))), shape=(len(names), len(shared)))
    group = np.zeros(len(names), dtype=np.int64)
    group[run] = np.where(design.group < 0, design.groups, design.group)[shared]
    squares = np.bincount(run, weights=pull * design.scale[shared])
    return _Runs(
        mass=np.asarray(1.0 / (1.0 / run_variance + squares), dtype=float),
        group=group,
        fixed=(to_run @ x[shared]).tocsr(),
        random=to_run @ z[shared],
        response=to_run @ design.response[shared],
    )


def sum_fixed_by_group(design: Design, weight: Floats, run_variance: float) -> Floats:
    """What each instrument's own readings bring to CrossProducts.fixed, shape (G, q, q)."""
    from scipy import sparse

    q = design.columns
    x: Any = sparse.csr_array((design.value, (design.row, design.column)), shape=(len(weight), q))
    found = np.zeros((design.groups, q, q))
    _add_products(found, x, weight, design.group)
    runs = _sum_runs(design, weight, run_variance, x, np.column_stack([design.scale, design.zero]))
    if runs is not None:
        _add_products(found, runs.fixed, -runs.mass, runs.group)
    return found


def _add_products(found: Floats, x: Any, weight: Floats, group: Integers) -> None:
    """Add x' diag(weight) x of each group to its own block."""
    order = np.argsort(group, kind="stable")
    cuts = np.searchsorted(group[order], np.arange(len(found) + 1))
    ordered = x[order]
    for g in range(len(found)):
        if cuts[g] < cuts[g + 1]:
            own = ordered[cuts[g] : cuts[g + 1]].toarray()
            found[g] += own.T @ (own * weight[order[cuts[g] : cuts[g + 1]], None])


def row_variance(solution: Solution, design: Design) -> Floats:
    """Variance of each row's fitted line, shape (n,), without a dense X."""
    from scipy import sparse

    n = len(design.response)
    x: Any = sparse.csr_array((design.value, (design.row, design.column)), shape=(n, design.columns))
    spread = x @ solution.inverse
    fixed = np.bincount(design.row, weights=design.value * spread[design.row, design.column], minlength=n)
    if not design.groups:
        return np.asarray(fixed, dtype=float)
    known, at = design.group >= 0, np.maximum(design.group, 0)
    crossed = solution.carried @ solution.inverse  # (G, 2, q)
    own = solution.within + crossed @ np.swapaxes(solution.carried, 1, 2)
    z = np.column_stack([design.scale, design.zero]) * known[:, None]
    entry = np.einsum("ei,ei->e", z[design.row], crossed[at[design.row], :, design.column])
    mixed = np.bincount(design.row, weights=design.value * entry, minlength=n)
    return np.asarray(fixed - 2.0 * mixed + np.einsum("ni,nij,nj->n", z, own[at], z))


def solve(products: CrossProducts, design: Design, precision: Floats, pull: Floats | None = None) -> Solution:
    """Solve the mixed-model equations for given priors of the instrument effects.

    Parameters
    ----------
    precision
        Inverse prior covariance of each instrument's scale error and time-zero error, shape (G, 2, 2).
    pull
        Precision times prior mean of them, shape (G, 2); none: zero means.

    References
    ----------
    Henderson 1975, Biometrics 31, the mixed-model equations; Harville 1977, JASA 72, restricted likelihood.

    Checked by: tests/unit/test_locating_mixed_model.py
    """
    block = products.random + precision
    response = products.random_response if pull is None else products.random_response + pull
    within = np.linalg.inv(block)
    carried = within @ products.random_fixed
    prior = design.prior_precision
    system = products.fixed + np.diag(prior) - np.einsum("gik,gij->kj", products.random_fixed, carried)
    target = products.fixed_response + prior * design.prior_mean - np.einsum("gik,gi->k", carried, response)
    lower = np.linalg.cholesky(system)
    half = np.linalg.solve(lower, np.column_stack([target, np.eye(len(target))]))
    inverse = half[:, 1:].T @ half[:, 1:]
    fixed = inverse @ target
    taken = np.einsum("gij,gj->gi", within, response)
    random = taken - carried @ fixed
    quadratic = (
        products.response
        + prior @ design.prior_mean**2
        - float(np.sum(taken * response))
        - float(half[:, 0] @ half[:, 0])
    )
    log_determinant = 2.0 * float(np.log(np.diag(lower)).sum()) + float(np.linalg.slogdet(block)[1].sum())
    return Solution(
        fixed, random, inverse, np.asarray(within, dtype=float), carried, float(quadratic + log_determinant)
    )
