"""How instruments move: found where planted, not found where not, and the very posterior of the model written down."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from pipelines.locating.instrument_levels import (
    DOUBT,
    ENOUGH,
    LEVEL_SD,
    MOMENTS,
    PRIOR,
    RATE_SD,
    STEP_SD,
    expected_time,
    fit_levels,
    still_levels,
    take_movement_off,
)
from pipelines.locating.readings import Readings
from pipelines.locating.velocity import VelocityFit
from tests.locating_fleets import made_up_fit, six_readings

NEVER = np.nan


def fit_of(years: np.ndarray, length: np.ndarray, instrument: np.ndarray, noise: np.ndarray, **more) -> VelocityFit:
    """A fit to readings of one class, slowness 1.02, of cable whose length is known; nothing else in it."""
    n, groups = len(years), int(instrument.max(initial=0)) + 1
    nothing = np.zeros(n, dtype=bool)
    readings = replace(
        six_readings(), reading_id=np.array([f"r{i:05d}" for i in range(n)]), time_m=np.zeros(n), length_m=length,
        tail_m=np.zeros(n), tails=np.zeros(n), zero_errors=np.ones(n), is_dug=nothing, is_paced=nothing,
        is_satellite=nothing, is_register=nothing, part_row=np.arange(n),
        part_class=np.zeros(n, dtype=np.int64), part_m=length,
        instrument=instrument, run=np.arange(n), instruments=tuple(f"I{i}" for i in range(groups)),
    )  # fmt: skip
    fit = made_up_fit(replace(readings, **more))
    return replace(fit, variance_m2=noise**2, right=np.ones(n))


def history(
    rng: np.random.Generator, n: int = 240, span: float = 10.0, instruments: int = 1
) -> tuple[VelocityFit, np.ndarray, np.ndarray]:
    """Readings over some years up to the as-of day, 2 % noise: a fit, the readings without error, and their years."""
    years = np.sort(rng.uniform(-span, 0, n * instruments))
    instrument = rng.integers(0, instruments, len(years))
    length = rng.uniform(30, 200, len(years))
    noise = np.hypot(0.4, 0.02 * length)
    fit = fit_of(years, length, instrument, noise)
    return fit, expected_time(fit) + rng.normal(0, noise), years


def test_a_planted_drift_is_found_with_its_start_and_its_rate() -> None:
    """0.8 % a year over the last four of ten years: its 90 % limits hold it, give or take two standard errors."""
    called, held, started, scales = [], 0, 0, []
    for seed in range(40):
        fit, time, years = history(np.random.default_rng(seed))
        found = fit_levels(fit, time * (1 + 0.008 * np.maximum(years + 4, 0)), years, np.array([NEVER]))
        called += found.verdict(1.645, 0.02)
        held += abs(found.rate[0] - 0.008) < 1.645 * np.sqrt(found.moved[0, 2, 2])
        started += abs(found.started_years[0] + 4) < 1.5
        scales.append(found.shift(np.zeros(3, dtype=np.int64), np.array([-8.0, -2.0, 1.0]))[0])
    assert set(called) <= {"drifting", "stepped"} and called.count("drifting") >= 37
    assert held >= 32 and started >= 34
    assert np.mean(scales, axis=0) == pytest.approx([-0.032, -0.016, 0.008], abs=0.002)


def test_steady_instruments_are_seldom_called_moving() -> None:
    """At most a tenth of fleets of seven may call any of them so."""
    called = 0
    for seed in range(60):
        fit, time, years = history(np.random.default_rng(1000 + seed), 60, instruments=7)
        own_scale = np.random.default_rng(seed).normal(0, 0.004, 7)[fit.readings.instrument]
        found = fit_levels(fit, time * (1 + own_scale), years, np.full(7, NEVER))
        called += bool({"drifting", "stepped"} & set(found.verdict(1.645, 0.02)))
    assert called <= 6


@pytest.mark.parametrize("offset_m", [0.0, 2.5])
def test_a_step_on_an_unknown_date_is_called_a_step(offset_m: float) -> None:
    fit, time, years = history(np.random.default_rng(3), 300)
    after = years > -4
    found = fit_levels(fit, time * (1 + 0.03 * after) + offset_m * after, years, np.array([NEVER]))
    assert found.verdict(1.645, 0.02) == ["stepped"]
    assert found.started_years[0] == pytest.approx(-4, abs=0.7)
    scale, zero = found.shift(np.zeros(2, dtype=np.int64), np.array([-8.0, -1.0]))
    assert scale == pytest.approx([-0.03, 0.0], abs=0.012)
    assert zero == pytest.approx([-offset_m, 0.0], abs=1.2)
    # it has come to rest
    assert abs(found.rate[0]) < 0.001


def test_a_calibration_takes_the_drift_off() -> None:
    """0.8 % a year, set right two years ago, and drifting as before from there on."""
    fit, time, years = history(np.random.default_rng(4), 300)
    drift = 0.008 * np.where(years < -2, years + 10, years + 2)
    found = fit_levels(fit, time * (1 + drift), years, np.array([-2.0]))
    at = np.array([-9.9, -2.01, -1.99, -1.0])
    scale, _ = found.shift(np.zeros(4, dtype=np.int64), at)
    assert scale == pytest.approx(0.008 * (np.where(at < -2, at + 10, at + 2) - 2), abs=0.015)
    assert scale[1] - scale[2] == pytest.approx(0.063, abs=0.015)
    assert abs(found.rate[0] - 0.008) < 1.645 * np.sqrt(found.moved[0, 2, 2])
    # a calibration that comes after the as-of day is not known yet
    ahead, never = (fit_levels(fit, time * (1 + drift), years, np.array([at])) for at in (0.5, NEVER))
    assert ahead.scale.tolist() == never.scale.tolist()


def test_of_few_readings_nothing_is_said() -> None:
    for n, verdict in ((ENOUGH - 1, "cannot_tell"), (ENOUGH, "steady")):
        years, length = np.linspace(-8, -1, n), np.full(n, 100.0)
        fit = fit_of(years, length, np.zeros(n, dtype=np.int64), np.full(n, 2.0))
        found = fit_levels(fit, expected_time(fit), years, np.array([NEVER]))
        assert np.isnan(found.evidence[0]) == (n < ENOUGH)
        if n < ENOUGH:
            assert found.verdict(1.645, 0.02) == [verdict]
            assert (found.rate[0], found.shift(np.zeros(1, dtype=np.int64), np.array([-5.0]))[0][0]) == (0, 0)
    bare = replace(fit.readings, instrument=np.full(n, -1), instruments=())
    assert fit_levels(replace(fit, readings=bare), np.ones(n), years, np.zeros(0)).verdict(1.645, 0.02) == []


def test_verdicts_rest_on_the_evidence_for_as_many_as_were_looked_at() -> None:
    levels = replace(
        still_levels(5),
        mean_shift=np.array([[0.0, 0], [0.0, 0], [-0.012, 0], [-0.0115, 0], [0.0, 0]]),
        moved=np.tile(np.diag([0.005**2, 9.0, 9.0]), (5, 1, 1)),
        evidence=np.array([41.0, 40.0, 39.0, 0.5, np.nan]),
        chance=np.array([[0.05, 0.6, 0.35], [0.05, 0.4, 0.55], [0.05, 0.9, 0.05], [0.91, 0.05, 0.04], [1, 0, 0]]),
    )
    # four were looked at: 4 / 0.10; steady is what has moved by less than 2 %, 1.645 standard errors of 0.5 % beside
    assert levels.verdict(1.645, 0.02) == ["drifting", "stepped", "cannot_tell", "steady", "cannot_tell"]


def test_readings_of_one_run_at_the_far_end_count_once_together() -> None:
    """What they share is the cable's own deviation: ten of them say hardly more than one."""
    rng = np.random.default_rng(8)
    n, copies = 60, 10
    years, length = np.sort(rng.uniform(-10, 0, n)), rng.uniform(60, 200, n)
    noise = 0.02 * length
    shared = rng.normal(0, noise) + 0.006 * np.maximum(years + 5, 0) * length * 1.02

    def evidence(of: np.ndarray, run: np.ndarray) -> float:
        own, far = length[of], np.ones(len(of), dtype=bool)
        fit = fit_of(years[of], own, np.zeros(len(of), dtype=np.int64), noise[of], run=run, is_register=far)
        fit = replace(fit, noise=replace(fit.noise, run=0.0194))
        return float(fit_levels(fit, expected_time(fit) + shared[of], years[of], np.array([NEVER])).evidence[0])

    once, many = np.arange(n), np.repeat(np.arange(n), copies)
    alone, together, apart = (
        evidence(once, once), evidence(many, many), evidence(many, np.arange(len(many)))
    )  # fmt: skip
    assert alone > 1
    # as many readings that share nothing would say ten times as much
    assert np.log(apart) > 5 * np.log(alone)
    assert np.log(together) < 1.6 * np.log(alone)


