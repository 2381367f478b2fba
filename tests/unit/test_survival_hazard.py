"""The hazard regression and its estimators."""

from __future__ import annotations

import dataclasses
from contextlib import nullcontext

import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_allclose
from sklearn.base import clone
from sklearn.ensemble import HistGradientBoostingRegressor
from sklearn.exceptions import NotFittedError
from sklearn.linear_model import PoissonRegressor
from sklearn.utils.estimator_checks import check_estimator
from threadpoolctl import threadpool_limits

from pipelines.survival import hazard as hazard_module
from pipelines.survival.curves import PowerLawCurves, expect_between
from pipelines.survival.hazard import (
    CATEGORIES,
    NUMBERS,
    BoostedHazard,
    CategoryCodes,
    PatternCurves,
    SplineHazard,
    StepSpline,
    blend_curves,
    describe_cells,
    draw_up_curves,
    expect_cells,
    fit_hazard,
    fit_ridge,
    make_hazard,
)


@pytest.fixture(autouse=True)
def one_thread():
    """Threads that wait for each other cost more than they save."""
    with threadpool_limits(limits=1):
        yield


@pytest.mark.filterwarnings("ignore")
def test_the_spline_keeps_the_conventions_of_its_library() -> None:
    failed = [r["check_name"] for r in check_estimator(StepSpline(), on_fail=None) if r["status"] == "failed"]
    assert failed == []


def test_steps_are_taken_between_the_quantiles_and_none_beyond() -> None:
    """Straight pieces: at the nth knot the first n steps are whole, half way between two knots the next is half."""
    column = np.exp(np.linspace(0, 5, 101))[:, None]
    steps = StepSpline(n_knots=5, degree=1).fit(column)
    knots = np.quantile(column, [0, 0.25, 0.5, 0.75, 1])
    assert_allclose(steps.transform(knots[:, None]), np.tri(5, 4, -1), atol=1e-12)
    assert_allclose(steps.transform((knots[1:2, None] + knots[2:3, None]) / 2), [[1, 0.5, 0, 0]], atol=1e-12)
    assert_allclose(steps.transform([[0.5], [500.0]]), [[0] * 4, [1] * 4], atol=1e-12)


@pytest.mark.parametrize("hazard", [SplineHazard(penalty=3.0), BoostedHazard(penalty=3.0, rounds=20)])
def test_parameters_are_kept_and_cloned(hazard) -> None:
    copy = clone(hazard)
    assert copy.get_params() == hazard.get_params()
    assert copy.set_params(penalty=7.0).penalty == 7.0
    assert not hasattr(copy, "coef_")


def cells_with_a_bump(seed: int = 1):
    """One class on a power law; cable of 1972 to 1979 fails twice as often."""
    rng = np.random.default_rng(seed)
    patterns = pd.DataFrame(
        [
            {
                "cable_class": "A",
                "insulation": "A",
                "neutral": "bare",
                "installation": "buried",
                "conductor": "x",
                "district_id": d,
                "vintage_year": year,
                "log2_length": 7.0,
            }
            for year in np.arange(1966.5, 1990, 3.0)
            for d in ("D1", "D2")
        ]
    )
    laws = PowerLawCurves(np.array([2.0]), np.array([0.002]), np.array([0.1]))
    rows = [(p, age, 40.0) for p in range(len(patterns)) for age in range(20, 40)]
    cells = pd.DataFrame(rows, columns=["pattern", "age", "exposure_km_years"])
    truth = np.where(patterns["vintage_year"].between(1972, 1979), 2.0, 0.9)
    mean = cells["exposure_km_years"] * 0.002 * ((cells["age"] + 1.0) ** 2 - cells["age"] ** 2.0)
    cells["failures"] = rng.poisson(mean * truth[cells["pattern"]]).astype(float)
    return cells, patterns, laws, np.zeros(len(patterns), dtype=np.int64), truth


@pytest.mark.parametrize("form", ["spline", "boosted"])
def test_a_bad_vintage_is_found(form: str) -> None:
    cells, patterns, laws, code, truth = cells_with_a_bump()
    fitted = fit_hazard(make_hazard(form, 3.0), cells, patterns, laws, code)
    curves = draw_up_curves(fitted, cells, patterns, laws, code, 10)
    pattern = np.arange(len(patterns))
    spent = curves.cumulative(pattern, np.full(len(pattern), 40.0)) - curves.cumulative(
        pattern, np.full(len(pattern), 20.0)
    )
    factor = spent / (0.002 * (40.0**2 - 20.0**2))
    assert factor[truth == 2.0].mean() > 1.5
    assert 0.8 < factor[truth == 0.9].mean() < 1.1
    # as many failures are expected as were seen
    expected = sum(
        curves.intensity(np.array([c.pattern]), np.array([c.age + 0.5]))[0] * c.exposure_km_years
        for c in cells.itertuples()
    )
    assert_allclose(expected, cells["failures"].sum(), rtol=1e-4 if form == "spline" else 0.03)


