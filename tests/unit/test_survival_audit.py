"""The register audit and the panels: what a planted fault does to the rates is found and has the right sign."""

from __future__ import annotations

import dataclasses

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm
from scipy import stats

from pipelines.survival.audit import audit_register, count_orphans
from pipelines.survival.cells import aggregate_cells
from pipelines.survival.panels import compare_late_entry, run_fit_test, tabulate_first_failures, tabulate_fits
from pipelines.survival.power_law import fit_power_law, summarise_ages
from pipelines.survival.rates import tabulate_classes, tabulate_mean_cumulative, view_classes
from shared.settings import Settings
from tests.survival_fleets import AS_OF, CLASSES, make_fleet, small_history

SETTINGS = Settings().override("general", as_of=AS_OF)
XLPE = "XLPE/bare/buried"


@pytest.fixture(scope="module")
def history():
    """A fleet without multipliers; every tenth failing section has been dropped from its register."""
    fleet = make_fleet(3, loops=250, loop_variance=0.0, section_variance=0.0).history
    gone = sorted(fleet.failures["section_id"].dropna().unique())[::10]
    failures = fleet.failures.copy()
    mine = failures["section_id"].isin(gone)
    failures.loc[mine, ["is_counted", "why_not", "cable_class"]] = [False, "not_in_register", None]
    sections = fleet.sections[~fleet.sections["section_id"].isin(gone)].reset_index(drop=True)
    return dataclasses.replace(fleet, sections=sections, failures=failures)


def test_missing_dates_and_orphans_are_counted(history) -> None:
    audit = audit_register(history, SETTINGS).set_index(["finding", "cable_class"])
    undated = history.sections[~history.sections["is_installed_on_known"] & (history.sections["cable_class"] == XLPE)]
    assert audit.loc[("missing_date", XLPE), "sections"] == len(undated)
    assert abs(audit.loc[("missing_date", XLPE), "effect_pct"]) < 10
    orphans = history.failures["why_not"].eq("not_in_register").sum()
    assert audit.loc["orphan_failure"]["failures"].sum() == orphans
    told = audit.dropna(subset=["rate_with"])
    change = 100 * (told["rate_with"] - told["rate_per_100km_year"]) / told["rate_per_100km_year"]
    assert told["effect_pct"].tolist() == pytest.approx(change.tolist())
    assert audit.loc[audit["rate_with"].isna(), "effect_pct"].isna().all()
    assert (audit.loc["orphan_failure"]["effect_pct"] > 0).all()
    assert count_orphans(history)["orphans"].sum() == orphans


def test_a_stand_in_date_makes_cable_older_than_it_is(history) -> None:
    sections = history.sections.copy()
    mine = sections.index[sections["cable_class"].eq(XLPE) & ~sections["is_installed_on_known"]]
    sections.loc[mine, "installed_on"] = pd.Timestamp("1970-01-01")
    audit = audit_register(dataclasses.replace(history, sections=sections), SETTINGS)
    row = audit.set_index(["finding", "cable_class"]).loc[("default_date", XLPE)]
    assert row["sections"] == len(mine)
    assert row["shape_with"] < row["shape"]


def test_cable_before_its_era_is_listed(history) -> None:
    sections = history.sections.copy()
    first = sections.index[sections["cable_class"].eq("TRXLPE/jacketed/duct") & sections["is_installed_on_known"]][0]
    sections.loc[first, "installed_on"] = pd.Timestamp("1975-05-01")
    audit = audit_register(dataclasses.replace(history, sections=sections), SETTINGS)
    row = audit.set_index("finding").loc["before_era"]
    assert (row["sections"], row["cable_class"]) == (1, "TRXLPE/jacketed/duct")


def test_the_proof_panel_shows_the_bias(history) -> None:
    panel = compare_late_entry(history, SETTINGS)
    mine = panel[panel["cable_class"] == XLPE]
    assert (mine["exposure_from_installation"] >= mine["exposure_km_years"] - 1e-9).all()
    assert mine["shape_from_installation"].iloc[0] > mine["shape"].iloc[0] + 0.5
    true_shape = CLASSES[XLPE][0]
    classes = tabulate_classes(history, SETTINGS).set_index("cable_class")
    assert classes.loc[XLPE, "shape_lo"] < true_shape < classes.loc[XLPE, "shape_hi"]


