"""Survival figures against printed ones, through the product's own functions. The figures are in survival.toml."""

from __future__ import annotations

import tomllib
from pathlib import Path

import numpy as np
import pytest
from numpy.testing import assert_allclose

from pipelines.survival.frailty_tree import build_tree
from pipelines.survival.hierarchical_frailty import Variances, fit_posterior
from pipelines.survival.kaplan_meier import estimate_survival
from pipelines.survival.mean_cumulative import estimate_mean_cumulative
from pipelines.survival.power_law import fit_power_law, summarise_ages
from pipelines.survival.rates import compare_rates
from pipelines.survival.trend import run_laplace_test, run_log_ratio_test
from shared.intervals import poisson_limits

FIGURES = tomllib.loads((Path(__file__).parent / "survival.toml").read_text(encoding="utf-8"))


def numbers(text: str, between: str = ",", rows: str = ";") -> np.ndarray:
    return np.array([[float(v) for v in row.split(between)] for row in text.split(rows) if row.strip()])


def close(found, figure: dict, printed) -> None:
    assert_allclose(found, printed, rtol=figure["rtol"], atol=figure.get("atol", 0.0))


def test_removed_units_count_up_to_their_removal() -> None:
    f = FIGURES["nist_removed_units"]
    time, event, count = numbers(f["data"]).T
    curve = estimate_survival(np.full(len(time), -1.0), time, event, 0.95, weights=count)
    assert curve.at_risk.tolist() == f["at_risk"]
    close(curve.survival, f, f["survival"])
    close(curve.standard_error, f, f["standard_error"])


def test_a_unit_withdrawn_at_a_failure_is_at_risk_for_it() -> None:
    f = FIGURES["aml_maintained"]
    time, event = numbers(f["data"]).T
    curve = estimate_survival(np.zeros(len(time)), time, event, 0.95)
    close(curve.survival, f, f["survival"])
    assert curve.median_years == f["median"]


def test_a_unit_entering_at_a_failure_is_not_at_risk_for_it() -> None:
    f = FIGURES["late_entry_toy"]
    close(estimate_survival(f["entry"], f["time"], np.ones(5), 0.9).survival, f, f["survival"])
    companion = estimate_survival(np.array(f["companion_entry"]), f["time"], np.ones(5), 0.9)
    close(companion.survival, f, f["companion_survival"])


def test_late_entry_of_a_cohort() -> None:
    f = FIGURES["late_entry_cohort"]
    entry, time, died = numbers(f["data"]).T
    curve = estimate_survival(entry, time, died, 0.95)
    assert len(curve.ages_years) == f["distinct_times"]
    at = {age: np.flatnonzero(np.isclose(curve.ages_years, float(age)))[0] for age in f["survival"]}
    for age, printed in f["survival"].items():
        close(curve.survival[at[age]], f, printed)
    for age, printed in f["at_risk"].items():
        assert curve.at_risk[at[age]] == printed
    assert curve.median_years == f["median"]


def test_leaving_out_late_entry_would_be_seen() -> None:
    f = FIGURES["late_entry_cohort"]
    _, time, died = numbers(f["data"]).T
    curve = estimate_survival(np.zeros(len(time)), time, died, 0.95)
    for age, printed in f["ignoring_entry"].items():
        close(curve.survival[np.isclose(curve.ages_years, float(age))][0], f, printed)
    assert curve.median_years == float("inf")


def fit_until_first_failure(failures, censored: dict[float, float]):
    """A power law whose units leave at their first failure has the likelihood of a Weibull life."""
    ages = np.r_[failures, list(censored)].astype(float)
    units = np.r_[np.ones(len(failures)), list(censored.values())]
    return fit_power_law(summarise_ages(np.zeros(len(ages)), ages, units, failures), 0.95)


@pytest.mark.parametrize("name", ["nist_life_test", "bearing_cages", "ball_bearings"])
def test_weibull_lives(name: str) -> None:
    f = FIGURES[name]
    censored: dict[float, float] = {}
    if name == "nist_life_test":
        censored = {f["censored_at"]: f["censored"]}
    elif name == "bearing_cages":
        censored = dict(numbers(f["censored"].replace("\n", ""), ":", ",").tolist())
    law = fit_until_first_failure(f["failures"], censored)
    close([law.shape, law.scale_years, law.log_likelihood], f, [f["shape"], f["scale"], f["log_likelihood"]])


