"""Noise of a reading: its parts by hand, and its estimates against written-out likelihoods."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy import optimize

from pipelines.locating import noise
from pipelines.locating.noise import Noise
from pipelines.locating.readings import Readings, keep_readings
from tests.locating_fleets import six_readings

READINGS = six_readings()
NOISE = Noise(0.6, 0.03, 0.05, 0.015, 0.01, 0.04)
FIELD = 0.007**2 + 0.008**2


def many(times: int = 20) -> Readings:
    """The six readings many times over, each in runs of two or alone."""
    rows = np.tile(np.arange(6), times)
    found = {
        name: getattr(READINGS, name)[rows]
        for name in ("time_m", "length_m", "zero_errors", "is_dug", "is_paced", "is_satellite", "is_register")
    }
    return replace(READINGS, **found, instrument=READINGS.instrument[rows], run=np.arange(6 * times) // 2)


def test_variances_written_out() -> None:
    length = READINGS.length_m**2
    share = np.array([FIELD, FIELD + 0.05**2, FIELD, 0.015**2, 0, FIELD])
    place = np.array([0, 0, 1.5**2, 0, 0, 0])
    assert noise.length_variance(READINGS, NOISE) == pytest.approx(share * length + place)
    time, factor = np.arange(1.0, 7.0) * 40, np.array([1.0, 1.5, 0.5, 2.0, 1.0, 0.7])
    own = (0.36 * np.array([1, 1, 1, 2, 2, 1]) + 0.0009 * time**2) * factor
    assert noise.total_variance(READINGS, NOISE, time, factor) == pytest.approx(own + share * time**2 + place)
    # 0.6 x (102 + 10) and so on
    assert noise.wrong_sd(READINGS) == pytest.approx([67.2, 126, 68.4, 186, 36, 54])


def case(seed: int, readings: Readings) -> tuple[np.ndarray, ...]:
    rng, n = np.random.default_rng(seed), len(readings)
    time, factor = readings.length_m * 1.03, rng.uniform(0.5, 2, n)
    sd = noise.total_variance(readings, NOISE, time, factor) ** 0.5
    return rng.normal(0, sd), rng.uniform(0, 0.3, n), rng.uniform(0.5, 1, n), time, factor


NAMES = ("constant_m", "growing", "paced", "register")
PRIOR_MEDIAN, PRIOR_SPREAD = np.log([0.5, 0.025, 0.04, 0.015]), np.array([0.8, 0.5, 0.5, 0.7])


def loss_of(readings: Readings, arguments: tuple[np.ndarray, ...], at: np.ndarray) -> float:
    """Minus the log posterior of the logarithms of the four deviations."""
    residual, leverage, right, time, factor = arguments
    variance = noise.total_variance(readings, Noise(*np.exp(at)), time, factor)
    free = right * (1 - leverage)
    away = (at - PRIOR_MEDIAN) / PRIOR_SPREAD
    return 0.5 * float(np.sum(free * np.log(variance)) + np.sum(right * residual**2 / variance) + away @ away)


def step_of(readings: Readings, arguments: tuple[np.ndarray, ...], at: np.ndarray) -> np.ndarray:
    """One Fisher step with numeric derivatives, at most one either way, halved while it goes uphill."""
    _, leverage, right, time, factor = arguments
    loss = lambda x: loss_of(readings, arguments, x)  # noqa: E731
    slope = optimize.approx_fprime(at, loss, 1e-6)
    logs = optimize.approx_fprime(
        at, lambda x: np.log(noise.total_variance(readings, Noise(*np.exp(x)), time, factor)), 1e-6
    )
    information = 0.5 * (logs * (right * (1 - leverage))[:, None]).T @ logs + np.diag(PRIOR_SPREAD**-2)
    step = np.clip(np.linalg.solve(information, slope), -1, 1)
    while loss(at - step) > loss(at):
        step = step / 2
    return at - step


@pytest.mark.parametrize(
    "start", [(0.6, 0.03, 0.05, 0.015), (0.01, 0.5, 0.3, 0.001), (9.0, 0.002, 0.001, 0.4), (0.05, 0.004, 0.6, 0.1)]
)
def test_two_fisher_steps_as_written_out(start: tuple[float, ...]) -> None:
    readings = many()
    arguments = case(3, readings)
    found = noise.fit_noise(readings, Noise(*start), *arguments)
    expected = step_of(readings, arguments, step_of(readings, arguments, np.log(start)))
    assert np.log([getattr(found, name) for name in NAMES]) == pytest.approx(expected, abs=2e-4)


def test_the_steps_end_at_the_most_likely_noise() -> None:
    readings = many()
    arguments = case(4, readings)
    found = NOISE
    for _ in range(40):
        found = noise.fit_noise(readings, found, *arguments)
    best = optimize.minimize(lambda at: loss_of(readings, arguments, at), PRIOR_MEDIAN, tol=1e-9).x
    assert np.log([getattr(found, name) for name in NAMES]) == pytest.approx(best, abs=1e-3)


def test_kinds_that_are_not_there_keep_their_noise_and_the_share_of_gross_errors_has_its_prior() -> None:
    plain = keep_readings(READINGS, np.array([True, False, True, False, True, True]))
    residual, leverage, right, time, factor = case(5, plain)
    found = noise.fit_noise(plain, NOISE, residual, leverage, right, time, factor)
    assert (found.paced, found.register, found.run) == (0.05, 0.015, 0.01)
    assert found.growing != 0.03 and found.constant_m != 0.6
    assert found.wrong_share == pytest.approx((np.sum(1 - right) + 0.5) / (4 + 18))
    for readings, right_share, share in ((many(100), 1.0, 1e-3), (many(20), 0.0, 0.4)):
        residual, leverage, _, time, factor = case(5, readings)
        right = np.full(len(readings), right_share)
        assert noise.fit_noise(readings, NOISE, residual, leverage, right, time, factor).wrong_share == share


def test_the_deviation_of_a_run_is_the_mean_product_of_its_pairs() -> None:
    readings = replace(many(2), run=np.array([0, 0, 0, 1, 1, 2, 3, 4, 4, 5, 6, 6]))
    residual, variance = (
        0.01 * readings.length_m * np.array([1, 2, 3, 2, -1, 4, 2, 3, 1, 1, 2, 2]),
        np.linspace(4, 15, 12),
    )
    right = np.linspace(0.5, 1, 12)
    weight, ratio = right * readings.length_m**2 / variance, residual / readings.length_m
    pairs = [(i, j) for i in range(12) for j in range(12) if i != j and readings.run[i] == readings.run[j]]
    prior = 20 * np.median(weight) ** 2
    products = sum(weight[i] * weight[j] * ratio[i] * ratio[j] for i, j in pairs) + prior * 0.1**2 / 3
    expected = products / (sum(weight[i] * weight[j] for i, j in pairs) + prior)

    def fitted(residual: np.ndarray, growing: float) -> float:
        return noise.fit_run_deviation(readings, residual, variance, right, replace(NOISE, growing=growing))

    assert 0 < expected < 0.9 * 0.1**2
    assert fitted(residual, 0.1) == pytest.approx(expected**0.5)
    assert fitted(100 * residual, 0.1) == pytest.approx(0.9**0.5 * 0.1)  # never more than nine tenths of the variance
    against = 30 * np.abs(residual) * np.array([1, -1, 1, 1, -1, 1, 1, 1, -1, 1, 1, -1])
    assert fitted(against, 0.001) == 0
    nothing = keep_readings(READINGS, np.zeros(6, dtype=bool))
    empty = np.zeros(0)
    assert noise.fit_run_deviation(nothing, empty, empty, empty, NOISE) == pytest.approx(0.03 / 3**0.5)


def test_factors_of_instruments_are_drawn_to_one_by_twenty_readings() -> None:
    residual, variance = np.array([2.0, 6.0, 1.0, 3.0, 50.0, 8.0]), np.array([4.0, 9.0, 6.0, 16.0, 5.0, 3.0])
    leverage, right = np.array([0.2, 0.1, 0.3, 0.25, 0.4, 0.15]), np.array([0.9, 0.4, 0.8, 0.95, 0.5, 0.7])
    # r4 has no instrument on record
    first = (20 + 0.5 * (0.9 * 4 / 4 + 0.4 * 36 / 9)) / (20 + 0.9 * 0.8 + 0.4 * 0.9)
    second = (20 + 2.0 * (0.8 / 6 + 0.95 * 9 / 16 + 0.7 * 64 / 3)) / (20 + 0.8 * 0.7 + 0.95 * 0.75 + 0.7 * 0.85)
    free = np.array([0.9 * 0.8 + 0.4 * 0.9, 0.8 * 0.7 + 0.95 * 0.75 + 0.7 * 0.85])
    found = noise.fit_factors(READINGS, np.array([0.5, 2.0]), residual, variance, leverage, right)
    assert found == pytest.approx(np.array([first, second]) / (free @ [first, second] / free.sum()), rel=1e-6)
    third = replace(READINGS, instruments=("I1", "I2", "I3"))  # without a reading: of the prior's mean, one
    assert len(noise.fit_factors(third, np.ones(3), residual, variance, leverage, right)) == 3
    nobody = replace(READINGS, instruments=(), instrument=np.full(6, -1))
    assert noise.fit_factors(nobody, np.zeros(0), residual, variance, leverage, right).tolist() == []
