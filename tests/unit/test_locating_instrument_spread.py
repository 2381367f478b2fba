"""Good and faulty instruments: the mixture against brute integration, and what a faulty one does to the others."""

from __future__ import annotations

from dataclasses import replace
from functools import partial

import numpy as np
import pytest
from scipy import linalg, stats

from pipelines.locating import instrument_spread
from pipelines.locating.instrument_spread import (
    FAULT_SD,
    InstrumentSpread,
    Point,
    count_faults,
    integrate_instrument_spread,
    solve_at,
    start_instrument_spread,
    step_instrument_spread,
)
from pipelines.locating.mixed_model import Design, solve, sum_products
from pipelines.locating.readings import REFERENCE_PCT
from pipelines.locating.velocity import fit_velocity
from tests.locating_fleets import Design as Fleet
from tests.locating_fleets import made_up_fit, make_readings

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
    calls = []

    def refuse_first(products, design, precision, pull=None):
        calls.append(precision)
        if len(calls) == 2:  # of one pass and two finals
            raise np.linalg.LinAlgError
        return solve(products, design, precision, pull)

    monkeypatch.setattr(instrument_spread, "solve", refuse_first)
    less = solve_at(products, design, start, LOG_SD, 1, is_final=True)
    spread = replace(start, log_sd=LOG_SD)
    first = solve(products, design, spread.precision, spread.pull)
    match = instrument_spread._match_mixture
    assert [*calls[1:]] == [pytest.approx(match(first, spread, widest)[0].precision) for widest in (0.5, 0.2)]
    assert less.spread.precision == pytest.approx(calls[2])
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


def test_what_is_believed_before_anything_is_read() -> None:
    """Good ones err by 0.3 % and 0.5 m, one in ten is faulty, and a fault adds 5 % or 4 m; worth ten instruments."""
    start = start_instrument_spread(3)
    assert np.exp(start.log_sd) == pytest.approx([0.003, 0.5])
    assert (start.share.tolist(), start.faulty.tolist(), start.pull.tolist()) == (
        [0.1] * 2,
        [[0.1] * 2] * 3,
        [[0, 0]] * 3,
    )
    scale = 0.9 / 0.003**2 + 0.1 / (0.003**2 + 0.05**2)
    assert start.precision == pytest.approx(np.array([np.diag([scale, 0.9 / 0.25 + 0.1 / 16.25])] * 3))
    assert start.unseen_sd() == pytest.approx(np.sqrt([0.003**2 + 0.1 * 0.0025, 0.25 + 1.6]))
    counted = count_faults(replace(start, faulty=np.array([[0.9, 0.2], [0.5, 0.0], [0.1, 0.1]])))
    assert counted.share == pytest.approx([(1.5 + 1) / 13, (0.3 + 1) / 13])


def beliefs() -> InstrumentSpread:
    return InstrumentSpread(
        log_sd=np.log([0.004, 0.6]),
        share=np.array([0.15, 0.25]),
        faulty=np.full((2, 2), 0.1),
        precision=np.array([np.diag([5e3, 0.8]), np.diag([8e3, 0.5])]),
        pull=np.array([[10.0, -0.2], [-90.0, 0.4]]),
    )