def test_a_heavy_penalty_leaves_the_power_law() -> None:
    cells, patterns, laws, code, _ = cells_with_a_bump()
    fitted = fit_hazard(SplineHazard(penalty=1e9), cells, patterns, laws, code)
    factor = fitted.predict(patterns.assign(age_years=30.5))
    assert_allclose(factor, factor[0], rtol=1e-4)


def test_a_level_never_seen_is_taken_for_the_average() -> None:
    cells, patterns, laws, code, _ = cells_with_a_bump()
    fitted = fit_hazard(SplineHazard(), cells, patterns, laws, code)
    asked = patterns.head(1).assign(age_years=30.5, **dict.fromkeys(CATEGORIES, "never seen"))
    assert np.isfinite(fitted.predict(asked)).all()


def test_levels_are_numbered_in_their_order_and_strangers_stand_apart() -> None:
    seen = pd.DataFrame({"a": ["y", "x", "y"], "b": pd.Categorical(["u", "u", "w"], categories=["w", "u", "z"])})
    codes = CategoryCodes().fit(seen)
    assert codes.transform(seen).tolist() == [[1, 0], [0, 0], [1, 1]]
    assert codes.transform(pd.DataFrame({"a": ["new", "x"], "b": ["w", "z"]})).tolist() == [[-1, 1], [0, -1]]


def test_the_fit_and_its_predictions_are_those_of_the_library() -> None:
    cells, patterns, laws, code, _ = cells_with_a_bump()
    fitted = fit_hazard(make_hazard("spline", 3.0), cells, patterns, laws, code)
    assert isinstance(fitted, SplineHazard)

    def design(rows: pd.DataFrame) -> np.ndarray:
        (kind, kinds), (age, ages) = fitted._tabulate(rows)
        assert (len(kinds), len(ages)) == (len(patterns), 20)  # each kind and each age once
        return np.hstack([kinds[kind], ages[age]])[:, 1:]

    asked, weight = describe_cells(cells, patterns), expect_cells(cells, laws, code)
    library = PoissonRegressor(alpha=3.0 / weight.sum(), solver="newton-cholesky", max_iter=100, tol=1e-7)
    library.fit(design(asked), cells["failures"] / weight, sample_weight=weight)
    assert_allclose(fitted.predict(asked), library.predict(design(asked)), rtol=1e-9)
    # a district not known adds nothing to the rest
    stranger = asked.assign(district_id=asked["district_id"].astype(str).replace("D1", "D9"))
    assert_allclose(fitted.predict(stranger), library.predict(design(stranger)), rtol=1e-9)


def test_a_step_that_goes_too_far_is_halved() -> None:
    """One kind fails a thousand times as often as the rest: a whole first step would have it at the power of e."""
    row, table = np.arange(4), np.column_stack([np.ones(4), np.eye(4)])
    seen, expected = np.array([5000.0, 1, 2, 0]), np.array([1.0, 200, 300, 400])
    found = fit_ridge((row, table), (np.zeros(4, dtype=int), np.zeros((1, 0))), seen, expected, 0.5)
    library = PoissonRegressor(alpha=0.5 / expected.sum(), solver="newton-cholesky", max_iter=100, tol=1e-7)
    library.fit(np.eye(4), seen / expected, sample_weight=expected)
    assert_allclose(found, np.r_[library.intercept_, library.coef_], rtol=1e-6)


def test_what_is_left_out_has_its_documented_value() -> None:
    assert SplineHazard().get_params() == {"penalty": 10.0, "n_knots": 6}
    assert BoostedHazard().get_params() == {"rounds": 40, "penalty": 10.0, "seed": 0}
    assert StepSpline().get_params() == {"n_knots": 6, "degree": 3}
    for form, kind in (("spline", SplineHazard), ("boosted", BoostedHazard)):
        made = make_hazard(form, 7.0)
        assert (type(made), made.penalty) == (kind, 7.0)


