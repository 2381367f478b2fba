"""The fit on hard inputs: few, odd or one-sided readings give wide limits or no number, never a bold wrong one."""

from __future__ import annotations

from dataclasses import fields, replace

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from pipelines.locating import line, mixed_model, noise, velocity
from pipelines.locating.class_and_instrument_tables import describe_classes, describe_instruments
from pipelines.locating.instrument_spread import integrate_instrument_spread, start_instrument_spread
from pipelines.locating.noise import Noise
from pipelines.locating.readings import Readings, keep_readings
from pipelines.locating.velocity import fit_velocity
from shared.settings import Settings
from tests.locating_fleets import (
    STATE,
    Design,
    as_it_stands,
    made_up_fit,
    make_readings,
    mixture_covariance,
    six_readings,
)

SETTINGS = Settings()
NOBODY = pd.Series(dtype="datetime64[us, UTC]")


def keep(readings: Readings, rows: np.ndarray) -> Readings:
    """Some rows of a set of readings."""
    place = np.full(len(readings), -1)
    place[rows] = np.arange(len(rows))
    inside = place[readings.part_row] >= 0
    by_row = {
        f.name: getattr(readings, f.name)[rows]
        for f in fields(readings)
        if f.name not in ("part_row", "part_class", "part_m", "classes", "instruments")
    }
    return replace(
        readings,
        **{**by_row, "run": np.arange(len(rows))},
        part_row=place[readings.part_row[inside]],
        part_class=readings.part_class[inside],
        part_m=readings.part_m[inside],
    )


def classes_of(readings: Readings, *, tails_recorded: bool = True) -> pd.DataFrame:
    in_use = pd.Series(53.0, index=list(readings.classes))
    return describe_classes(fit_velocity(readings, tails_recorded=tails_recorded), in_use, SETTINGS)


def test_one_reading_gives_limits_that_say_how_little_it_is() -> None:
    readings, _truth = make_readings(
        Design(classes=1, instruments=1, dug=1, far_end=0, known=0), np.random.default_rng(2)
    )
    row = classes_of(readings).iloc[0]
    assert row["verdict"] in ("too_few_readings", "not_separable")
    fit = fit_velocity(readings)
    contrast = np.eye(1, 3)
    se = float(np.sqrt(fit.variance(contrast, np.zeros((1, 2)), np.array([-1]))[0]))
    assert fit.quantile(0.9) * se > 0.02  # more than a point of c either way


def test_all_readings_at_one_distance_leave_slope_and_offset_open() -> None:
    readings, _ = make_readings(Design(classes=1, instruments=4, dug=20, far_end=0, known=0), np.random.default_rng(3))
    spread = classes_of(readings, tails_recorded=False).iloc[0]
    same = replace(
        readings,
        length_m=np.full(len(readings), 80.0),
        part_m=np.full(len(readings), 80.0),
        time_m=readings.time_m / readings.length_m * 80.0,
    )
    held = classes_of(same, tails_recorded=False).iloc[0]
    assert held["velocity_hi"] - held["velocity_lo"] > 1.5 * (spread["velocity_hi"] - spread["velocity_lo"])


def test_every_instrument_on_its_own_class_is_not_separable() -> None:
    design = Design(classes=3, instruments=3, reads=((0,), (1,), (2,)), dug=30)
    readings, _ = make_readings(design, np.random.default_rng(4))
    table = classes_of(readings)
    assert set(table["verdict"]) == {"not_separable"}
    assert table["velocity_fitted_pct"].isna().all()
    bias = describe_instruments(as_it_stands(fit_velocity(readings)), list(readings.instruments), NOBODY, SETTINGS)
    assert set(bias["verdict"]) == {"not_separable"}
    assert bias["scale"].isna().all() and bias["offset_m"].notna().all()


def test_no_dug_distance_at_all_still_gives_the_velocity_of_the_cable() -> None:
    readings, truth = make_readings(Design(dug=0, far_end=20, known=5), np.random.default_rng(5))
    table = classes_of(readings)
    assert table["velocity_fitted_pct"].to_numpy() == pytest.approx(truth.velocity_pct, abs=0.6)
    assert (table["velocity_route_pct"] == table["velocity_fitted_pct"]).all()


def test_a_tenth_of_gross_errors_hardly_moves_the_fit() -> None:
    clean, _truth = make_readings(Design(), np.random.default_rng(6))
    dirty, dirty_truth = make_readings(Design(wrong_share=0.1), np.random.default_rng(6))
    assert dirty_truth.is_wrong.sum() > 20
    before, after = classes_of(clean), classes_of(dirty)
    assert after["velocity_fitted_pct"].to_numpy() == pytest.approx(before["velocity_fitted_pct"].to_numpy(), abs=0.25)
    fit = fit_velocity(dirty, tails_recorded=True)
    far_off = dirty_truth.is_wrong & (np.abs(dirty.time_m / fit_line(fit, dirty) - 1) > 0.25) & (dirty.length_m > 15)
    assert (fit.right[far_off] < 0.5).all()
    assert (fit.right[~dirty_truth.is_wrong] > 0.5).mean() > 0.985


