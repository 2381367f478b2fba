"""Our figures on one invented fleet beside those of R and lifelines (fixture; calls and versions are in it)."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm
from numpy.testing import assert_allclose
from scipy.optimize import minimize

from pipelines.survival.cells import aggregate_cells
from pipelines.survival.cox import fit_cox
from pipelines.survival.kaplan_meier import estimate_survival
from pipelines.survival.mean_cumulative import estimate_mean_cumulative
from pipelines.survival.power_law import fit_power_law, summarise_ages

REFERENCE = json.loads(
    (Path(__file__).parents[1] / "cases" / "survival" / "reference_fleet.json").read_text(encoding="utf-8")
)
FLEET = {name: np.array(values) for name, values in REFERENCE["fleet"].items()}
YEAR = 365.25


def first_failures(of_class: int):
    mine = np.flatnonzero(FLEET["class"] == of_class)
    first = pd.Series(FLEET["event_days"]).groupby(FLEET["event_section"]).min()
    leave = np.array([first.get(i, FLEET["exit_days"][i]) for i in mine])
    return FLEET["entry_days"][mine], leave, np.isin(mine, first.index)


def test_survival_with_late_entry_as_r_has_it() -> None:
    f = REFERENCE["survfit"]
    curve = estimate_survival(*first_failures(0), 0.95)
    assert curve.ages_years[f["steps"]].tolist() == f["times"]
    assert curve.at_risk[f["steps"]].tolist() == f["at_risk"]
    assert_allclose(curve.survival[f["steps"]], f["survival"], rtol=1e-6)
    assert_allclose(curve.standard_error[f["steps"]], f["standard_error"], rtol=1e-6)


def test_survival_with_late_entry_as_lifelines_has_it() -> None:
    f = REFERENCE["kaplan_meier"]
    curve = estimate_survival(*first_failures(0), 0.95)
    assert len(curve.ages_years) == f["events"]
    assert_allclose(curve.survival[np.isin(curve.ages_years, f["times"])], f["survival"], rtol=1e-12)


def of_class(number: int):
    mine = np.flatnonzero(FLEET["class"] == number)
    events = FLEET["class"][FLEET["event_section"]] == number
    return mine, np.searchsorted(mine, FLEET["event_section"][events]), FLEET["event_days"][events]


def test_mean_cumulative_failures_per_km() -> None:
    f = REFERENCE["rate_per_km"]
    mine, owner, days = of_class(1)
    curve = estimate_mean_cumulative(
        FLEET["entry_days"][mine], FLEET["exit_days"][mine], FLEET["km"][mine], owner, days, 0.9
    )
    assert curve.ages_years[f["steps"]].tolist() == f["times"]
    assert_allclose(curve.mean_cumulative[f["steps"]], f["values"], rtol=1e-10)


def test_limits_robust_to_loops_as_r_has_them() -> None:
    f = REFERENCE["cumulative_hazard"]
    mine, owner, days = of_class(1)
    curve = estimate_mean_cumulative(
        FLEET["entry_days"][mine],
        FLEET["exit_days"][mine],
        np.ones(len(mine)),
        owner,
        days,
        0.9,
        cluster=FLEET["loop"][mine],
    )
    assert_allclose(curve.mean_cumulative[f["steps"]], f["values"], rtol=1e-10)
    assert_allclose(curve.standard_error[f["steps"]], f["robust_error"], rtol=1e-6)


def test_hazard_ratios_with_limits_robust_to_loops_as_r_has_them() -> None:
    f = REFERENCE["cox"]
    number = np.arange(len(FLEET["km"]))
    jacketed, district = (7 * number % 5 < 2).astype(np.int64), FLEET["loop"] % 3
    kinds = np.arange(18)
    design = np.column_stack([kinds % 2, kinds // 2 % 3 == 1, kinds // 2 % 3 == 2]).astype(float)

    def fit(columns: np.ndarray):
        return fit_cox(
            6 * FLEET["class"] + 2 * district + jacketed,
            FLEET["entry_days"],
            FLEET["exit_days"],
            FLEET["km"],
            FLEET["event_section"],
            FLEET["event_days"],
            columns,
            kinds // 6,
            FLEET["loop"],
        )

    full = fit(design)
    assert_allclose(full.coefficients, f["coefficients"], rtol=1e-10)
    assert_allclose(np.sqrt(np.diag(full.variance)), f["error"], rtol=1e-10)
    assert_allclose(np.sqrt(np.diag(full.robust_variance)), f["robust_error"], rtol=1e-10)
    assert full.log_likelihood - fit(design[:, :0]).log_likelihood == pytest.approx(f["log_likelihood_gain"], rel=1e-9)


@pytest.mark.parametrize("number", [0, 1, 2])
def test_power_law_with_late_entry_as_lifelines_has_it(number: int) -> None:
    f = REFERENCE["weibull"]
    mine, _, days = of_class(number)
    law = fit_power_law(
        summarise_ages(
            FLEET["entry_days"][mine] / YEAR, FLEET["exit_days"][mine] / YEAR, np.ones(len(mine)), days / YEAR
        ),
        0.9,
    )
    # lifelines stops its search at about 1e-5
    assert_allclose([law.shape, law.scale_years], [f["shape"][number], f["scale"][number]], rtol=5e-5)
    assert_allclose(law.log_likelihood, f["log_likelihood"][number], rtol=1e-8)
    assert law.log_likelihood >= f["log_likelihood"][number] - 1e-9


def test_limits_of_the_power_law_are_where_the_profile_has_dropped() -> None:
    mine, _, days = of_class(2)
    entry, leave, km = FLEET["entry_days"][mine] / YEAR, FLEET["exit_days"][mine] / YEAR, FLEET["km"][mine]
    law = fit_power_law(summarise_ages(entry, leave, km, days / YEAR), 0.9)

    def log_likelihood(shape: float, scale: float) -> float:
        expected = km @ ((leave / scale) ** shape - (entry / scale) ** shape)
        return float(np.log(shape / scale * (days / YEAR / scale) ** (shape - 1)).sum() - expected)

    drop = 2.705543454 / 2  # chi-square, 1 degree of freedom, 90 %
    for shape in (law.shape_lo, law.shape_hi):
        best = minimize(
            lambda s, b=shape: -log_likelihood(b, float(np.exp(s[0]))),
            [np.log(law.scale_years)],
            method="Nelder-Mead",
            options={"xatol": 1e-10, "fatol": 1e-10},
        )
        assert_allclose(-best.fun, law.log_likelihood - drop, atol=1e-6)
    for scale in (law.scale_lo, law.scale_hi):
        best = minimize(
            lambda b, s=scale: -log_likelihood(float(b[0]), s),
            [law.shape],
            method="Nelder-Mead",
            options={"xatol": 1e-10, "fatol": 1e-10},
        )
        assert_allclose(-best.fun, law.log_likelihood - drop, atol=1e-6)


def cells_of_the_fleet() -> pd.DataFrame:
    event_class = FLEET["class"][FLEET["event_section"]]
    return aggregate_cells(
        FLEET["class"],
        FLEET["entry_days"] / YEAR,
        FLEET["exit_days"] / YEAR,
        FLEET["km"],
        event_class,
        FLEET["event_days"] / YEAR,
        np.ones(len(event_class)),
    )


def test_poisson_regression_on_cells_as_r_has_it_on_rows() -> None:
    """R split every row at its birthdays; our marks add them up first: the likelihood is the same."""
    from sklearn.linear_model import PoissonRegressor

    cells = cells_of_the_fleet()
    cells = cells[cells["exposure_km_years"] > 0]
    x = np.column_stack([cells["pattern"] == 1, cells["pattern"] == 2, np.log(cells["age"] + 0.5)]).astype(float)
    weight = cells["exposure_km_years"].to_numpy()
    ours = PoissonRegressor(alpha=0.0, solver="newton-cholesky", tol=1e-12, max_iter=100)
    ours.fit(x, cells["failures"] / weight, sample_weight=weight)
    theirs = sm.GLM(cells["failures"], sm.add_constant(x), family=sm.families.Poisson(), exposure=weight).fit(tol=1e-14)
    found = np.r_[ours.intercept_, ours.coef_]
    assert_allclose(found, theirs.params, rtol=1e-6)
    assert_allclose(found, REFERENCE["glm"]["coefficients"], rtol=1e-6)


def test_poisson_and_piecewise_exponential_likelihoods_agree() -> None:
    cells = cells_of_the_fleet()
    cells = cells[cells["exposure_km_years"] > 0]
    rate = 0.02 * (cells["age"] + 1.0)
    poisson = (cells["failures"] * np.log(rate * cells["exposure_km_years"]) - rate * cells["exposure_km_years"]).sum()
    exposures = (cells["failures"] * np.log(cells["exposure_km_years"])).sum()  # the same for every rate
    entry, leave = FLEET["entry_days"] / YEAR, FLEET["exit_days"] / YEAR

    def up_to(age):
        whole = np.floor(age)
        return 0.02 * (whole * (whole + 1) / 2 + (age - whole) * (whole + 1))

    band = np.ceil(FLEET["event_days"] / YEAR) - 1
    exponential = np.log(0.02 * (band + 1.0)).sum() - FLEET["km"] @ (up_to(leave) - up_to(entry))
    assert_allclose(poisson - exposures, exponential, rtol=1e-9)