def test_one_value_alone_has_a_spline_all_the_same() -> None:
    steps = StepSpline(n_knots=4, degree=1).fit(np.full((3, 1), 5.0))  # knots at 5 and 6
    assert_allclose(steps.transform([[4.0], [5.0], [5.25], [6.0], [9.0]]), [[0], [0], [0.25], [1], [1]], atol=1e-12)
    two = StepSpline(n_knots=4, degree=1).fit([[5.0], [5.0], [9.0], [9.0]])
    assert_allclose(two.transform([[6.0], [9.0]]), [[0.25], [1]], atol=1e-12)


@pytest.mark.parametrize("unfitted", [StepSpline(), CategoryCodes(), SplineHazard(), BoostedHazard()])
def test_nothing_is_told_before_a_fit(unfitted) -> None:
    rows, _, _ = two_classes(20.0)
    with pytest.raises(NotFittedError):
        unfitted.predict(rows) if hasattr(unfitted, "predict") else unfitted.transform(rows)


def two_classes(failures_of_b: float) -> tuple[pd.DataFrame, np.ndarray, np.ndarray]:
    """Cells of two classes by age; the expected failures are 2 each, and class B has so many in all."""
    rows = pd.DataFrame({"age_years": np.tile(np.arange(10) + 0.5, 2), "cable_class": np.repeat(["A", "B"], 10)})
    rows = rows.assign(vintage_year=np.tile([1.0, 2, 4, 7, 3], 4), log2_length=np.tile([3.0, 4, 6, 5], 5))
    rows = rows.assign(**{name: "same" for name in CATEGORIES if name != "cable_class"})
    seen = np.r_[np.arange(10.0) + 3, np.full(10, failures_of_b / 10)]
    return rows, seen / 2, np.full(20, 2.0)


@pytest.mark.parametrize(("failures", "penalty"), [(20.0, 10.0), (19.0, 3.0)])
def test_the_regression_is_a_ridge_on_steps_and_categories(failures: float, penalty: float) -> None:
    """The design from its parts: steps of age, vintage and length, one column a category, and the age steps of each
    class with twenty failures; the penalty in failures is the library's times the sum of weights."""
    rows, y, weight = two_classes(failures)
    hazard = SplineHazard(penalty=penalty, n_knots=5).fit(rows, y, sample_weight=weight)
    numbers = StepSpline(5, degree=3).fit_transform(rows[NUMBERS].to_numpy())
    of_b = rows["cable_class"].eq("B").to_numpy(dtype=float)[:, None]
    ones = np.ones((20, 1))
    age = StepSpline(4, degree=2).fit_transform(rows[["age_years"]].to_numpy())
    blocks = [numbers, 1 - of_b, of_b, *[ones] * 5, (1 - of_b) * age]
    design = np.hstack([*blocks, of_b * age] if failures >= 20 else blocks)
    design -= design.mean(axis=0)
    plain = PoissonRegressor(alpha=penalty / 40, solver="newton-cholesky", max_iter=100, tol=1e-7)
    plain.fit(design, y, sample_weight=weight)
    assert_allclose(hazard.predict(rows), plain.predict(design), rtol=1e-9)
    even = SplineHazard(penalty=penalty / 2, n_knots=5).fit(rows, y)  # without weights each counts one
    assert len(even.classes_of_age_) == (0 if y[:10].sum() < 20 else 1)


def test_a_ridge_does_not_hold_the_level_back() -> None:
    rows, y, _ = two_classes(30.0)
    weight = np.linspace(1, 5, 20)
    hazard = SplineHazard(penalty=2.0).fit(rows, y, sample_weight=weight)
    # as many failures as were seen
    assert hazard.predict(rows) @ weight == pytest.approx(y @ weight, rel=1e-6)


def test_the_challenger_is_its_library_s_with_small_trees() -> None:
    cells, patterns, laws, code, _ = cells_with_a_bump()
    rows, expected = describe_cells(cells, patterns), expect_cells(cells, laws, code)
    y = cells["failures"].to_numpy() / expected
    codes = CategoryCodes().fit(rows[CATEGORIES]).transform(rows[CATEGORIES])
    design = np.hstack([rows[NUMBERS].to_numpy(), codes])
    for weight in (expected, None):
        found = BoostedHazard(rounds=15, penalty=4.0, seed=3).fit(rows, y, sample_weight=weight)
        trees = HistGradientBoostingRegressor(
            loss="poisson", learning_rate=0.05, max_iter=15, max_leaf_nodes=8, min_samples_leaf=50,
            l2_regularization=4.0, early_stopping=False, random_state=3,
        )  # fmt: skip
        trees.fit(design, y, sample_weight=np.ones(len(y)) if weight is None else weight)
        assert_allclose(found.predict(rows), trees.predict(design))
        assert found.trees_.get_params() == trees.get_params()


