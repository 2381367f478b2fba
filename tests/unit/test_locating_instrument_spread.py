"""Good and faulty instruments: the mixture against brute integration, and what a faulty one does to the others."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from pipelines.locating import instrument_spread
from pipelines.locating.instrument_spread import FAULT_SD, solve_at, start_instrument_spread
from pipelines.locating.mixed_model import Design, solve, sum_products
from pipelines.locating.readings import REFERENCE_PCT
from pipelines.locating.velocity import fit_velocity
from tests.locating_fleets import Design as Fleet
from tests.locating_fleets import make_readings

LOG_SD = np.log([0.003, 0.4])
UNIT = 1 / np.exp(LOG_SD)


def one_instrument(scale: float, zero: float) -> tuple[Design, np.ndarray]:
    """Readings of one instrument on a cable whose slowness is known."""
    rng = np.random.default_rng(4)
    length = rng.uniform(10, 150, 15)
    design = Design(
        row=np.arange(15),
        column=np.zeros(15, dtype=np.int64),
        value=length,
        columns=1,
        response=length * (1 + scale) + zero + rng.normal(0, 1.2, 15),
        scale=length,
        zero=np.ones(15),
        group=np.zeros(15, dtype=np.int64),
        groups=1,
        run=np.arange(15),
        runs=15,
        prior_mean=np.ones(1),
        prior_precision=np.array([1e14]),
    )
    return design, np.full(15, 1 / 1.2**2)


def by_brute_force(
    design: Design, weight: np.ndarray, share: np.ndarray, log_sd: np.ndarray = LOG_SD
) -> tuple[np.ndarray, np.ndarray, float]:
    """Mean, covariance of scale and zero error, and the evidence, summed over a fine grid."""
    s, t = np.meshgrid(np.linspace(-0.12, 0.12, 601), np.linspace(-8, 8, 601), indexing="ij")
    prior = np.ones_like(s)
    for k, value in enumerate((s, t)):
        sds = np.sqrt(np.exp(2 * log_sd[k]) + np.array([0.0, FAULT_SD[k] ** 2]))
        bell = [np.exp(-0.5 * (value / sd) ** 2) / (sd * np.sqrt(2 * np.pi)) for sd in sds]
        prior = prior * ((1 - share[k]) * bell[0] + share[k] * bell[1])
    left = design.response - design.value
    misfit = sum(w * (y - s * x - t) ** 2 for w, y, x in zip(weight, left, design.value, strict=True))
    mass = prior * np.exp(-0.5 * (misfit - misfit.min()))
    total = mass.sum()
    mean = np.array([(mass * s).sum(), (mass * t).sum()]) / total
    away = np.stack([s - mean[0], t - mean[1]])
    covariance = np.einsum("iab,jab,ab->ij", away, away, mass) / total
    return mean, covariance, float(np.log(total) - 0.5 * misfit.min())


@pytest.mark.parametrize(("scale", "zero"), [(0.0, 0.0), (0.03, 0.0), (0.01, 2.5), (0.05, -4.0)])
def test_mean_and_covariance_are_those_of_the_mixture(scale: float, zero: float) -> None:
    design, weight = one_instrument(scale, zero)
    start = start_instrument_spread(1)
    point = solve_at(sum_products(design, weight, 0.0), design, start, LOG_SD, 30, is_final=True)
    mean, covariance, _ = by_brute_force(design, weight, start.share)
    assert point.solution.random[0] == pytest.approx(mean, rel=0.02, abs=1e-4)
    assert np.sqrt(np.diag(point.solution.within[0])) == pytest.approx(np.sqrt(np.diag(covariance)), rel=0.06)


def test_the_density_of_the_deviations_is_that_of_the_mixture() -> None:
    design, weight = one_instrument(0.03, 1.0)
    start = start_instrument_spread(1)
    products = sum_products(design, weight, 0.0)
    other, here = [], []
    for log_sd in (LOG_SD, LOG_SD + 0.8):
        away = (log_sd - np.log([0.003, 0.5])) / np.array([0.5, 0.8])
        here.append(solve_at(products, design, start, log_sd, passes=30).height - 0.5 * float(away @ away))
        other.append(by_brute_force(design, weight, start.share, log_sd)[2])
    # a normal has no peak as high and no tails as long as the mixture: it is near, not equal
    assert here[0] - here[1] == pytest.approx(other[1] - other[0], abs=0.02)


def test_a_faulty_instrument_is_found_and_does_not_move_the_velocity() -> None:
    good = Fleet(classes=2, instruments=6, dug=30, scale_sd=0.002)
    bad = replace(good, planted_scale={0: 0.05})
    errors = []
    for seed in range(2):
        readings, _truth = make_readings(bad, np.random.default_rng(seed))
        fit = fit_velocity(readings, tails_recorded=True)
        assert fit.faulty[0, 0] > 0.9
        assert (fit.faulty[1:, 0] < 0.5).all()
        plain, _ = make_readings(good, np.random.default_rng(seed))
        without = fit_velocity(plain, tails_recorded=True)
        errors.append(REFERENCE_PCT / fit.state.slowness - REFERENCE_PCT / without.state.slowness)
        assert fit.state.scale[0] == pytest.approx(0.05, abs=0.015)
    assert abs(np.mean(errors)) < 0.1


def test_open_questions_that_would_upset_the_equations_take_off_less(monkeypatch) -> None:
    design, weight = one_instrument(0.01, 2.5)
    products, start = sum_products(design, weight, 0.0), start_instrument_spread(1)
    kept = solve_at(products, design, start, LOG_SD, 30)

    def refuse_negative(products, design, precision, pull=None):
        if np.linalg.eigvalsh(precision / np.outer(UNIT, UNIT)).min() < -1e-6:
            raise np.linalg.LinAlgError
        return solve(products, design, precision, pull)

    monkeypatch.setattr(instrument_spread, "solve", refuse_negative)
    found = solve_at(products, design, start, LOG_SD, 30, is_final=True)
    assert found.solution.within == pytest.approx(kept.solution.within, rel=1e-6)
    monkeypatch.undo()
    wide = solve_at(products, design, start, LOG_SD, 30, is_final=True)
    assert wide.solution.within[0, 1, 1] > 1.2 * kept.solution.within[0, 1, 1]


def test_the_grid_steps_by_nine_tenths_of_a_standard_deviation() -> None:
    """A normal density falls to exp(-0.9^2 / 2) of its height there, and on either side together to about as much."""
    readings, _ = make_readings(Fleet(classes=2, instruments=12, dug=60), np.random.default_rng(5))
    weights = fit_velocity(readings, tails_recorded=True).weights.reshape(5, 5)
    assert weights.sum() == pytest.approx(1)
    for beside in (weights[[1, 3], 2], weights[2, [1, 3]]):
        assert (beside / weights[2, 2]).prod() ** 0.5 == pytest.approx(np.exp(-(0.9**2) / 2), abs=0.1)
