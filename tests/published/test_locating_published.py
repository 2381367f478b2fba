"""Other people's numbers through the functions of the fit and of the charts."""

from __future__ import annotations

import itertools
from collections.abc import Callable

import numpy as np
import pytest
from scipy import stats

from pipelines.locating.drift import (
    CUSUM_LIMIT,
    CUSUM_SLACK,
    EWMA_LIMIT,
    EWMA_WEIGHT,
    ewma_limits,
    sum_cumulatively,
    weigh_exponentially,
)
from pipelines.locating.mixed_model import Design, solve, sum_products
from pipelines.locating.noise import right_probability
from pipelines.locating.readings import REFERENCE_PCT
from shared.units import C_M_PER_US, VELOCITY_PCT, one_way_time_us

NO_INSTRUMENTS = np.ones((0, 2, 2))


def plain_design(x: np.ndarray, y: np.ndarray) -> Design:
    """Least squares as the mixed model without instruments and with flat priors."""
    n, q = x.shape
    row, column = np.nonzero(np.ones_like(x))
    return Design(
        row=row,
        column=column,
        value=x.ravel(),
        columns=q,
        response=y,
        scale=np.ones(n),
        zero=np.ones(n),
        group=np.full(n, -1),
        groups=0,
        run=np.arange(n),
        prior_mean=np.zeros(q),
        prior_precision=np.zeros(q),
    )


def test_regression_through_the_origin_has_the_certified_values_of_nist() -> None:
    """NIST Statistical Reference Datasets, NoInt1 (higher difficulty): certified to 15 digits.

    https://www.itl.nist.gov/div898/strd/lls/data/NoInt1.shtml ; digits from memory, recomputed independently.
    """
    x, y = np.arange(60.0, 71.0), np.arange(130.0, 141.0)
    design = plain_design(x[:, None], y)
    solution = solve(sum_products(design, np.ones(11), 0.0), design, NO_INSTRUMENTS)
    left = y - x * solution.fixed[0]
    residual_sd = float(np.sqrt(left @ left / 10))
    assert solution.fixed[0] == pytest.approx(2.07438016528926, rel=1e-14)
    assert residual_sd == pytest.approx(3.56753034006338, rel=1e-13)
    assert residual_sd * float(np.sqrt(solution.inverse[0, 0])) == pytest.approx(0.0165289256198347, rel=1e-13)


# Brownlee's stack loss data: air flow, water temperature, acid concentration, stack loss. In the public domain;
# shipped with many statistics packages (R datasets::stackloss).
STACK_LOSS = np.array(
    [
        [80, 27, 89, 42],
        [80, 27, 88, 37],
        [75, 25, 90, 37],
        [62, 24, 87, 28],
        [62, 22, 87, 18],
        [62, 23, 87, 18],
        [62, 24, 93, 19],
        [62, 24, 93, 20],
        [58, 23, 87, 15],
        [58, 18, 80, 14],
        [58, 18, 89, 14],
        [58, 17, 88, 13],
        [58, 18, 82, 11],
        [58, 19, 93, 12],
        [50, 18, 89, 8],
        [50, 18, 86, 7],
        [50, 19, 72, 8],
        [50, 19, 79, 8],
        [50, 20, 80, 9],
        [56, 20, 82, 15],
        [70, 20, 91, 15],
    ],
    dtype=float,
)


def least_median_of_squares(x: np.ndarray, y: np.ndarray) -> tuple[np.ndarray, float]:
    """Exact fit to the four rows whose residuals have the least median, over all fours, and its scale.

    Rousseeuw and Leroy, Robust Regression and Outlier Detection, 1987, ch. 5: 1.4826 (1 + 5 / (n - p)) times the root.
    """
    n, p = x.shape
    rows = np.array(list(itertools.combinations(range(n), p)))
    rows = rows[np.abs(np.linalg.det(x[rows])) > 1e-6]
    found = np.linalg.solve(x[rows], y[rows][:, :, None])[:, :, 0]
    medians = np.median((y - found @ x.T) ** 2, axis=1)
    best = int(np.argmin(medians))
    return found[best], 1.4826 * (1 + 5 / (n - p)) * float(medians[best]) ** 0.5