def fit_line(fit, readings):
    return readings.time_m - fit.residual_m


def test_paced_digs_are_found_to_be_noisier() -> None:
    readings, _ = make_readings(Design(dug=40, paced_share=0.3), np.random.default_rng(7))
    assert 0.025 < fit_velocity(readings, tails_recorded=True).noise.paced < 0.06


def test_an_instrument_of_three_readings_is_not_condemned_for_a_metre_or_two() -> None:
    readings, _ = make_readings(Design(instruments=6, planted_zero_m={5: 6.0}), np.random.default_rng(8))
    rows = np.concatenate(
        [np.flatnonzero(readings.instrument < 5), np.flatnonzero((readings.instrument == 5) & readings.is_dug)[:3]]
    )
    found = as_it_stands(fit_velocity(keep(readings, rows), tails_recorded=True))
    bias = describe_instruments(found, list(readings.instruments), NOBODY, SETTINGS).set_index("instrument_id")
    assert bias.loc["I005", "readings"] == 3
    # drawn towards the others, and its limits wider than theirs
    assert bias.loc["I005", "offset_m"] < 6.0
    assert bias.loc["I005", "offset_hi"] - bias.loc["I005", "offset_lo"] > 2 * (
        bias.loc["I000", "offset_hi"] - bias.loc["I000", "offset_lo"]
    )


def test_an_instrument_not_on_record_is_used_without_effects_of_its_own() -> None:
    readings, truth = make_readings(Design(), np.random.default_rng(9))
    unknown = replace(readings, instrument=np.where(readings.instrument == 2, -1, readings.instrument))
    fit = fit_velocity(unknown, tails_recorded=True)
    assert 53 / fit.state.slowness == pytest.approx(truth.velocity_pct, abs=0.6)


def test_the_same_readings_in_another_order_give_the_same_figures() -> None:
    readings, _ = make_readings(Design(mixed_share=0.3), np.random.default_rng(10))
    shuffled = keep(readings, np.random.default_rng(1).permutation(len(readings)))
    ours, theirs = fit_velocity(readings), fit_velocity(shuffled)
    assert ours.state.slowness == pytest.approx(theirs.state.slowness, rel=1e-9)
    assert ours.state.zero_m == pytest.approx(theirs.state.zero_m, abs=1e-7)


def test_a_part_of_a_path_cut_in_two_changes_nothing() -> None:
    readings, _ = make_readings(Design(mixed_share=0.3), np.random.default_rng(11))
    # the second half of every part is written as a part of its own
    cut = replace(
        readings,
        part_row=np.concatenate([readings.part_row, readings.part_row]),
        part_class=np.concatenate([readings.part_class, readings.part_class]),
        part_m=np.concatenate([readings.part_m / 2, readings.part_m / 2]),
    )
    assert fit_velocity(cut).state.slowness == pytest.approx(fit_velocity(readings).state.slowness, rel=1e-6)


def test_contrasts_have_the_covariance_of_the_mixture_of_points() -> None:
    fit, rng = made_up_fit(), np.random.default_rng(1)
    group = np.array([0, 1, -1, 1])
    a, b = rng.normal(0, 1, (4, 6)), rng.normal(0, 1, (4, 6))
    found = fit.covariance(a[:, :4], a[:, 4:], b[:, :4], b[:, 4:], group)
    expected = [mixture_covariance(fit, x[:4], x[4:], y[:4], y[4:], g) for x, y, g in zip(a, b, group, strict=True)]
    assert found == pytest.approx(expected)
    same = [mixture_covariance(fit, x[:4], x[4:], x[:4], x[4:], g) for x, g in zip(a, group, strict=True)]
    assert fit.variance(a[:, :4], a[:, 4:], group) == pytest.approx(same)
    bare = replace(fit.points[0], random=np.zeros((0, 2)), within=np.zeros((0, 2, 2)), carried=np.zeros((0, 2, 4)))
    alone = replace(fit, points=(bare, bare), moved=np.zeros((0, 2, 2)))
    expected = a[0, :4] @ bare.inverse @ b[0, :4] + a[0, 4:] * b[0, 4:] @ (fit.weights @ [[1e-4, 0.16], [4e-4, 0.64]])
    assert alone.covariance(a[:1, :4], a[:1, 4:], b[:1, :4], b[:1, 4:], np.array([-1]))[0] == pytest.approx(expected)
    assert fit.quantile(0.9) == pytest.approx(stats.t.ppf(0.95, 12))