def test_power_law_of_one_system_and_its_trend() -> None:
    f = FIGURES["reliability_improvement"]
    times, n = np.array(f["failures"], dtype=float), len(f["failures"])
    law = fit_power_law(summarise_ages([0.0], [f["end"]], [1.0], times), 0.95)
    close([law.shape, law.scale_years**-law.shape], f, [f["shape"], f["rate"]])
    close(law.shape * (n - 1) / n, f, f["bias_corrected_shape"])
    window = np.zeros(n), np.full(n, f["end"])
    laplace, ratio = run_laplace_test(*window, times), run_log_ratio_test(*window, times)
    close(laplace.statistic, f, f["laplace"])
    close(ratio.statistic, f, f["chi_square"])
    assert ratio.degrees == f["chi_square_df"]
    assert_allclose(ratio.p_value / 2, f["chi_square_upper_tail"], rtol=1e-4)  # printed to five digits


def test_power_law_of_three_systems() -> None:
    f = FIGURES["three_systems"]
    times = np.concatenate(f["failures"])
    law = fit_power_law(summarise_ages(np.zeros(3), np.full(3, f["end"]), np.ones(3), times), 0.9)
    close([law.shape, law.scale_years**-law.shape], f, [f["shape"], f["rate"]])
    ratio = run_log_ratio_test(np.zeros(len(times)), np.full(len(times), f["end"]), times)
    close(ratio.statistic, f, f["chi_square"])
    assert ratio.degrees == f["chi_square_df"]


@pytest.mark.parametrize("kind", ["cost", "count"])
def test_mean_cumulative_cost_and_count(kind: str) -> None:
    f = FIGURES["six_systems"]
    systems = [numbers(part.strip(), ",", " ") for part in f["data"].split("|")]
    ends = [s[-1, 0] for s in systems]
    events = [(unit, when, value) for unit, s in enumerate(systems) for when, value in s[:-1]]
    owner, when, value = (np.array(column) for column in zip(*events, strict=True))
    curve = estimate_mean_cumulative(
        np.full(6, -1.0), ends, np.ones(6), owner, when, 0.9, event_values=value if kind == "cost" else None
    )
    assert curve.ages_years.tolist() == f["times"]
    assert curve.at_risk.tolist() == f["at_risk"]
    close(curve.mean_cumulative, f, f[kind])


def test_limits_of_a_mean_time_between_failures() -> None:
    f = FIGURES["mean_time_between_failures"]
    lo, hi = poisson_limits(f["failures"], f["level"])
    close([f["hours"] / hi, f["hours"] / lo], f, [f["lower"], f["upper"]])
    for count, coverage, low_factor, high_factor in f["factors"]:
        lo, hi = poisson_limits(count, coverage)
        close([count / hi, count / lo], f, [low_factor, high_factor])


def test_limits_of_counts() -> None:
    f = FIGURES["counts"]
    lo, hi = poisson_limits(f["count"], f["level"])
    close(lo, f, f["lower"])
    close(hi, f, f["upper"])


def test_ratio_of_two_rates() -> None:
    f = FIGURES["two_rates"]
    found = compare_rates(f["counts"], f["exposures"], f["level"])
    close([found.ratio, found.lo, found.hi, found.p_value], f, [f["ratio"], f["lower"], f["upper"], f["central_p"]])


def test_multiplier_of_a_road_segment() -> None:
    f = FIGURES["road_segment"]
    dispersion = 1.0 / (f["overdispersion_per_km"] * f["length_km"])
    for years, printed, error in (
        (1, f["one_year_per_km"] * f["length_km"], f["one_year_error_per_km"] * f["length_km"]),
        (3, f["three_years_per_year"] * 3, f["three_years_error_per_year"] * 3),
    ):
        expected = f["mean_per_km"] * f["length_km"] * years
        alone = np.zeros(1, dtype=int)
        tree = build_tree(np.array([sum(f["counts"][:years])]), np.array([expected]), np.ones(1), alone, alone)
        found = fit_posterior(tree, Variances(0.0, 0.0, dispersion))
        mean, error_of_mean = expected * found.shape / found.rate, expected * np.sqrt(found.shape) / found.rate
        close([mean[0], error_of_mean[0]], f, [printed, error])
    expected = f["mean_per_km"] * f["length_km"]
    close(1 / (1 + dispersion * expected), f, f["weight_one_year"])


def test_no_tolerance_is_loose_without_a_reason() -> None:
    loose = [n for n, f in FIGURES.items() if f["rtol"] > 0.01 and not f.get("reason")]
    assert loose == []
    told = [n for n, f in FIGURES.items() if not all(f.get(k) for k in ("source", "page", "seen", "call"))]
    assert told == []