def test_the_robust_step_finds_the_wrong_rows_of_the_stack_loss_data() -> None:
    """Rows 1, 3, 4 and 21 are the outliers the literature agrees on; 1 and 3 hide one another from Huber's fit.

    Daniel and Wood, Fitting Equations to Data, 2nd ed., ch. 5; Rousseeuw and Leroy, p. 76-78: without the four,
    y = -37.65 + 0.80 x1 + 0.58 x2 - 0.07 x3 (from memory). The mixture keeps what its start shows it, so it starts, as
    the fit of readings does from medians, where half of the rows may be wrong.
    """
    x, y = np.column_stack([np.ones(21), STACK_LOSS[:, :3]]), STACK_LOSS[:, 3]
    start, scale = least_median_of_squares(x, y)
    left, variance, share = y - x @ start, scale**2, 0.1
    design = plain_design(x, y)
    for _ in range(100):
        right = right_probability(left, np.full(21, variance), np.full(21, 12.0), share)
        solution = solve(sum_products(design, np.maximum(right, 1e-9) / variance, 0.0), design, NO_INSTRUMENTS)
        left = y - x @ solution.fixed
        variance = float(right @ left**2) / (right.sum() - 4)
        share = float(np.clip(1 - right.mean(), 0.01, 0.4))
    assert set((np.flatnonzero(right < 0.5) + 1).tolist()) == {1, 3, 4, 21}
    # row 13 is doubted a little too, which moves the coefficients by a small part of their standard errors
    assert solution.fixed == pytest.approx([-37.65, 0.80, 0.58, -0.07], abs=0.3)
    assert solution.fixed[1:] == pytest.approx([0.80, 0.58, -0.07], abs=0.03)


def test_least_squares_of_the_stack_loss_data_as_printed() -> None:
    """Printed in most texts and packages: -39.9197, 0.7156, 1.2953, -0.1521."""
    x, y = np.column_stack([np.ones(21), STACK_LOSS[:, :3]]), STACK_LOSS[:, 3]
    design = plain_design(x, y)
    solution = solve(sum_products(design, np.ones(21), 0.0), design, NO_INSTRUMENTS)
    assert solution.fixed == pytest.approx([-39.919674, 0.715640, 1.295286, -0.152123], abs=1e-6)


def test_cusum_of_the_nist_handbook() -> None:
    """NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.3: target 325, k 0.3175, h 4.1959, printed to 0.01."""
    means = np.array(
        [
            324.925,
            324.675,
            324.725,
            324.350,
            325.350,
            325.225,
            324.125,
            324.525,
            325.225,
            324.600,
            324.625,
            325.150,
            328.325,
            327.250,
            327.825,
            328.500,
            326.675,
            327.775,
            326.875,
            328.350,
        ]
    )
    found = sum_cumulatively(means, 325.0, 0.3175, 4.1959)
    assert found.high[12:] == pytest.approx([3.01, 4.94, 7.45, 10.63, 11.99, 14.44, 16.00, 19.04], abs=0.006)
    assert found.low[[1, 3, 6, 7, 8, 9, 10]] == pytest.approx([0.01, 0.33, 0.56, 0.72, 0.17, 0.25, 0.31], abs=0.006)
    assert found.first_out == 13  # group 14
    assert found.onset == 12


def test_ewma_of_the_nist_handbook() -> None:
    """NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.4: weight 0.3, start 50, printed to 0.01 (from memory)."""
    values = np.array(
        [
            52.0,
            47.0,
            53.0,
            49.3,
            50.1,
            47.0,
            51.0,
            50.1,
            51.2,
            50.5,
            49.6,
            47.6,
            49.9,
            51.3,
            47.8,
            51.2,
            52.6,
            52.4,
            53.6,
            52.1,
        ]
    )
    printed = [
        50.60,
        49.52,
        50.56,
        50.18,
        50.16,
        49.21,
        49.75,
        49.85,
        50.26,
        50.33,
        50.11,
        49.36,
        49.52,
        50.05,
        49.38,
        49.92,
        50.73,
        51.23,
        51.94,
        51.99,
    ]
    assert weigh_exponentially(values, 0.3, 50.0) == pytest.approx(printed, abs=0.0055)


def test_limits_of_the_ewma_chart_of_the_nist_handbook() -> None:
    """Same page: s = 2.0539, limits 50 +- 3 s sqrt(0.3 / 1.7) = 47.4115 and 52.5884."""
    assert 50 + 2.0539 * ewma_limits(200, 0.3, 3.0)[-1] == pytest.approx(52.5884, abs=1e-4)


def mean_run_length(
    first_out: Callable[[np.ndarray], int], shift: float, length: int, runs: int
) -> tuple[float, float]:
    """Mean number of standard normal values, shifted, until a chart signals, and its standard error."""
    values = np.random.default_rng(6323).normal(shift, 1, (runs, length))
    found = np.array([first_out(row) + 1 for row in values])
    assert (found > 0).all()
    return float(found.mean()), float(found.std() / np.sqrt(runs))