@pytest.mark.parametrize("widest", [0.0, 0.3])
def test_the_normal_in_place_of_the_mixture_has_its_mean_and_covariance(widest: float) -> None:
    """scipy's normal densities: what the readings say, times each of four cases."""
    solution, spread, unit = made_up_fit().points[0], beliefs(), np.array([0.003, 0.5])
    solution = replace(
        solution,
        random=np.array([[0.030, 0.9], [-0.05, 3.2]]),
        within=np.array([[[1e-4, 1e-3], [1e-3, 0.3]], [[6e-5, -2e-3], [-2e-3, 0.4]]]),
        carried=solution.carried / 4,
    )
    found, evidence = instrument_spread._match_mixture(solution, spread, widest)
    expected, bounded = 0.0, 0
    for g in range(2):
        own = solution.within[g] + solution.carried[g] @ solution.inverse @ solution.carried[g].T
        told = np.linalg.inv(own) - spread.precision[g]
        assert np.linalg.eigvalsh(told).min() > 0
        score = np.linalg.solve(own, solution.random[g]) - spread.pull[g]
        middle = np.linalg.solve(told, score)
        weights, means, seconds, cases = [], [], [], [(a, b) for a in (0, 1) for b in (0, 1)]
        for case in cases:
            variance = np.diag([0.004**2 + case[0] * 0.05**2, 0.6**2 + case[1] * 4.0**2])
            chance = np.prod([share if faulty else 1 - share for share, faulty in zip((0.15, 0.25), case, strict=True)])
            weights.append(chance * stats.multivariate_normal.pdf(middle, np.zeros(2), np.linalg.inv(told) + variance))
            covariance = np.linalg.inv(told + np.linalg.inv(variance))
            means.append(covariance @ score)
            seconds.append(covariance + np.outer(means[-1], means[-1]))
        share = np.array(weights) / sum(weights)
        mean = share @ means
        covariance = np.tensordot(share, seconds, 1) - np.outer(mean, mean)
        assert found.faulty[g] == pytest.approx(share @ cases)
        free = (np.linalg.inv(covariance) - (1 - widest) * told) * np.outer(unit, unit)
        bounded += np.linalg.eigvalsh(free).min() < 0
        nearest = (free + linalg.sqrtm(free @ free)) / 2 / np.outer(unit, unit)
        assert found.precision[g] * np.outer(unit, unit) == pytest.approx(
            (nearest - widest * told) * np.outer(unit, unit), rel=1e-6, abs=1e-7
        )
        assert found.pull[g] == pytest.approx((told + found.precision[g]) @ mean - score)
        height = np.log(2 * np.pi * sum(weights)) - 0.5 * np.linalg.slogdet(told)[1] + 0.5 * score @ middle
        scaled = own / np.outer(unit, unit)
        effects = solution.random[g]
        expected += height - 0.5 * (np.linalg.slogdet(scaled)[1] + effects @ np.linalg.solve(own, effects))
    assert evidence == pytest.approx(expected)
    assert bounded == (1 if widest == 0 else 0)


def test_a_solution_passes_through_the_mixture_as_often_as_asked() -> None:
    design, weight = one_instrument(0.03, 1.0)
    products, start = sum_products(design, weight, 0.0), start_instrument_spread(1)
    match, log_sd = instrument_spread._match_mixture, LOG_SD + 0.3
    spread = replace(start, log_sd=log_sd)
    for passes in (1, 2, 3):
        point = solve_at(products, design, start, log_sd, passes)
        solution = solve(products, design, spread.precision, spread.pull)
        found, evidence = match(solution, spread, 0.0)
        assert point.solution.random == pytest.approx(solution.random)
        assert point.spread.faulty == pytest.approx(found.faulty)
        assert point.spread.precision == pytest.approx(spread.precision)
        away = (log_sd - np.log([0.003, 0.5])) / [0.5, 0.8]
        assert point.height == pytest.approx(0.5 * solution.criterion - evidence + 0.5 * away @ away)
        if passes == 2:
            assert solve_at(products, design, start, log_sd).height == point.height
            final = solve_at(products, design, start, log_sd, 2, is_final=True)
            wide = match(solution, spread, 0.5)[0]
            assert final.spread.precision == pytest.approx(wide.precision)
            assert final.solution.within == pytest.approx(solve(products, design, wide.precision, wide.pull).within)
        spread = found
    far = solve_at(products, design, start, log_sd + np.array([9.0, -9.0]), 1)
    assert np.exp(far.spread.log_sd) == pytest.approx([0.003 * np.exp(2.5), 0.5 * np.exp(-4.0)])


