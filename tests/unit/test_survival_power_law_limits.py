"""The power law's likelihood by its definition, and every part of the search for its limits by itself."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.optimize import approx_fprime, brentq, minimize_scalar
from scipy.stats import chi2

from pipelines.survival import chunks, power_law
from pipelines.survival.power_law import (
    Peak,
    PowerLawData,
    ShapePrior,
    fit_power_law,
    fit_shape,
    summarise_ages,
    summarise_classes,
)

ENTRY, EXIT, KM = np.array([0.0, 5, 20, 12]), np.array([20.0, 30, 35, 12]), np.array([0.5, 1.0, 2.0, 4.0])
AGES, WEIGHTS = np.array([3.0, 18, 25, 33, 29, 0.0]), np.array([1.0, 1, 0.5, 1, 1, 0.25])
DATA = summarise_ages(ENTRY, EXIT, KM, AGES, WEIGHTS)
HALF_A_DAY = 0.5 / 365.25


def height(shape: float, scale: float, ages: np.ndarray = AGES, weights: np.ndarray = WEIGHTS) -> float:
    """The log-likelihood from its definition."""
    ages = np.maximum(ages, HALF_A_DAY)
    expected = KM @ ((EXIT / scale) ** shape - (ENTRY / scale) ** shape)
    return float(weights @ np.log(shape / scale * (ages / scale) ** (shape - 1)) - expected)


def test_windows_are_summed_by_hand() -> None:
    assert DATA.ages_years.tolist() == [0, 5, 12, 20, 30, 35]
    assert DATA.signed_km.tolist() == [-0.5, -1, 0, 0.5 - 2, 1, 2]
    assert DATA.failures == 4.75
    assert DATA.exposure_km_years == 0.5 * 20 + 25 + 2 * 15
    logs = np.log([3, 18, 25, 33, 29, HALF_A_DAY])
    assert DATA.sum_log_ages == pytest.approx(WEIGHTS @ logs)
    assert summarise_ages(ENTRY, EXIT, KM, AGES).failures == 6
    other = DATA.with_failures([9.0, 0.0])
    assert (other.failures, other.exposure_km_years) == (2.0, 65.0)
    assert other.sum_log_ages == pytest.approx(np.log(9.0) + np.log(HALF_A_DAY))
    assert DATA.moments(2.0)[0] == pytest.approx(0.5 * 400 + 900 - 25 + 2 * (1225 - 400))
    relative = np.log(np.array([5, 20, 30, 35]) / 10)
    terms = np.array([-1, -1.5, 1, 2]) * np.exp(2 * relative)
    assert_allclose(DATA.moments(2.0, 10.0), [(terms * relative**k).sum() for k in range(3)])
    at = np.array([-1.0, 0, 5, 12.5, 40])
    seen = [KM @ (np.minimum(EXIT, max(a, 0)) - np.minimum(ENTRY, max(a, 0))) for a in at[1:]]
    assert_allclose(DATA.cumulate_hazard(at[1:]), seen, atol=1e-12)


@pytest.mark.parametrize("miss_days", [0.0, 9e-8, 2e-7])
def test_whole_days_are_summed_in_one_pass_and_others_by_class(
    monkeypatch: pytest.MonkeyPatch, miss_days: float
) -> None:
    monkeypatch.setattr(chunks, "WINDOWS", 2)  # two slices
    entry, leave = np.array([0.0, 100, 50]) / 365.25, np.array([100.0, 400, 400]) / 365.25
    leave[2] += miss_days / 365.25
    code, km, of = np.array([0, 1, 1]), np.array([1.0, 2.0, 3.0]), np.array([1, 0])
    found = summarise_classes(code, 3, entry, leave, km, of, np.array([0.5, 0.0]), np.array([1.0, 0.25]))
    assert [data.failures for data in found] == [0.25, 1.0, 0.0]
    assert [data.sum_log_ages for data in found] == pytest.approx([0.25 * np.log(HALF_A_DAY), np.log(0.5), 0.0])
    assert found[1].exposure_km_years == pytest.approx((2 * 300 + 3 * 350) / 365.25)
    assert found[2].exposure_km_years == 0
    # in one pass the two windows that end on one day are added up
    whole = power_law._sum_by_day(code, 3, entry, leave, km)
    assert (whole is None) == (miss_days > 1e-7)
    assert len(found[1].ages_years) == (4 if miss_days > 1e-7 else 3)
    if whole is not None:
        assert whole.shape == (3, 401)
        assert {day: whole[1, day] for day in np.flatnonzero(whole[1])} == {50: -3, 100: -2, 400: 5}
        assert {day: whole[0, day] for day in np.flatnonzero(whole[0])} == {0: -1, 100: 1}


def test_an_age_before_installation_is_not_summed_by_day() -> None:
    args = np.array([0]), 1, np.array([-1.0 / 365.25]), np.array([4.0]), np.ones(1)
    assert power_law._sum_by_day(*args) is None
    empty = np.zeros(0)
    assert power_law._sum_by_day(empty.astype(int), 2, empty, empty, empty).tolist() == [[0], [0]]


@pytest.mark.parametrize(("shape", "scale"), [(0.7, 15.0), (2.3, 40.0), (5.0, 22.0)])
def test_the_likelihood_and_its_derivatives(shape: float, scale: float) -> None:
    value, gradient, curvature = power_law._log_likelihood(DATA, shape, np.log(scale))
    assert value == pytest.approx(height(shape, scale))

    def of(p: np.ndarray) -> float:
        return height(p[0], np.exp(p[1]))

    place = np.array([shape, np.log(scale)])
    assert_allclose(gradient, approx_fprime(place, of, 1e-7), rtol=1e-4, atol=1e-4)
    for k in (0, 1):
        row = approx_fprime(place, lambda p, k=k: power_law._log_likelihood(DATA, *p)[1][k], 1e-7)
        assert_allclose(curvature[k], row, rtol=1e-4, atol=1e-4)
    best = (DATA.moments(shape)[0] / 4.75) ** (1 / shape)
    profile, slope = power_law._profile_of_shape(DATA, shape)
    assert profile == pytest.approx(height(shape, best))
    assert slope == pytest.approx(
        approx_fprime([shape], lambda b: power_law._profile_of_shape(DATA, b[0])[0], 1e-7)[0], rel=1e-3, abs=1e-4
    )
    by_scale = power_law._profile_of_scale(DATA, 1.0)
    for at in (np.log(scale), np.log(scale) + 0.3):
        found = minimize_scalar(
            lambda b, at=at: -height(b, np.exp(at)), bounds=(0.01, 30), method="bounded", options={"xatol": 1e-9}
        )
        assert by_scale(at) == pytest.approx(-found.fun, abs=1e-8)


def spread_evenly(entry: float, leave: float, count: int, shape: float):
    """Three km, and failures at the quantiles of a power law."""
    place = (np.arange(count) + 0.5) / count
    ages = (entry**shape + place * (leave**shape - entry**shape)) ** (1 / shape)
    return np.full(3, entry), np.full(3, leave), np.ones(3), ages


SETS = [spread_evenly(*args) for args in ((0.0, 40.0, 8, 1.0), (5.0, 40.0, 60, 2.0), (2.0, 12.0, 30, 3.0))]


@pytest.mark.parametrize("case", SETS)
@pytest.mark.parametrize("coverage", [0.5, 0.9])
def test_ordinary_limits_are_found_by_newton_s_method_alone(
    monkeypatch: pytest.MonkeyPatch, case: tuple, coverage: float
) -> None:
    """The slow searches behind it are cut off; by definition the profile has dropped by half a chi-square."""

    def never(*_: object, **__: object) -> float:
        raise AssertionError("Newton's method should have found it")

    monkeypatch.setattr(power_law, "_root", never)
    monkeypatch.setattr(power_law, "_search_scale_limit", never)
    data = summarise_ages(*case)
    law = fit_power_law(data, coverage)
    assert law.shape == pytest.approx(fit_shape([data]))
    assert (law.failures, law.exposure_km_years) == (data.failures, data.exposure_km_years)
    assert data.moments(law.shape, law.scale_years)[0] == pytest.approx(data.failures)
    drop = chi2.ppf(coverage, 1) / 2
    assert law.log_likelihood == pytest.approx(power_law._log_likelihood(data, law.shape, np.log(law.scale_years))[0])
    assert law.shape_lo < law.shape < law.shape_hi
    assert law.scale_lo < law.scale_years < law.scale_hi
    for shape in (law.shape_lo, law.shape_hi):
        assert power_law._profile_of_shape(data, shape)[0] == pytest.approx(law.log_likelihood - drop, abs=1e-8)
    for scale in (law.scale_lo, law.scale_hi):
        profile = power_law._profile_of_scale(data, law.shape)
        assert profile(np.log(scale)) == pytest.approx(law.log_likelihood - drop, abs=1e-8)


@pytest.mark.parametrize("case", SETS)
def test_the_slow_searches_find_the_same_limits(monkeypatch: pytest.MonkeyPatch, case: tuple) -> None:
    data = summarise_ages(*case)
    fast = fit_power_law(data, 0.9)
    monkeypatch.setattr(power_law, "_newton", lambda *_: None)
    monkeypatch.setattr(Peak, "reach", lambda *_: 0.0)
    slow = fit_power_law(data, 0.9)
    for part in ("shape", "shape_lo", "shape_hi", "scale_years", "scale_lo", "scale_hi", "log_likelihood"):
        assert getattr(slow, part) == pytest.approx(getattr(fast, part), rel=1e-6), part


def test_a_shape_meets_its_prior_as_a_normal_on_the_log_scale() -> None:
    other = summarise_ages(ENTRY, EXIT, KM, [7.0, 30.0])
    none = summarise_ages(ENTRY, EXIT, KM, [])
    prior = ShapePrior(2.5, 0.3)

    def loss(b: float, of: list[PowerLawData], pull: float) -> float:
        return pull * np.log(b / 2.5) ** 2 / (2 * 0.3**2) - sum(power_law._profile_of_shape(d, b)[0] for d in of)

    for strata, pull in (([DATA], 0), ([DATA, other], 0), ([DATA, other], 1)):
        found = fit_shape([*strata, none], prior if pull else None)
        best = minimize_scalar(loss, args=(strata, pull), bounds=(0.1, 20), method="bounded", options={"xatol": 1e-10})
        assert found == pytest.approx(best.x, rel=1e-5)
        slope = (loss(found + 1e-4, strata, pull) - loss(found - 1e-4, strata, pull)) / 2e-4
        assert abs(slope) < 1e-4


def test_a_parabola_drops_by_half_its_bend_times_the_square() -> None:
    peak = Peak(2.0, 3.0, np.array([[-4.0, 1.0], [1.0, -9.0]]), 1.5, -10.0)
    assert peak.lowest == -11.5
    assert peak.reach(np.array([1.0, 0.0])) == pytest.approx((2 * 1.5 / 4) ** 0.5)
    assert peak.reach(np.array([1.0, 1.0])) == pytest.approx((2 * 1.5 / 11) ** 0.5)
    assert Peak(2.0, 3.0, np.eye(2), 1.5, 0.0).reach(np.array([1.0, 0.0])) == 0.0
    assert Peak(2.0, 3.0, np.zeros((2, 2)), 1.5, 0.0).reach(np.array([1.0, 0.0])) == 0.0


def test_newton_s_method_says_where_it_fails() -> None:
    asked: list[float] = []

    def square(x: float) -> tuple[float, float]:
        asked.append(x)
        return x * x - 2, 2 * x

    assert power_law._newton(square, 1.0, 0.1, 9.0) == pytest.approx(2**0.5, abs=1e-12)
    assert len(asked) <= 5
    assert power_law._newton(square, 1.0, 0.1, 1.5) is None  # its first step goes to the end itself
    assert power_law._newton(square, 3.0, 1.9, 9.0) is None
    assert power_law._newton(lambda _: (1.0, 0.0), 1.0, 0.1, 9.0) is None
    assert power_law._newton(lambda _: (np.inf, 1.0), 1.0, -np.inf, np.inf) is None
    steps: list[float] = []

    def slow(x: float) -> tuple[float, float]:
        steps.append(x)
        return -1.0, 1.0

    assert power_law._newton(slow, 1.0, 0.0, 99.0) is None
    assert len(steps) == 40
    # the last step is a ten-millionth of the value or less
    assert power_law._newton(lambda x: (-0.99e-7 * x, 1.0), 1.0, 0.0, 9.0) == 1.0 + 0.99e-7
    assert power_law._newton(lambda x: (-1.05e-7 * x, 1.0), 1.0, 0.0, 9.0) is None


@pytest.mark.parametrize(
    ("value", "start", "root"),
    [
        (lambda x: x - 2, 1.0, 2.0),
        (lambda x: x - 1, 3.0, 1.0),
        (lambda x: x - 5, 3.0, 5.0),
        (lambda x: x + 1, 1.0, 5.0),  # no root: the end from which the search goes away
        (lambda x: x + 1, 3.0, 1.0),
    ],
)
def test_a_root_is_found_or_the_nearer_end(value, start: float, root: float) -> None:
    assert power_law._root(value, start, 1.0, 5.0) == pytest.approx(root, abs=1e-9)


@pytest.mark.parametrize("down", [True, False])
@pytest.mark.parametrize(("width", "is_met"), [(0.01, True), (0.7, True), (15.0, True), (60.0, False)])
def test_the_scale_is_searched_for_out_to_a_factor_of_e_to_the_20th(down: bool, width: float, is_met: bool) -> None:
    """A parabola about log scale 3 that has dropped by one at a width; past twenty or so the limit is 0 or infinity."""
    found = power_law._search_scale_limit(lambda s: -(((s - 3) / width) ** 2), np.exp(3.0), -1.0, down=down)
    end = 0.0 if down else np.inf
    assert found == pytest.approx(np.exp(3 - width if down else 3 + width) if is_met else end, rel=1e-8)


def test_the_search_takes_longer_steps_until_it_is_twenty_away() -> None:
    asked: list[float] = []
    power_law._search_scale_limit(lambda s: asked.append(s) or 0.0, 1.0, -1.0, down=False)
    steps = np.cumsum(0.05 * 1.6 ** np.arange(12))
    assert_allclose(asked, steps[: 1 + int(np.argmax(steps > 20))])


@pytest.mark.parametrize(("failures", "is_told"), [([5.0], False), ([5.0, 9.0], True)])
def test_two_failures_and_some_exposure_are_needed(failures: list[float], is_told: bool) -> None:
    assert (fit_power_law(summarise_ages([0.0], [10.0], [1.0], failures), 0.9) is not None) == is_told
    assert fit_power_law(summarise_ages([10.0], [10.0], [1.0], failures), 0.9) is None


def test_a_shape_is_sought_between_its_ends() -> None:
    """Failures on the first day alone want a shape of nought."""
    first = summarise_ages([0.0], [40.0], [1.0], [0.0] * 5)
    shape = 5 / (5 * np.log(40 / HALF_A_DAY))
    assert fit_shape([first]) == pytest.approx(shape, rel=1e-6)
    steep = fit_power_law(summarise_ages([0.0], [40.0], [1.0], [39.0] * 5), 0.9)
    assert steep.shape == pytest.approx(1 / np.log(40 / 39))
    assert steep.shape_hi == 60.0
    wide = fit_power_law(summarise_ages([0.0], [1e5], [1.0], [0.0, 0.5, 1.0]), 0.9)
    assert wide.shape_lo == 0.05


def test_a_law_is_a_power_of_age() -> None:
    law = power_law.PowerLaw(0, 0, 2.0, 0, 0, 10.0, 0, 0, 0)
    assert law.cumulative([-3.0, 0.0, 5.0, 20.0]).tolist() == [0, 0, 0.25, 4]
    assert brentq(lambda a: law.cumulative([a])[0] - 1, 1, 99) == pytest.approx(10)


class Stop(Exception):
    """Ends a search at its first step."""


def test_each_search_starts_where_a_parabola_would_have_its_end(monkeypatch: pytest.MonkeyPatch) -> None:
    """The functions searched are the likelihood's own, with their slopes, and the start is the parabola's limit."""
    asked: list[tuple] = []
    monkeypatch.setattr(power_law, "_newton", lambda *args: asked.append(args))
    monkeypatch.setattr(power_law, "_root", lambda _function, *args: args)
    assert fit_shape([DATA], ShapePrior(2.5, 0.3)) == (1.0, 0.05, 60.0)
    score, *rest = asked.pop()
    assert rest == [2.0, 0.05, 60.0]
    for shape in (0.8, 3.0):
        assert score(shape)[1] == pytest.approx((score(shape + 1e-5)[0] - score(shape - 1e-5)[0]) / 2e-5, rel=1e-5)
    curvature = np.array([[-8.0, 3.0], [3.0, -4.0]])
    peak = Peak(2.0, 3.3, curvature, 1.2, -20.0)
    # along the ridge of the best scale the bend is -8 + 3 ** 2 / 4
    reach = (2 * 1.2 / (8 - 9 / 4)) ** 0.5
    for down, ends in ((True, (0.05, 2.0)), (False, (2.0, 60.0))):
        assert power_law._shape_limit(DATA, peak, down=down) == (2.0, *ends)
        above, start, *rest = asked.pop()
        assert start == pytest.approx(2 * np.exp((-1 if down else 1) * reach / 2))
        assert rest == list(ends)
        assert above(1.7) == pytest.approx(
            (power_law._profile_of_shape(DATA, 1.7)[0] + 21.2, power_law._profile_of_shape(DATA, 1.7)[1])
        )
    far = Peak(2.0, 3.3, np.array([[-1e-4, 0.0], [0.0, -4.0]]), 1.2, -20.0)
    for down, start in ((True, 0.05), (False, 60.0)):
        power_law._shape_limit(DATA, far, down=down)
        assert asked.pop()[1] == start

    def first(_data: PowerLawData, shape: float, log_scale: float) -> tuple:
        asked.append((shape, log_scale))
        raise Stop

    monkeypatch.setattr(power_law, "_log_likelihood", first)
    reach = (2 * 1.2 / (4 - 9 / 8)) ** 0.5
    for down, sign in ((True, -1), (False, 1)):
        with pytest.raises(Stop):
            power_law._scale_limit(DATA, peak, down=down)
        assert asked.pop() == pytest.approx((2 + sign * reach * 3 / 8, 3.3 + sign * reach))


@pytest.mark.parametrize(("width", "is_left"), [(9.0, False), (25.0, True)])
def test_a_limit_far_off_is_left_to_the_search(monkeypatch: pytest.MonkeyPatch, width: float, is_left: bool) -> None:
    """A parabola whose scale limit lies so far off in logs: beyond twenty it is not followed."""

    def parabola(_data: PowerLawData, shape: float, log_scale: float) -> tuple:
        a, b = shape - 2.0, (log_scale - 3.0) / width
        return -(a**2) - b**2, np.array([-2 * a, -2 * b / width]), np.diag([-2.0, -2 / width**2])

    monkeypatch.setattr(power_law, "_log_likelihood", parabola)
    monkeypatch.setattr(power_law, "_search_scale_limit", lambda *_, **__: "searched")
    peak = Peak(2.0, 3.0, np.diag([-2.0, -2 / width**2]), 1.0, 0.0)
    for down, sign in ((True, -1), (False, 1)):
        found = power_law._scale_limit(DATA, peak, down=down)
        assert found == ("searched" if is_left else pytest.approx(np.exp(3.0 + sign * width)))
