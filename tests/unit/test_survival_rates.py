"""Rates of classes and age bands by hand, and ratios of rates beside scipy's."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_allclose
from scipy.stats import binom, binomtest, chi2, t

from pipelines.survival.power_law import Clusters, fit_power_law, summarise_ages
from pipelines.survival.rates import (
    compare_rates,
    compare_splices,
    tabulate_age_rates,
    tabulate_classes,
    tabulate_mean_cumulative,
    view_classes,
)
from shared.settings import Settings
from tests.survival_fleets import small_history

SETTINGS = Settings().override("survival", age_band_years=8.0)
ENTRY, EXIT, KM = np.array([12.0, 0, 20]), np.array([32.0, 16, 28]), np.array([2.0, 1, 1])
AGES = [16.0, 24.0, 4.0, 24.0, 32.0]
"""Of class A: ages in view, km, and ages at the failures of the fleet below."""


@pytest.fixture(scope="module")
def history():
    sections = [
        {"length_km": 2.0},
        {"installed_on": "2004-01-01"},
        {"installed_on": "1980-01-01", "retired_on": "2008-01-01", "loop_id": "L2"},
        {"installed_on": "2012-01-01", "loop_id": "L2", "cable_class": "B", "length_km": 0.5},
        {"installed_on": None, "is_installed_on_known": False},
        {"retired_on": "1996-01-01", "cable_class": "C"},
    ]
    struck = [("S0", "2004"), ("S0", "2012"), ("S1", "2008"), ("S2", "2004"), ("S0", "2020"), ("S4", "2008")]
    failures = [{"section_id": s, "failed_on": f"{year}-01-01"} for s, year in struck]
    failures[-1]["why_not"] = "undated_section"
    return small_history(sections, [*failures, {"section_id": "S9", "failed_on": "2004-01-01", "why_not": "loop_only"}])


def test_a_class_by_hand(history) -> None:
    table = tabulate_classes(history, SETTINGS).set_index("cable_class")
    a, b, c = table.loc["A"], table.loc["B"], table.loc["C"]
    counted = ["sections", "length_km", "exposure_km_years", "failures", "sections_without_date"]
    assert a[[*counted, "failures_without_date"]].tolist() == [3, 4.0, 2 * 20 + 16 + 8, 5, 1, 1]
    assert b[[*counted, "failures_without_date"]].tolist() == [1, 0.5, 4.0, 0, 0, 0]
    limits = [5, chi2.ppf(0.05, 10) / 2, chi2.ppf(0.95, 12) / 2]
    rates = ["rate_per_100km_year", "rate_lo", "rate_hi"]
    assert_allclose(a[rates].astype(float), 100 / 64 * np.array(limits))
    assert_allclose(b[rates].astype(float), [0, 0, 100 / 4 * chi2.ppf(0.95, 2) / 2])
    assert c[[*counted, "failures_without_date"]].tolist() == [0, 0, 0, 0, 0, 0]
    assert c[rates].isna().all()
    loops = Clusters(ENTRY, EXIT, KM, np.array([0, 0, 1]), np.array([0, 0, 1, 2, 0]), np.array(AGES))
    law = fit_power_law(summarise_ages(ENTRY, EXIT, KM, AGES), 0.9, loops)
    names = ["shape", "shape_lo", "shape_hi", "scale_years", "scale_lo", "scale_hi"]
    own = [name.replace("scale_years", "scale_years_1km") for name in names]
    assert_allclose(a[own].astype(float), [getattr(law, name) for name in names], rtol=1e-9)
    assert b[own].isna().all()
    few = tabulate_classes(history, SETTINGS.override("survival", min_failures=6))
    assert few[own].isna().all(axis=None)


def test_age_bands_by_hand(history) -> None:
    table = tabulate_age_rates(history, SETTINGS)
    a = table[table["cable_class"] == "A"]
    assert a["age_from"].tolist() == [0, 8, 16, 24, 32]
    assert a["age_to"].tolist() == [8, 16, 24, 32, 40]
    exposure = np.array([8, 8 + 2 * 4, 2 * 8 + 4, 2 * 8 + 4, 0.0])
    assert a["exposure_km_years"].tolist() == exposure.tolist()
    assert a["failures"].tolist() == [1, 0, 1, 2, 1]  # 16, 24 and 32 open the band they begin
    rates = a[["rate_per_100km_year", "rate_lo", "rate_hi", "fitted_rate_per_100km_year"]].astype(float).to_numpy()
    assert np.isnan(rates[4]).all()
    assert_allclose(rates[:4, 0], 100 * np.array([1, 0, 1, 2]) / exposure[:4])
    assert_allclose(rates[3, 1:3], 100 / 20 * np.array([chi2.ppf(0.05, 4) / 2, chi2.ppf(0.95, 6) / 2]))
    law = fit_power_law(summarise_ages(ENTRY, EXIT, KM, AGES), 0.9)
    edges = np.arange(0.0, 33, 8)
    seen = np.clip(edges, ENTRY[:, None], EXIT[:, None])
    assert_allclose(rates[:4, 3], 100 * KM @ np.diff(law.cumulative(seen)) / exposure[:4])
    b = table[table["cable_class"] == "B"]
    assert (len(b), b["failures"].sum(), b["fitted_rate_per_100km_year"].notna().sum()) == (1, 0, 0)
    assert "C" not in set(table["cable_class"])


def test_views_hold_what_is_in_view_and_each_coverage_has_its_own_law(history) -> None:
    a, b, c = view_classes(history)
    assert [a.name, b.name, c.name] == ["A", "B", "C"]
    assert_allclose([a.entry_years, a.exit_years, a.km], [ENTRY, EXIT, KM])
    assert (a.laid_in.tolist(), a.cluster.tolist(), b.cluster.tolist()) == ([1988, 2004, 1980], [0, 0, 1], [1])
    assert (a.owner.tolist(), a.event_ages_years.tolist()) == ([0, 0, 1, 2, 0], AGES)
    assert (len(c.km), len(b.owner), set(a.event_components)) == (0, 0, {"cable"})
    assert a.exposure_between(14, 22) == 2 * 8 + 2 + 2
    wide = a.fit(Settings().override("general", interval_coverage=0.95))
    assert wide.shape_hi > a.fit(SETTINGS).shape_hi


def test_the_curves_of_classes_are_robust_to_loops(history) -> None:
    table = tabulate_mean_cumulative(history, SETTINGS)
    assert table.columns.tolist() == ["cable_class", "age_years", "at_risk_km", "mcf_per_km", "mcf_lo", "mcf_hi"]
    assert set(table["cable_class"]) == {"A"}
    assert table["age_years"].tolist() == [4, 16, 24, 32]
    assert table["at_risk_km"].tolist() == [1, 3, 3, 2]
    mean = np.cumsum([1, 1 / 3, 2 / 3, 1 / 2])
    assert_allclose(table["mcf_per_km"], mean)
    # at 24: sections 0 and 1 of loop L1 (in view 12 to 32 and 0 to 16), section 2 of L2 (20 to 28)
    loops = [1 + 1 / 3 + 1 / 3 - 1 * (1 + 1 / 9) - 2 * (1 / 9 + 2 / 9), 1 / 3 - 2 / 9]
    spread = np.exp(t.ppf(0.95, 2) * np.hypot(*loops) / mean[2])
    exact = np.array([chi2.ppf(0.05, 8), chi2.ppf(0.95, 10)]) / 2 / 4  # four failures by then
    wider = [min(1 / spread, exact[0]), max(spread, exact[1])]
    assert_allclose(table.loc[2, ["mcf_lo", "mcf_hi"]] / mean[2], wider)
    # one failure of one loop at 4
    assert_allclose(table.loc[0, ["mcf_lo", "mcf_hi"]], [chi2.ppf(0.05, 2) / 2, chi2.ppf(0.95, 4) / 2], rtol=0.01)
    bare = small_history([{}])
    assert tabulate_mean_cumulative(bare, SETTINGS).columns.tolist() == table.columns.tolist()


@pytest.mark.parametrize("counts", [(3, 7), (0, 3), (3, 0), (5, 5), (9, 2)])
def test_ratio_of_two_rates_is_the_binomial_s(counts: tuple[int, int]) -> None:
    exposures = (10.0, 20.0)
    found = compare_rates(counts, exposures, 0.9)
    share = binomtest(counts[0], sum(counts)).proportion_ci(0.9, "exact")
    odds = [p / (1 - p) * 2 if p < 1 else np.inf for p in (share.low, share.high)]
    if 0 in counts:  # scipy gives the whole tail to the other side, as we do not
        odds = [odds[0] if not counts[1] else 0.0, odds[1] if not counts[0] else np.inf]
    ratio = 2 * counts[0] / counts[1] if counts[1] else np.inf
    tails = binom.cdf(counts[0], sum(counts), 1 / 3), binom.sf(counts[0] - 1, sum(counts), 1 / 3)
    assert_allclose([found.ratio, found.lo, found.hi], [ratio, *odds], rtol=1e-9)
    assert found.p_value == pytest.approx(min(1, 2 * min(tails)))


BANDS = ["no_repair_on_record", "up_to_3_months", "3_to_12_months", "1_to_2_years", "2_to_5_years", "over_5_years"]


@pytest.mark.parametrize(
    ("splices", "years", "judged"),
    [
        ([9, 2, 3, 1, 1, 2], [50, 10, 20, 30, 25, 50], "within_chance"),
        ([9, 20, 3, 1, 1, 2], [50, 10, 20, 30, 25, 50], "beyond_chance"),
        ([9, 1, 0, 0, 30, 20], [50, 10, 20, 30, 25, 50], "beyond_chance"),
        ([9, 1, 1, 1, 0, 0], [50, 10, 20, 30, 25, 50], "all_young"),
        ([9, 0, 0, 0, 1, 2], [50, 10, 20, 30, 25, 50], "all_later"),
        ([9, 0, 0, 0, 0, 0], [50, 10, 20, 30, 25, 50], None),
        ([9, 1, 2, 1, 0, 0], [50, 10, 20, 30, 0, 0], None),
    ],
)
def test_splices_of_two_years_against_later_ones(splices: list[int], years: list[float], judged: str | None) -> None:
    table = compare_splices(
        pd.DataFrame({"repair_band": BANDS, "section_years": years, "splice_failures": splices}), 0.9
    )
    names = ["splices", "young_splice_rate", "later_splice_rate", "rate_ratio", "ratio_lo", "ratio_hi", "judged"]
    assert table.columns.tolist() == names
    if judged is None:
        assert table.empty
        return
    row = table.iloc[0]
    young, later = sum(splices[1:4]), sum(splices[4:])
    assert (row["judged"], row["splices"]) == (judged, young + later)
    assert_allclose([row["young_splice_rate"], row["later_splice_rate"]], [100 * young / 60, 100 * later / 75])
    if young and later:
        found = compare_rates((young, later), (60.0, 75.0), 0.9)
        assert row[["rate_ratio", "ratio_lo", "ratio_hi"]].tolist() == [found.ratio, found.lo, found.hi]
    else:
        assert row[["rate_ratio", "ratio_lo", "ratio_hi"]].isna().all()