def heights(monkeypatch, height) -> None:
    """Points of a known surface in place of solutions; each keeps how it was asked for."""

    def look(_products, _design, spread, log_sd, passes=2, *, is_final=False):
        return Point(replace(spread, log_sd=np.asarray(log_sd)), (passes, is_final), float(height(log_sd)))

    monkeypatch.setattr(instrument_spread, "solve_at", look)


LOWEST, BEND = np.array([-5.5, -0.4]), np.array([[3.0, 1.2], [1.2, 2.0]])


def bowl(at: np.ndarray) -> float:
    return 0.5 * (at - LOWEST) @ BEND @ (at - LOWEST)


def test_a_step_ends_at_the_lowest_point_of_a_bowl(monkeypatch) -> None:
    design = one_instrument(0.0, 0.0)[0]

    def end(start: list[float]) -> np.ndarray:
        return step_instrument_spread(None, design, replace(beliefs(), log_sd=LOWEST + start)).spread.log_sd - LOWEST

    heights(monkeypatch, bowl)
    assert end([0.7, -0.6]) == pytest.approx([0, 0], abs=1e-8)
    assert end([2.0, -0.5]) == pytest.approx([1.2, 0.0], abs=1e-8)  # by 0.8 at the most
    assert end([0.1, -2.0]) == pytest.approx([0.0, -1.2], abs=1e-8)
    # a saddle, a dome and a wall behind the step: the best of the points looked at, 0.15 away
    heights(monkeypatch, lambda at: (at - LOWEST)[0] ** 2 - (at - LOWEST)[1] ** 2)
    assert end([0.3, 0.4]) == pytest.approx([0.3, 0.55])
    heights(monkeypatch, lambda at: 0.1 * ((at - LOWEST)[0] ** 2 - (at - LOWEST)[1] ** 2))
    assert end([1.0, 0.05]) == pytest.approx([0.85, 0.05])  # though the saddle lies lower
    heights(monkeypatch, lambda at: -bowl(at))
    assert end([0.3, 0.4]) == pytest.approx([0.45, 0.55])
    heights(monkeypatch, lambda at: bowl(at) + 9 * (at[1] < LOWEST[1] + 0.2))
    assert end([0.3, 0.4]) == pytest.approx([0.15, 0.4])
    heights(monkeypatch, bowl)
    nobody = replace(design, groups=0)
    assert step_instrument_spread(None, nobody, replace(beliefs(), log_sd=LOWEST + 1)).height == bowl(LOWEST + 1)


def test_the_grid_and_its_weights_over_a_bowl(monkeypatch) -> None:
    """Steps of 0.9 / sqrt(curvature), of the prior's 0.5 and 0.8 at the most; weights exp(-height)."""
    design, spread = one_instrument(0.0, 0.0)[0], replace(beliefs(), log_sd=LOWEST)
    for curvature, steps in (((9.0, 4.0), (0.3, 0.45)), ((2.0, 1.0), (0.45, 0.72)), ((0.0, -1.0), (0.45, 0.72))):
        heights(monkeypatch, partial(lambda c, at: 0.5 * np.array(c) @ (at - LOWEST) ** 2 + 7.0, curvature))
        points, weights = integrate_instrument_spread(None, design, spread)
        grid = [(i * steps[0], j * steps[1]) for i in (-2, -1, 0, 1, 2) for j in (-2, -1, 0, 1, 2)]
        assert np.array([point.spread.log_sd for point in points]) - LOWEST == pytest.approx(np.array(grid))
        expected = np.exp(-np.array([point.height for point in points]))
        assert weights == pytest.approx(expected / expected.sum())
        assert {point.solution for point in points} == {(4, True)}
    alone, one = integrate_instrument_spread(None, replace(design, groups=0), spread)
    assert (len(alone), one.tolist(), alone[0].solution) == (1, [1.0], (4, False))