@pytest.mark.parametrize(("shift", "printed"), [(0.5, 38.0), (1.0, 10.4), (1.5, 5.75), (2.0, 4.01)])
def test_run_lengths_of_the_cusum_chart_as_printed(shift: float, printed: float) -> None:
    """NIST/SEMATECH e-Handbook 6.3.2.3.1, slack 0.5 and limit 5: from memory, recomputed by a Markov chain."""
    assert (CUSUM_SLACK, CUSUM_LIMIT) == (0.5, 5.0)
    mean, error = mean_run_length(
        lambda row: sum_cumulatively(row, 0.0, CUSUM_SLACK, CUSUM_LIMIT).first_out,
        shift,
        400 if shift < 1 else 120,
        2000,
    )
    assert mean == pytest.approx(printed, abs=3 * error)


@pytest.mark.parametrize(
    ("limit", "shift", "printed"), [(2.962, 0.5, 41.8), (2.962, 1.0, 10.5), (2.962, 2.0, 3.7), (EWMA_LIMIT, 0.0, 370.4)]
)
def test_run_lengths_of_the_ewma_chart_as_printed(limit: float, shift: float, printed: float) -> None:
    """Lucas and Saccucci, Technometrics 32, 1990, table 3, weight 0.2: from memory, recomputed by a Markov chain.

    The last: the product's own limit alarms as rarely as three standard errors on single values do, 1 / 0.0027.
    """
    last = ewma_limits(500, EWMA_WEIGHT, limit)[-1]

    def first_out(row: np.ndarray) -> int:
        out = np.abs(weigh_exponentially(row, EWMA_WEIGHT, 0.0)) > last
        return int(np.argmax(out)) if out.any() else -1

    mean, error = mean_run_length(first_out, shift, 6000 if shift == 0 else 600, 600 if shift == 0 else 2000)
    assert mean == pytest.approx(printed, abs=3 * error)


def test_velocity_of_light_and_the_conventions() -> None:
    """c = 299 792 458 m/s exactly (SI); v/c = 1/sqrt(eps_r): eps_r 2.3 gives 197.677 m/us (98.839 there and back)."""
    velocity = C_M_PER_US / np.sqrt(2.3)
    assert velocity == pytest.approx(197.677293, abs=1e-6)
    assert velocity * VELOCITY_PCT["m_per_us"] == pytest.approx(65.9380, abs=1e-4)
    assert velocity / 2 * VELOCITY_PCT["half_m_per_us"] == pytest.approx(65.9380, abs=1e-4)
    assert one_way_time_us(velocity, 65.938047) == pytest.approx(1.0, abs=1e-7)


@pytest.mark.parametrize(
    ("factor", "half_m_per_us"),
    [(0.666667, 99.930819), (0.659380, 98.838646), (0.577350, 86.542628), (0.534522, 80.122905)],
)
def test_a_round_trip_at_half_the_velocity(factor: float, half_m_per_us: float) -> None:
    """c = 299 792 458 m/s (SI), v = c / sqrt(eps_r) at 2.25, 2.3, 3 and 3.5, a microsecond of echo delay.

    Taken for the velocity itself, the half velocity halves the distance; v/2 in feet by the foot of 1959, 0.3048 m.
    """
    setting_pct = half_m_per_us * VELOCITY_PCT["half_m_per_us"]
    assert setting_pct == pytest.approx(100 * factor, abs=1e-4)
    assert 2 * one_way_time_us(half_m_per_us, setting_pct) == pytest.approx(1.0, abs=1e-8)
    assert half_m_per_us / 0.3048 * VELOCITY_PCT["half_ft_per_us"] == pytest.approx(setting_pct, rel=1e-9)
    assert half_m_per_us * VELOCITY_PCT["m_per_us"] == pytest.approx(setting_pct / 2, rel=1e-12)


def test_the_reference_velocity_is_a_usual_factory_setting() -> None:
    """Common practice, no source: about 53 % of c for extruded cable, 38 to 48 % for paper-insulated cable."""
    assert REFERENCE_PCT == 53.0


def test_the_share_of_gross_errors_is_bayes_rule_on_two_normals() -> None:
    """scipy.stats.norm, a gross error adding its own variance to the reading's."""
    residual, variance, gross = np.array([0.0, 2.0, -5.0, 40.0]), np.array([1.0, 4.0, 4.0, 9.0]), np.full(4, 20.0)
    right = 0.7 * stats.norm.pdf(residual, 0, variance**0.5)
    wrong = 0.3 * stats.norm.pdf(residual, 0, (gross**2 + variance) ** 0.5)
    assert right_probability(residual, variance, gross, 0.3) == pytest.approx(right / (right + wrong))