def test_leaving_out_late_entry_turns_the_sign_of_a_class_effect() -> None:
    """Old cable that fails 1.6 times as often at every age looks better once its unrecorded years are counted.

    The effect is a Poisson regression on our cells with a constant for each five years of age (statsmodels).
    """
    rng, sections, log_ratio, shape = np.random.default_rng(7), 40_000, np.log(1.6), 2.0
    is_old = np.repeat([1, 0], sections // 2)
    installed = np.where(is_old == 1, rng.uniform(1965, 1980, sections), rng.uniform(1985, 2010, sections))
    enter, leave = np.maximum(2005.0 - installed, 0.0), 2025.0 - installed
    scale = 90.0 * np.exp(-log_ratio * is_old / shape)
    low, high = (enter / scale) ** shape, (leave / scale) ** shape
    of = np.repeat(np.arange(sections), rng.poisson(high - low))
    age = scale[of] * (low[of] + rng.random(len(of)) * (high - low)[of]) ** (1 / shape)

    def effect_of_being_old(entry: np.ndarray) -> tuple[float, float]:
        cells = aggregate_cells(is_old, entry, leave, np.ones(sections), is_old[of], age, np.ones(len(of)))
        seen = cells[cells["exposure_km_years"] > 0]
        design = pd.get_dummies(seen["age"] // 5, dtype=float).assign(is_old=seen["pattern"].astype(float))
        fit = sm.GLM(seen["failures"], design, family=sm.families.Poisson(), exposure=seen["exposure_km_years"]).fit()
        return float(fit.params["is_old"]), float(fit.bse["is_old"])

    right, error = effect_of_being_old(enter)
    wrong, _ = effect_of_being_old(np.zeros(sections))
    assert abs(right - log_ratio) < 3 * error
    assert error < 0.1
    assert wrong < -0.5


def test_a_power_law_fleet_passes_its_own_tests(history) -> None:
    fits = tabulate_fits(history, SETTINGS).set_index(["cable_class", "failed_component"])
    row = fits.loc[(XLPE, "all")]
    assert row["laplace_z"] > 2
    assert row["fit_p"] > 0.005
    assert row["failures"] == fits.loc[(XLPE, "cable"), "failures"]
    classes = tabulate_classes(history, SETTINGS).set_index("cable_class")
    columns = ["shape", "shape_lo", "shape_hi", "scale_years_1km"]
    assert row[columns].tolist() == pytest.approx(classes.loc[XLPE, columns].tolist())


def test_the_fit_is_tried_by_years_of_age_joined_until_five_are_expected(history) -> None:
    """The years by plain loops, the test by scipy.stats.chi2; two degrees are the law's own."""
    view = next(view for view in view_classes(history) if view.name == XLPE)
    law = fit_power_law(view.ages, 0.9)
    bands: list[list[float]] = [[0, 0]]
    for year in range(int(view.exit_years.max()) + 1):
        low, high = np.clip(view.entry_years, year, year + 1), np.clip(view.exit_years, year, year + 1)
        bands[-1][0] += float(view.km @ np.maximum(law.cumulative(high) - law.cumulative(low), 0))
        bands[-1][1] += int(np.sum((view.event_ages_years >= year) & (view.event_ages_years < year + 1)))
        if bands[-1][0] >= 5:
            bands.append([0, 0])
    *whole, last = bands
    whole[-1] = [a + b for a, b in zip(whole[-1], last, strict=True)]
    statistic = sum((seen - expected) ** 2 / expected for expected, seen in whole)
    found = run_fit_test(view, view.event_ages_years, law)
    assert (found.statistic, found.degrees) == (pytest.approx(statistic), len(whole) - 2)
    assert found.p_value == pytest.approx(stats.chi2.sf(statistic, len(whole) - 2))


def test_first_failures_and_mean_cumulative_start_in_view(history) -> None:
    first = tabulate_first_failures(history, SETTINGS)
    mine = first[first["cable_class"] == XLPE]
    assert (np.diff(mine["survival"]) <= 0).all()
    assert (mine["age_years"] >= mine["start_years"]).all()
    curve = tabulate_mean_cumulative(history, SETTINGS)
    assert ((curve["mcf_lo"] <= curve["mcf_per_km"]) & (curve["mcf_per_km"] <= curve["mcf_hi"])).all()


def shape_of(entry: list, leave: list, km: list, ages: list, weights: list | None = None) -> float:
    return fit_power_law(summarise_ages(entry, leave, km, ages, weights), 0.9).shape


def test_every_finding_by_hand() -> None:
    """As used: 2 km from 12 to 32 years, 1 km of 1960 from 40 to 48; five failures count."""
    sections = [
        {"length_km": 2.0},
        {"installed_on": "1960-01-01", "retired_on": "2008-01-01", "length_km": 1.0},  # no XLPE was laid so early
        {"installed_on": None, "is_installed_on_known": False, "length_km": 0.5},
        {"installed_on": "1984-01-01", "is_installed_on_known": False, "length_km": 4.0},
        {"installed_on": "1988-01-01", "cable_class": "B", "length_km": 9.0, "loop_id": "L2"},
        {"installed_on": "1988-01-01", "cable_class": "C", "length_km": 8.0, "loop_id": "L2"},
    ]
    own = [("S0", "2004"), ("S0", "2012"), ("S0", "2016"), ("S0", "2020"), ("S1", "2004")]
    failures = [{"section_id": s, "failed_on": f"{year}-01-01"} for s, year in own]
    failures += [
        {"section_id": "S2", "failed_on": "2016-01-01", "why_not": "undated_section"},
        {"section_id": "S3", "failed_on": "2008-01-01", "why_not": "undated_section"},
        {"section_id": "S9", "failed_on": "2004-01-01", "why_not": "not_in_register", "loop_id": "L1"},
        {"section_id": "S9", "failed_on": "2008-01-01", "why_not": "not_in_register", "loop_id": "L1"},
        {"section_id": "S8", "failed_on": "2012-01-01", "why_not": "not_in_register", "loop_id": "L2"},
        {"section_id": "S8", "failed_on": "2012-01-01", "why_not": "not_in_register", "loop_id": "L7"},
        {"section_id": "S0", "failed_on": "1984-01-01", "why_not": "before_installation"},
        {"section_id": "S1", "failed_on": "2012-01-01", "why_not": "after_retirement"},
        {"section_id": "S1", "failed_on": "2012-01-01", "why_not": "excluded_cause"},
    ]
    history = small_history(sections, failures)
    audit = audit_register(history, SETTINGS).set_index(["cable_class", "finding"])
    assert set(audit.index.get_level_values(0)) == {"A", "B"}
    a = audit.loc["A"]
    assert a["rate_per_100km_year"].tolist() == pytest.approx([500 / 48] * len(a))
    base = shape_of([12, 40], [32, 48], [2, 1], [16, 24, 28, 32, 44])
    assert a["shape"].tolist() == pytest.approx([base] * len(a))
    concerned = {
        "missing_date": (1, 0.5, 1),
        "default_date": (1, 4.0, 1),
        "before_era": (1, 1.0, 1),
        "orphan_failure": (0, 0.0, 2),
        "replaced_under_its_id": (1, 2.0, 1),
        "after_retirement": (1, 1.0, 1),
        # eight years on record before 2008, a third of a km a year retired from then on; one orphan lies before 2008
        "no_retirements": (0, 8 / 3, 1),
    }
    assert a.index.tolist() == list(concerned)
    counted = a[["sections", "length_km", "failures"]].astype(float).to_numpy()
    assert counted == pytest.approx(np.array(list(concerned.values()), dtype=float), rel=1e-3)
    # a stand-in date believed: 4 km from 16 to 36, failed at 24; the undated one in parts is in 20 years of view too
    silent = 2922 / 365.25
    rates = {
        "missing_date": 600 / (48 + 0.5 * 20),
        "default_date": 600 / (48 + 4 * 20),
        "before_era": 400 / 40,
        "orphan_failure": 700 / 48,
        "replaced_under_its_id": 600 / 48,
        "after_retirement": 600 / 48,
        "no_retirements": 600 / (48 + silent**2 / 3 / 2),
    }
    assert a["rate_with"].to_dict() == pytest.approx(rates)
    change = {name: 100 * (rate / (500 / 48) - 1) for name, rate in rates.items()}
    assert a["effect_pct"].to_dict() == pytest.approx(change)
    shapes = a["shape_with"].astype(float)
    assert shapes.isna().tolist() == [False, False, True, True, True, True, True]
    believed = shape_of([12, 40, 16], [32, 48, 36], [2, 1, 4], [16, 24, 28, 32, 44, 24])
    assert shapes["default_date"] == pytest.approx(believed)
    # the undated one is spread over 1988 and 1960, 2 km to 1
    old, young = ((pd.Timestamp("2020-01-01") - pd.Timestamp(f"{y}-07-01")).days / 365.25 for y in (1960, 1988))
    spread = shape_of(
        [12, 40, old - 20, young - 20],
        [32, 48, old, young],
        [2, 1, 0.5 / 3, 1 / 3],
        [16, 24, 28, 32, 44, old - 4, young - 4],
        [1, 1, 1, 1, 1, 1 / 3, 2 / 3],
    )
    assert shapes["missing_date"] == pytest.approx(spread)
    b = audit.loc["B"]
    assert b[["sections", "failures"]].to_numpy().tolist() == [[0, 1]]
    assert b["rate_per_100km_year"].tolist() == [0]
    assert b["effect_pct"].isna().all()
    assert b["rate_with"].tolist() == [100 / 180]
    assert b["shape"].isna().all()
    orphans = count_orphans(history).set_index(["cable_class", "year"])
    assert orphans.loc[("A", 2004)].tolist() == [3, 1, pytest.approx(1 / 3)]
    assert orphans.loc[("A", 2012)].tolist() == [1, 0, 0]
    assert orphans.loc[("A", 2008)].tolist() == [1, 1, 1]
    assert orphans.loc[("B", 2012)].tolist() == [1, 1, 1]
    assert orphans.loc[("unknown", 2012)].tolist() == [1, 1, 1]
    assert orphans.loc[("A", 2020)].tolist() == [1, 0, 0]


@pytest.mark.parametrize(
    ("retired", "km"),
    [
        (["2001-01-01"], 366 / 365.25 / 3),
        (["2000-12-31"], None),  # 365 days: less than a year tells nothing
        (["2010-01-01", "2012-12-31", "2013-01-01"], 2 / 3 * 3653 / 365.25),  # the third three years later
        (["2020-01-01"], 20 / 3),
        (["2020-01-02"], None),  # later than the as-of date
    ],
)
def test_cable_is_carried_back_from_the_first_three_years_of_retirements(retired: list[str], km: float | None) -> None:
    orphan = {"section_id": "S9", "loop_id": "L1", "failed_on": "2000-06-01", "why_not": "not_in_register"}
    history = small_history([{"retired_on": each} for each in retired] + [{"recorded_from": "2004-01-01"}], [orphan])
    audit = audit_register(history, SETTINGS).query("finding != 'orphan_failure'")
    assert audit["finding"].tolist() == ([] if km is None else ["no_retirements"])
    assert audit["length_km"].tolist() == pytest.approx([] if km is None else [km])
    assert (audit["failures"] == 1).all()
    assert audit.columns.tolist() == audit_register(small_history([{}]), SETTINGS).columns.tolist()


def test_the_first_year_of_its_kind_is_no_slip_and_a_stand_in_in_the_future_is_young() -> None:
    history = small_history(
        [
            {"installed_on": "1963-01-01"},
            {"installed_on": "1962-12-31"},
            {"insulation": None, "installed_on": "1920-01-01"},
        ]
    )
    audit = audit_register(history, SETTINGS)
    assert audit[["finding", "sections"]].to_numpy().tolist() == [["before_era", 1]]
    assert audit["rate_with"].tolist() == [0]
    believed = small_history(
        [{}, {"installed_on": "2008-01-01", "is_installed_on_known": False}],
        [{"section_id": "S1", "failed_on": f"{y}-01-01", "why_not": "undated_section"} for y in (2004, 2008, 2012)],
    )
    row = audit_register(believed, SETTINGS).iloc[0]
    # from 0 to 12 years, on record since 2000: its failure of 2004 is none of this cable
    assert row["finding"] == "default_date"
    assert row["rate_with"] == pytest.approx(100 * 2 / (20 + 12))
    assert row["failures"] == 3


def test_a_class_without_exposure_has_a_rate_only_with_its_undated_cable() -> None:
    struck = [("2004-01-01", "undated_section"), ("2008-01-01", "after_retirement")]
    history = small_history(
        [{}, {"cable_class": "B", "installed_on": None, "is_installed_on_known": False}],
        [{"section_id": "S1", "failed_on": day, "why_not": why} for day, why in struck],
    )
    audit = audit_register(history, SETTINGS).set_index("finding")
    assert audit.index.tolist() == ["missing_date", "after_retirement"]
    assert audit["rate_with"].tolist() == [pytest.approx(100 / 20), pytest.approx(np.nan, nan_ok=True)]
    assert audit[["rate_per_100km_year", "effect_pct", "shape", "shape_with"]].isna().all(axis=None)
