"""Late entry, first failures and tests of fit on fleets written out by hand."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.stats import chi2

from pipelines.survival.panels import (
    _thick_from,
    compare_late_entry,
    run_fit_test,
    tabulate_first_failures,
    tabulate_fits,
)
from pipelines.survival.power_law import Clusters, PowerLaw, fit_power_law, summarise_ages
from pipelines.survival.rates import ClassView
from pipelines.survival.trend import run_laplace_test, run_log_ratio_test
from shared.settings import Settings
from tests.survival_fleets import small_history

SETTINGS = Settings().override("survival", age_band_years=8.0, min_failures=3)
ENTRY, EXIT, KM, AGES = np.array([12.0, 0]), np.array([32.0, 16]), np.array([2.0, 1]), [16.0, 28.0, 4.0, 24.0]
OWNER = np.array([0, 0, 1, 0])


@pytest.fixture(scope="module")
def history():
    """Section 0 two km in view from 12 to 32 years, section 1 one km from 0 to 16."""
    struck = [("S0", "2004", "splice"), ("S0", "2016", "cable"), ("S1", "2008", "cable"), ("S0", "2012", "cable")]
    return small_history(
        [{"length_km": 2.0}, {"installed_on": "2004-01-01"}, {"cable_class": "B", "retired_on": "1996-01-01"}],
        [{"section_id": s, "failed_on": f"{y}-01-01", "failed_component": part} for s, y, part in struck],
    )


def test_rates_with_and_without_late_entry_by_hand(history) -> None:
    table = compare_late_entry(history, SETTINGS)
    assert set(table["cable_class"]) == {"A"}
    assert table[["age_from", "age_to"]].to_numpy().T.tolist() == [[0, 8, 16, 24], [8, 16, 24, 32]]
    assert table["failures"].tolist() == [1, 0, 1, 2]
    seen, counted = np.array([8.0, 2 * 4 + 8, 16, 16]), np.array([2 * 8 + 8.0, 2 * 8 + 8, 16, 16])
    assert_allclose(table["exposure_km_years"], seen)
    assert_allclose(table["rate_per_100km_year"], 100 * np.array([1, 0, 1, 2]) / seen)
    assert_allclose(table["exposure_from_installation"], counted)
    assert_allclose(table["rate_from_installation"], 100 * np.array([1, 0, 1, 2]) / counted)
    shapes = [fit_power_law(summarise_ages(entry, EXIT, KM, AGES), 0.9).shape for entry in (ENTRY, np.zeros(2))]
    assert_allclose(table[["shape", "shape_from_installation"]], [shapes] * 4, rtol=1e-9)
    late = compare_late_entry(
        small_history([{"length_km": 0.01}]), SETTINGS
    )  # ten metres from 12 to 32: before it nothing is seen
    assert late["rate_per_100km_year"].isna().tolist() == [True, False, False, False]
    assert late["rate_from_installation"].tolist() == [0, 0, 0, 0]
    assert late["shape"].isna().all()
    assert compare_late_entry(small_history([{"retired_on": "1996-01-01"}]), SETTINGS).columns.equals(table.columns)


def test_the_first_failure_of_each_section_ends_it(history) -> None:
    table = tabulate_first_failures(history, SETTINGS)
    # two sections, half of the most in view is one: section 1 from its first day; B has none
    assert table["cable_class"].unique().tolist() == ["A"]
    assert table["age_years"].tolist() == [4, 16]
    assert table[["at_risk", "failures"]].to_numpy().tolist() == [[1, 1], [1, 1]]
    assert table["survival"].tolist() == [0, 0]
    assert table["start_years"].tolist() == [0, 0]
    assert table.columns.tolist()[-2:] == ["survival_lo", "survival_hi"]
    one = tabulate_first_failures(small_history([{}] * 4, [{"section_id": "S0", "failed_on": "2000-01-01"}]), SETTINGS)
    # a failure on the day of entry counts its own section in
    assert one[["at_risk", "failures", "survival"]].to_numpy().tolist() == [[4, 1, 0.75]]
    assert one["start_years"].tolist() == [12]


@pytest.mark.parametrize(("sections", "start"), [(0, 0.0), (50, 19.0), (39, 19.0), (38, 18.0), (2, 0.0)])
def test_the_curve_starts_with_twenty_sections_or_half_of_the_most(sections: int, start: float) -> None:
    """One section a year of age comes into view, none leaves: 20 of 50 at 19 years, 19 of 38 at 18."""
    assert _thick_from(np.arange(float(sections)), np.full(sections, 99.0)) == start


def test_one_that_enters_as_another_leaves_is_counted_beside_it() -> None:
    assert _thick_from(np.array([0.0, 1.0, 1.0, 1.0]), np.array([1.0, 5.0, 5.0, 5.0])) == 1.0
    assert _thick_from(np.array([0.0, 1.0, 0.0]), np.array([1.0, 5.0, 0.5])) == 0.0


def law(shape: float, scale: float) -> PowerLaw:
    return PowerLaw(0, 0, shape, 0, 0, scale, 0, 0, 0)


def view(km: float, years: float) -> ClassView:
    one = np.array([0])
    return ClassView("A", np.zeros(1), np.array([years]), np.array([km]), one, one, one[:0], np.zeros(0))


@pytest.mark.parametrize(
    ("km", "years", "joined", "seen"),
    [
        (6.0, 3.5, [6, 6, 6 + 3], [1, 2, 3]),  # the last year, half observed, joins the one before
        (5.0, 3.0, [5, 5, 5], [1, 2, 3]),  # exactly five is enough
        (4.9, 6.0, [9.8, 9.8, 9.8], [3, 3, 0]),
        (10.0, 3.5, [10, 10, 10, 5], [1, 2, 3, 0]),
    ],
)
def test_years_are_joined_until_each_expects_five(km: float, years: float, joined: list, seen: list) -> None:
    """One failure a km and year: the law is age itself; failures in year 0, twice in 1, thrice in 2."""
    ages = np.array([0.5, 1.0, 1.5, 2.0, 2.2, 2.9])
    found = run_fit_test(view(km, years), ages, law(1.0, 1.0))
    statistic = sum((o - e) ** 2 / e for e, o in zip(joined, seen, strict=True))
    assert (found.statistic, found.degrees) == (pytest.approx(statistic), len(joined) - 2)
    assert found.p_value == pytest.approx(chi2.sf(statistic, len(joined) - 2))


@pytest.mark.parametrize(("km", "years"), [(6.0, 2.0), (1.0, 2.0)])
def test_two_bands_or_fewer_tell_nothing_of_the_fit(km: float, years: float) -> None:
    found = run_fit_test(view(km, years), np.array([0.5]), law(1.0, 1.0))
    assert np.isnan([found.statistic, found.p_value]).all()
    assert found.degrees == 0


def test_fits_by_component(history) -> None:
    table = tabulate_fits(history, SETTINGS)
    assert table[["cable_class", "failed_component", "failures"]].to_numpy().tolist() == [
        ["A", "all", 4],
        ["A", "cable", 3],
    ]
    for row, some in zip(table.itertuples(), (np.arange(4), np.array([1, 2, 3])), strict=True):
        ages, owner = np.array(AGES)[some], OWNER[some]
        loops = Clusters(ENTRY, EXIT, KM, np.zeros(2, dtype=np.int64), owner, ages)
        fitted = fit_power_law(summarise_ages(ENTRY, EXIT, KM, ages), 0.9, loops)
        laws = [fitted.shape, fitted.shape_lo, fitted.shape_hi, fitted.scale_years]
        assert_allclose([row.shape, row.shape_lo, row.shape_hi, row.scale_years_1km], laws, rtol=1e-9)
        laplace = run_laplace_test(ENTRY[owner], EXIT[owner], ages)
        assert_allclose([row.laplace_z, row.laplace_p], [laplace.statistic, laplace.p_value])
        assert row.log_ratio_p == pytest.approx(run_log_ratio_test(ENTRY[owner], EXIT[owner], ages).p_value)
        assert np.isnan(row.fit_p)
        assert row.fit_degrees == 0
    assert tabulate_fits(small_history([{}]), SETTINGS).columns.equals(table.columns)
