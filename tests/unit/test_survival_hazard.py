"""The hazard regression and its estimators."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_allclose
from sklearn.base import clone
from sklearn.utils.estimator_checks import check_estimator

from pipelines.survival.curves import PowerLawCurves
from pipelines.survival.hazard import (
    CATEGORIES,
    BoostedHazard,
    CategoryCodes,
    SplineHazard,
    StepSpline,
    describe_cells,
    draw_up_curves,
    fit_hazard,
    make_hazard,
)


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
    assert not hasattr(copy, "regression_")


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


def test_a_prediction_is_the_regression_s_own() -> None:
    cells, patterns, laws, code, _ = cells_with_a_bump()
    fitted = fit_hazard(make_hazard("spline", 3.0), cells, patterns, laws, code)
    assert isinstance(fitted, SplineHazard)
    asked = describe_cells(cells, patterns)
    by_library = fitted.regression_.predict(fitted._columns(asked) - fitted.centre_)
    assert_allclose(fitted.predict(asked), by_library, rtol=1e-11)
    stranger = asked.head(3).assign(district_id="D9")
    assert_allclose(fitted.predict(stranger), fitted.regression_.predict(fitted._columns(stranger) - fitted.centre_))