def a_guess(run: float) -> velocity._Guess:
    spread = replace(start_instrument_spread(2), log_sd=np.log([0.004, 0.6]), share=np.array([0.2, 0.3]))
    return velocity._Guess(STATE, Noise(0.6, 0.03, 0.05, 0.015, run, 0.04), np.array([0.8, 1.4]), spread)


@pytest.mark.parametrize("run", [0.02, 0.5])
def test_a_round_gathers_what_it_solves_with(run: float) -> None:
    """Readings of one run leave its deviation to the run, nine tenths of their variance at the most."""
    readings, guess = six_readings(), a_guess(run)
    prior = line.priors(2, True, None)
    now = velocity._prepare(readings, guess, prior)
    residual = readings.time_m - line.line(readings, STATE)
    best = line.best_length(readings, STATE, guess.noise, guess.factor, residual)
    design = line.linearise(readings, STATE, residual, best, *prior)
    assert now.design.response == pytest.approx(design.response)
    assert (now.design.prior_mean, now.design.prior_precision) == (pytest.approx(prior[0]), pytest.approx(prior[1]))
    scale_sd, zero_sd = (0.004**2 + 0.2 * 0.05**2) ** 0.5, (0.6**2 + 0.3 * 4.0**2) ** 0.5
    variance = line.reading_variance(readings, guess.noise, design.scale, guess.factor, scale_sd, zero_sd)
    assert now.variance == pytest.approx(variance)
    wrong = stats.norm.pdf(residual, 0, (noise.wrong_sd(readings) ** 2 + variance) ** 0.5) * 0.04
    right = stats.norm.pdf(residual, 0, variance**0.5) * 0.96
    assert now.right == pytest.approx(right / (right + wrong))
    off = np.minimum((run * design.scale) ** 2, 0.9 * variance)
    assert (off[0] == 0.9 * variance[0]) == (run == 0.5)
    own = variance - off * [1, 1, 1, 0, 0, 1]  # r3 and r4 are alone in their runs
    assert now.own == pytest.approx(own)
    products = mixed_model.sum_products(design, now.right / own, run**2)
    assert now.products.fixed == pytest.approx(products.fixed)
    assert now.products.random_response == pytest.approx(products.random_response)


def test_the_noise_of_the_next_round_comes_from_the_residuals_of_this_one() -> None:
    readings, guess = six_readings(), a_guess(0.02)
    now = velocity._prepare(readings, guess, line.priors(2, True, True))
    point = made_up_fit().points[1]
    solution = replace(point, inverse=60 * point.inverse)
    state = replace(STATE, tail_m=1.3)
    spread, factor = velocity._fit_noise(readings, state, guess, now, solution)
    residual = readings.time_m - line.line(readings, state)
    leverage = now.right / now.variance * mixed_model.row_variance(solution, now.design)
    assert 0.05 < leverage.min() < 0.9 < 0.99 < leverage.max()  # so the clip is met
    leverage = np.minimum(leverage, 0.99)
    each = np.array([0.8, 0.8, 1.4, 1.4, 1.0, 1.4])
    expected = noise.fit_noise(readings, guess.noise, residual, leverage, now.right, now.design.scale, each)
    run = noise.fit_run_deviation(readings, residual, now.variance, now.right, expected)
    assert spread == replace(expected, run=run) and run > 0
    assert factor == pytest.approx(
        noise.fit_factors(readings, guess.factor, residual, now.variance, leverage, now.right)
    )


def moved(part: str, **steps: list[float] | float) -> velocity._Guess:
    """A guess with some numbers moved by steps, those of the noise on the logarithmic scale."""
    guess = a_guess(0.02)
    own = getattr(guess, part)
    values = {
        name: getattr(own, name) * np.exp(step) if part == "noise" else getattr(own, name) + np.array(step)
        for name, step in steps.items()
    }
    return replace(guess, **{part: replace(own, **values)})


@pytest.mark.parametrize(
    ("part", "steps", "most"),
    [
        ("state", {"slowness": [0, -1]}, 5e-5),
        ("state", {"slack": -1}, 5e-5),
        ("state", {"tail_m": -1}, 5e-3),
        ("state", {"slack": 0.5, "tail_m": 50}, 5e-5),
        ("state", {"slack": 0.5, "slowness": [0.5, 0.2]}, 5e-5),
        ("noise", {"constant_m": 1}, 1e-2),
        ("noise", {"growing": -1}, 1e-2),
        ("noise", {"wrong_share": 1}, 1e-2),
        ("instruments", {"faulty": [[0, 0], [0, -1]]}, 0.02),
        ("instruments", {"log_sd": [0, -1]}, 0.02),
    ],
)
def test_rounds_end_when_nothing_moves_by_more_than_a_little(
    part: str, steps: dict[str, list[float]], most: float
) -> None:
    for share, settled in ((0.98, True), (1.02, False)):
        after = moved(part, **{name: share * most * np.array(step) for name, step in steps.items()})
        assert velocity._is_settled(a_guess(0.02), after) == settled


