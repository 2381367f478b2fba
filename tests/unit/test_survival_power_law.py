"""The power law on data whose answer is known."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.optimize import brentq

from pipelines.survival.curves import PowerLawCurves, expect_between, fit_power_law_curves
from pipelines.survival.power_law import ShapePrior, fit_power_law, fit_shape, summarise_ages, summarise_classes
from pipelines.survival.rates import view_classes
from shared.settings import Settings
from tests.survival_fleets import make_fleet


def test_equal_windows_have_the_closed_form() -> None:
    times = np.array([2.0, 5.0, 9.0, 12.0, 19.0])
    law = fit_power_law(summarise_ages(np.zeros(3), np.full(3, 20.0), np.ones(3), times), 0.9)
    shape = 5 / np.log(20.0 / times).sum()
    assert_allclose([law.shape, law.scale_years], [shape, 20.0 / (5 / 3) ** (1 / shape)], rtol=1e-9)
    assert law.shape_lo < law.shape < law.shape_hi
    assert law.scale_lo < law.scale_years < law.scale_hi


def test_scaling_lengths_moves_the_scale_alone() -> None:
    rng = np.random.default_rng(1)
    entry, times = rng.uniform(5, 15, 50), rng.uniform(15, 40, 30)
    one = fit_power_law(summarise_ages(entry, np.full(50, 40.0), np.full(50, 0.1), times), 0.9)
    three = fit_power_law(summarise_ages(entry, np.full(50, 40.0), np.full(50, 0.3), times), 0.9)
    assert_allclose(three.shape, one.shape, rtol=1e-8)
    assert_allclose(three.cumulative([30.0]), one.cumulative([30.0]) / 3, rtol=1e-7)


def test_cutting_sections_in_two_changes_nothing() -> None:
    rng = np.random.default_rng(2)
    entry, km, times = rng.uniform(0, 20, 40), rng.uniform(0.05, 0.2, 40), rng.uniform(20, 45, 25)
    whole = summarise_ages(entry, np.full(40, 45.0), km, times)
    cut = summarise_ages(np.r_[entry, entry], np.full(80, 45.0), np.r_[0.3 * km, 0.7 * km], times)
    assert_allclose(fit_power_law(cut, 0.9).shape, fit_power_law(whole, 0.9).shape, rtol=1e-9)


def test_leaving_out_late_entry_steepens_the_curve() -> None:
    rng = np.random.default_rng(3)
    entry = rng.uniform(20, 30, 400)
    mean = 0.5 * ((entry + 20) / 25) ** 1.5 - 0.5 * (entry / 25) ** 1.5
    times = np.concatenate(
        [
            25 * rng.uniform((a / 25) ** 1.5, ((a + 20) / 25) ** 1.5, n) ** (1 / 1.5)
            for a, n in zip(entry, rng.poisson(mean), strict=True)
        ]
    )
    right = fit_power_law(summarise_ages(entry, entry + 20, np.full(400, 0.5), times), 0.9)
    wrong = fit_power_law(summarise_ages(np.zeros(400), entry + 20, np.full(400, 0.5), times), 0.9)
    assert right.shape_lo < 1.5 < right.shape_hi
    assert wrong.shape_lo > 2.0


def test_one_failure_gives_no_law() -> None:
    assert fit_power_law(summarise_ages([0.0], [10.0], [1.0], [5.0]), 0.9) is None


def test_no_failures_give_no_shape() -> None:
    with pytest.raises(ValueError, match="no failures"):
        fit_shape([summarise_ages([0.0], [10.0], [1.0], [])])


def test_a_few_failures_do_not_run_away() -> None:
    ages = np.array([37.0, 37.5, 38.0, 38.5])
    alone = fit_shape([summarise_ages([25.0], [38.6], [0.4], ages)])
    held = fit_shape([summarise_ages([25.0], [38.6], [0.4], ages)], ShapePrior(1.5, 0.5))
    assert alone > 10
    assert 1.5 < held < 4.5
    code = np.zeros(1, dtype=np.int64)
    curves = fit_power_law_curves(
        code, 1, np.array([25.0]), np.array([38.6]), np.array([0.4]), np.zeros(4, dtype=np.int64), ages, np.ones(4), 5
    )
    ahead = 0.4 * (curves.cumulative(code, np.array([43.6])) - curves.cumulative(code, np.array([38.6])))
    assert ahead[0] < 4.0  # four in 13.6 years of record


@pytest.mark.filterwarnings("error")
@pytest.mark.parametrize("seed", [840, 51_077, 51_236])
def test_a_scale_that_is_wide_open_has_limits_all_the_same(seed: int) -> None:
    """Fleets whose old class leaves shape and scale almost free: the search once ran out of the range of numbers."""
    history = make_fleet(seed, loops=120, loop_variance=0.0, section_variance=0.0).history
    for view in view_classes(history):
        law = view.fit(Settings())
        if law is not None:
            assert law.shape_lo <= law.shape <= law.shape_hi
            assert 0.0 <= law.scale_lo < law.scale_years < law.scale_hi
            assert np.isfinite(law.cumulative(np.array([1.0, 60.0]))).all()


@pytest.mark.parametrize("is_whole_days", [True, False])
def test_all_classes_at_once_are_each_class_by_itself(is_whole_days: bool) -> None:
    rng = np.random.default_rng(4)
    code, of = rng.integers(0, 4, 300), rng.integers(0, 4, 90)
    entry, km, weights = rng.uniform(0, 20, 300), rng.uniform(0.05, 0.3, 300), rng.uniform(0.2, 1.0, 90)
    leave, ages = entry + rng.uniform(0, 20, 300), rng.uniform(0, 40, 90)
    if is_whole_days:
        entry, leave, ages = (np.round(years * 365.25) / 365.25 for years in (entry, leave, ages))
    at_once = summarise_classes(code, 5, entry, leave, km, of, ages, weights)  # the fifth is empty
    for one, data in enumerate(at_once):
        mine, own = code == one, of == one
        alone = summarise_ages(entry[mine], leave[mine], km[mine], ages[own], weights[own])
        assert_allclose(data.moments(2.3, 30.0), alone.moments(2.3, 30.0), rtol=1e-12)
        assert_allclose([data.failures, data.sum_log_ages], [alone.failures, alone.sum_log_ages], rtol=1e-12)


def test_what_is_expected_up_to_an_age_is_that_of_every_window() -> None:
    rng = np.random.default_rng(5)
    entry, km = rng.uniform(0, 20, 80), rng.uniform(0.05, 0.3, 80)
    leave, at = entry + rng.uniform(0, 20, 80), np.array([0.0, 3.0, 11.5, 25.0, 60.0])
    data = summarise_ages(entry, leave, km, [9.0])
    by_window = [km @ (np.minimum(leave, a) ** 2.0 - np.minimum(entry, a) ** 2.0) for a in at]
    assert_allclose(data.cumulate_hazard(at, np.square), by_window, atol=1e-10)
    assert_allclose(data.cumulate_hazard(at)[-1], data.exposure_km_years)


def test_curves_are_powers_of_age() -> None:
    curves = PowerLawCurves(np.array([2.0, 1.0]), np.array([0.002, 0.03]), np.array([0.1, 0.2]))
    codes = np.array([0, 0, 1, 1])
    assert curves.cumulative(codes, np.array([10.0, -1.0, 10.0, 0.0])) == pytest.approx(
        [0.002 * 10**2, 0, 0.03 * 10, 0]
    )
    assert curves.intensity(codes, np.array([10.0, 5.0, 10.0, 5.0])) == pytest.approx([0.04, 0.02, 0.03, 0.03])
    spent = expect_between(curves, codes, np.array([5.0, 0.0, 5.0, 0.0]), np.array([10.0, 10.0, 7.0, 0.0]))
    assert spent == pytest.approx([0.002 * (100 - 25), 0.2, 0.03 * 2, 0])


def test_classes_of_few_failures_share_a_shape_and_are_drawn_to_the_fleet() -> None:
    """Three km to 20 years with three failures, one km to 10 years with none: the score in closed form."""
    times = np.array([2.0, 5.0, 9.0])

    def fitted(count: int, least: int) -> PowerLawCurves:
        ends = np.array([0, 0, 0, 1]), 2, np.zeros(4), np.array([20.0, 20.0, 20.0, 10.0]), np.ones(4)
        return fit_power_law_curves(*ends, np.zeros(count, dtype=int), times[:count], np.ones(count), least)

    def shape(count: int, centre: float) -> float:
        def score(b: float) -> float:
            return count / b - np.log(20 / times[:count]).sum() - np.log(b / centre) / (0.5**2 * b)

        return brentq(score, 0.2, 8, xtol=1e-12)

    # two failures are enough for a shape of the fleet's own, one is not
    for count, shared in ((3, shape(3, 1.5)), (2, shape(2, 1.5)), (1, 1.5), (0, 1.5)):
        exposure = np.array([3 * 20**shared, 10**shared])
        fleet = max(count, 0.5) / exposure.sum()
        found = fitted(count, 4)
        assert_allclose(found.shape, [shared, shared], rtol=1e-6)
        assert_allclose(found.rate, (np.array([count, 0]) + 0.5) / (exposure + 0.5 / fleet), rtol=1e-5)
        assert_allclose(found.variation, [(count + 0.5) ** -0.5, 0.5**-0.5])
    own = shape(3, shape(3, 1.5))
    found = fitted(3, 3)
    assert_allclose([found.shape[0], found.rate[0]], [own, 3 / (3 * 20**own)], rtol=1e-5)
    assert found.shape[1] == pytest.approx(shape(3, 1.5))