def columns(kind: str, start: float, years: np.ndarray, calibrated: float, is_reset: bool) -> tuple[list, list, list]:
    """What the scale moves with, what the zero moves with, and the spreads of both, as the model is written down."""
    one, after = np.ones(len(years)), (years >= calibrated).astype(float)
    scale, zero, sizes = [one], [one], [[LEVEL_SD[0]], [LEVEL_SD[1]]]
    if is_reset:
        scale, zero = [*scale, after], [*zero, after]
        sizes = [[*sizes[0], STEP_SD[0]], [*sizes[1], STEP_SD[1]]]
    if kind == "stepped":
        step = (years >= start).astype(float)
        scale, zero = [*scale, step], [*zero, step]
        sizes = [[*sizes[0], STEP_SD[0]], [*sizes[1], STEP_SD[1]]]
    if kind == "drifting":
        drift = np.array(
            [y - calibrated if is_reset and start < calibrated <= y else max(y - start, 0.0) for y in years]
        )
        scale, sizes = [*scale, drift], [[*sizes[0], RATE_SD], sizes[1]]
    return scale, zero, [*sizes[0], *sizes[1]]


@pytest.mark.parametrize("calibrated", [NEVER, -2.5])
@pytest.mark.parametrize("planted", [0.0, 0.01])
def test_the_posterior_is_that_of_every_way_by_brute_force(calibrated: float, planted: float) -> None:
    """The raw readings' joint normal density under every way to move, by scipy, and the estimates it implies."""
    rng = np.random.default_rng(12)
    # moments that a double holds exactly, several readings at one, so that sums by month are the readings themselves
    years = np.sort(-rng.integers(0, 80, 50) / 8.0)
    length, twice = rng.uniform(20, 150, 50), np.where(rng.random(50) < 0.3, 2.0, 1.0)
    noise = rng.uniform(0.5, 3, 50)
    fit = fit_of(years, length, np.zeros(50, dtype=np.int64), noise, zero_errors=twice)
    right = rng.uniform(0.3, 1, 50)
    fit = replace(fit, right=right)
    base = expected_time(fit)
    left = rng.normal(0, noise) + planted * np.maximum(years + 5, 0) * base + 0.3 * twice
    variance = noise**2 / right

    starts = np.unique(np.quantile(years, np.arange(MOMENTS) / MOMENTS))
    resets = [False] if np.isnan(calibrated) else [False, True]
    found = []
    for is_reset in resets:
        ways = [("steady", 0.0), *(("drifting", s) for s in starts), *(("stepped", s) for s in starts[1:])]
        for kind, start in ways:
            scale, zero, sizes = columns(kind, start, years, calibrated, is_reset)
            x = np.column_stack([base * c for c in scale] + [twice * c for c in zero])
            prior = np.diag(np.square(sizes))
            whole = x @ prior @ x.T + np.diag(variance)
            height = stats.multivariate_normal(np.zeros(50), whole).logpdf(left)
            gain = prior @ x.T @ np.linalg.inv(whole)
            mean, covariance = gain @ left, prior - gain @ x @ prior
            # today against the means over the readings, each weighed as it tells of the term
            today_scale, today_zero, _ = columns(kind, start, np.array([0.0]), calibrated, is_reset)
            by_scale, by_zero = base**2 / variance, twice**2 / variance
            view = np.zeros((3, len(sizes)))
            a = len(scale)
            view[0, :a] = [t[0] - c @ by_scale / by_scale.sum() for t, c in zip(today_scale, scale, strict=True)]
            view[1, a:] = [t[0] - c @ by_zero / by_zero.sum() for t, c in zip(today_zero, zero, strict=True)]
            view[2, a - 1] = kind == "drifting"
            found.append((kind, height, view @ mean, view @ covariance @ view.T))
    kinds = np.array([kind for kind, *_ in found])
    height = np.array([h for _, h, *_ in found])
    prior = np.array([PRIOR[kind] / (kinds == kind).sum() for kind in kinds])
    weight = prior * np.exp(height - height.max())
    weight /= weight.sum()
    mean = weight @ np.array([m for *_, m, _ in found])
    spread = sum(w * (v + np.outer(m - mean, m - mean)) for w, (*_, m, v) in zip(weight, found, strict=True))

    levels = fit_levels(fit, base + left, years, np.array([calibrated]))
    assert levels.chance[0] == pytest.approx([weight[kinds == kind].sum() for kind in PRIOR])
    assert [*levels.mean_shift[0], levels.rate[0]] == pytest.approx(mean)
    assert levels.moved[0] == pytest.approx(DOUBT * spread)
    moving = kinds != "steady"
    likelihood = np.exp(height - height.max())
    ratio = (prior[moving] @ likelihood[moving] / prior[moving].sum()) / likelihood[~moving].mean()
    assert levels.evidence[0] == pytest.approx(ratio)
    best = found[np.argmax(np.where(moving, weight, -1))]
    assert best[0] in ("drifting", "stepped") and levels.started_years[0] in starts


def test_what_is_taken_off_is_what_was_planted() -> None:
    """Scale on the cable's time, zero as often as it enters; the as-of day and readings of no moment are left alone."""
    levels = replace(
        still_levels(1), at_years=np.array([[-4.0, -2.0, 0.0]]), scale=np.array([[-0.04, -0.02, 0.0]]),
        zero_m=np.array([[-1.0, -1.0, 0.0]]), rate=np.array([0.01]),
    )  # fmt: skip
    readings: Readings = six_readings()
    readings = replace(readings, instrument=np.array([0, 0, 0, 0, -1, 0]), instruments=("I1",))
    base, years = np.full(6, 100.0), np.array([-9.0, -3.0, 0.0, -2.0, -3.0, np.nan])
    off = readings.time_m - take_movement_off(readings, base, levels, years).time_m
    assert off.tolist() == pytest.approx([-5.0, -4.0, 0.0, -2.0 - 2 * 1.0, 0.0, 0.0])
    scale, zero = levels.shift(np.array([0, 0]), np.array([0.5, 2.0]))
    assert (scale.tolist(), zero.tolist()) == ([0.005, 0.02], [0.0, 0.0])