def test_slack_is_told_from_velocity_from_ten_readings_of_either_kind() -> None:
    readings, _ = make_readings(Design(classes=1, instruments=1, dug=11, far_end=11, known=0), np.random.default_rng(5))
    at = np.arange(22)
    for dug, others, has_slack in ((10, 10, True), (9, 11, False), (11, 9, False)):
        kept = np.where(readings.is_dug, at < dug, at < 11 + others)
        fit = fit_velocity(keep_readings(readings, kept), max_rounds=2)
        assert (fit.has_slack, fit.rounds) == (has_slack, 2)
        assert (abs(fit.state.slack) > 1e-6) == has_slack


def test_what_a_fit_says_of_itself_follows_from_its_last_round() -> None:
    readings, _ = make_readings(Design(classes=2, instruments=3, dug=8, far_end=4, known=2), np.random.default_rng(6))
    run = np.arange(len(readings)) // 2
    together = 1 + 0.02 * np.random.default_rng(2).normal(0, 1, len(readings))[run]
    readings = replace(readings, run=run, time_m=readings.time_m * together)
    fit = fit_velocity(readings)
    assert 2 < fit.rounds < 60 and fit.has_slack and fit.noise.run > 0.005
    guess, now, rounds = velocity._settle(readings, line.priors(2, True, False), 60)
    assert rounds == fit.rounds
    grid, weights = integrate_instrument_spread(now.products, now.design, guess.instruments)
    assert fit.weights == pytest.approx(weights)
    fixed = sum(w * p.solution.fixed for w, p in zip(weights, grid, strict=True))
    random = sum(w * p.solution.random for w, p in zip(weights, grid, strict=True))
    assert [*fit.state.slowness, fit.state.slack, fit.state.tail_m] == pytest.approx(fixed)
    assert np.column_stack([fit.state.scale, fit.state.zero_m]) == pytest.approx(random)
    assert fit.scale_sd == pytest.approx([p.spread.unseen_sd()[0] for p in grid])
    assert fit.zero_sd == pytest.approx([p.spread.unseen_sd()[1] for p in grid])
    assert fit.faulty == pytest.approx(sum(w * p.spread.faulty for w, p in zip(weights, grid, strict=True)))
    assert fit.residual_m == pytest.approx(readings.time_m - line.line(readings, fit.state))
    leverage = now.right / now.variance * mixed_model.row_variance(grid[12].solution, now.design)
    assert fit.leverage == pytest.approx(leverage)
    assert 0 < leverage.min() < leverage.max() < 0.99
    assert fit.freedom == pytest.approx(float(np.sum(now.right * (1 - leverage))) + 4.0)
    assert fit.own == pytest.approx(mixed_model.sum_fixed_by_group(now.design, now.right / now.own, fit.noise.run**2))
    assert (fit.variance_m2, fit.right) == (pytest.approx(now.variance), pytest.approx(now.right))
    assert (fit.noise, fit.readings) == (guess.noise, readings)
    assert fit.factor == pytest.approx(guess.factor)
    # the first round starts wide and good, its noise that of its own residuals
    first, second = (velocity._settle(readings, line.priors(2, True, False), k)[0] for k in (1, 2))
    assert first.noise == Noise(constant_m=3.0, growing=0.08) and first.factor.tolist() == [1, 1, 1]
    assert second.noise.growing < 0.08 and second.factor.tolist() != [1, 1, 1]
    assert second.instruments.share.tolist() != first.instruments.share.tolist()
    # recorded tails are known to 0.3 m
    short = fit_velocity(readings, tails_recorded=True)
    spare = [float(each.variance(np.eye(4)[3:], np.zeros((1, 2)), np.array([-1]))[0]) ** 0.5 for each in (fit, short)]
    assert spare[0] > spare[1] < 0.31


def test_readings_of_no_instrument_on_record_still_give_the_velocity() -> None:
    readings, truth = make_readings(Design(classes=2, instruments=3), np.random.default_rng(14))
    fit = fit_velocity(replace(readings, instrument=np.full(len(readings), -1), instruments=()), tails_recorded=True)
    assert 53 / fit.state.slowness == pytest.approx(truth.velocity_pct, abs=0.6)
    assert (fit.weights.tolist(), fit.state.scale.shape, fit.faulty.shape, fit.factor.shape) == (
        [1],
        (0,),
        (0, 2),
        (0,),
    )
    assert fit.rounds < 60
    row = describe_instruments(as_it_stands(fit), ["X1"], NOBODY, SETTINGS)
    assert (row["readings"].tolist(), row["verdict"].tolist()) == ([0], ["too_few_readings"])
    assert "offset_m" in row and "scale_hi" in row