def test_a_table_is_straight_within_a_year_and_beyond_its_end() -> None:
    curves = PatternCurves(np.array([[0.0, 1, 3, 4], [0, 2, 2, 8]]), np.array([0.1, 0.2]))
    codes = np.array([0, 0, 0, 0, 1, 1, 1])
    ages = np.array([-1.0, 0.5, 1.5, 5.0, 1.0, 2.5, 4.0])
    assert curves.cumulative(codes, ages).tolist() == [0, 0.5, 2, 6, 2, 5, 14]
    assert curves.intensity(codes, ages).tolist() == [1, 1, 2, 1, 0, 6, 6]


PATTERNS = pd.DataFrame(
    [dict.fromkeys(CATEGORIES, "x") | {"vintage_year": 1.0 + n, "log2_length": 5.0} for n in range(3)]
)
CELLS = pd.DataFrame(
    {"pattern": [0, 0, 1], "age": [1, 2, 0], "exposure_km_years": [3.0, 4.0, 0.0], "failures": [2.0, 0, 1]}
)
LAWS, CLASS = PowerLawCurves(np.array([2.0, 1.0]), np.array([0.5, 2.0]), np.array([0.3, 0.4])), np.array([0, 1, 1])


def test_cells_are_expected_by_the_law_of_their_class() -> None:
    # class 0: half the difference of squares; class 1: two a year
    assert expect_cells(CELLS, LAWS, CLASS).tolist() == [3 * 0.5 * (4 - 1), 4 * 0.5 * (9 - 4), 0.0]
    rows = describe_cells(CELLS, PATTERNS)
    assert rows["age_years"].tolist() == [1.5, 2.5, 0.5]
    assert rows["vintage_year"].tolist() == [1, 1, 2]


class Told:
    """A hazard that keeps what it is fitted to, and foretells ten times the vintage plus the age."""

    def fit(self, rows, y, sample_weight):
        self.asked = rows, y, sample_weight
        return self

    def predict(self, rows):
        return 10 * rows["vintage_year"].to_numpy() + rows["age_years"].to_numpy()


def test_a_hazard_is_fitted_to_seen_over_expected_in_one_thread(monkeypatch: pytest.MonkeyPatch) -> None:
    threads: list[int] = []
    monkeypatch.setattr(hazard_module, "threadpool_limits", lambda limits=None: threads.append(limits) or nullcontext())
    rows, y, weight = fit_hazard(Told(), CELLS, PATTERNS, LAWS, CLASS).asked
    assert (y.tolist(), weight.tolist()) == ([2 / 4.5, 0.0], [4.5, 10.0])  # nothing was expected of the third
    assert rows["age_years"].tolist() == [1.5, 2.5]
    draw_up_curves(Told(), CELLS, PATTERNS, LAWS, CLASS, 1)
    assert threads == [1, 1]


def test_curves_are_the_law_times_the_factor_held_beyond_what_was_seen() -> None:
    """Pattern 0 was seen at ages 1 and 2, so factors run from 1 to 2 + 1; pattern 1 at 0, pattern 2 never."""
    curves = draw_up_curves(Told(), CELLS, PATTERNS, LAWS, CLASS, 1)
    assert curves.variation.tolist() == [0.3, 0.4, 0.4]
    factors = np.array([[11.5, 11.5, 12.5, 13.5, 13.5], [20.5, 21.5, 21.5, 21.5, 21.5], [30.5, 31.5, 31.5, 31.5, 31.5]])
    laws = np.array([np.diff(0.5 * np.arange(6.0) ** 2), [2.0] * 5, [2.0] * 5])
    assert_allclose(np.diff(curves.up_to, axis=1), laws * factors)
    assert (curves.up_to[:, 0] == 0).all()
    once = draw_up_curves(Told(), CELLS.tail(1).assign(age=3), PATTERNS, LAWS, CLASS, 1)
    assert_allclose(np.diff(once.up_to, axis=1)[1], 2 * np.array([23.5, 23.5, 23.5, 23.5, 24.5, 24.5]))
    blend = blend_curves(LAWS, CLASS, curves, dataclasses.replace(curves, up_to=2 * curves.up_to))
    up_to = np.array([0.5 * np.arange(6.0) ** 2, 2 * np.arange(6.0), 2 * np.arange(6.0)])
    assert_allclose(blend.up_to, up_to / 3 + curves.up_to)
    assert blend.variation.tolist() == [0.3, 0.4, 0.4]
    assert expect_between(blend, np.array([1]), np.array([1.0]), np.array([2.0])) == pytest.approx([2 / 3 + 43])
