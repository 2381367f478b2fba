"""Hazard ratios of the attributes of cable: found, not invented where the data cannot tell, and left out where rare."""

from __future__ import annotations

import dataclasses

import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_allclose
from scipy.stats import t

from pipelines.survival import attribute_effects
from pipelines.survival.attribute_effects import ATTRIBUTES, compare_attributes
from shared import dictionary
from shared.settings import Settings
from tests.survival_fleets import AS_OF, make_fleet, small_history

SETTINGS = Settings().override("general", as_of=AS_OF)


def plant(seed: int, ratio: float, loops: int = 200):
    """A fleet in which half the loops lie in district D2, and fail so many times as often: the others lose failures."""
    history = make_fleet(seed, loops=loops, loop_variance=0.2, section_variance=0.2).history
    rng = np.random.default_rng(seed)
    loop_ids = history.sections["loop_id"].unique()
    there = rng.permutation(loop_ids)[: len(loop_ids) // 2]
    sections = history.sections.assign(district_id=np.where(history.sections["loop_id"].isin(there), "D2", "D1"))
    thinned = ~history.failures["loop_id"].isin(there) & (rng.random(len(history.failures)) > 1.0 / ratio)
    return dataclasses.replace(history, sections=sections, failures=history.failures[~thinned].reset_index(drop=True))


def of(table: pd.DataFrame, attribute: str, value: str) -> pd.Series:
    return table.set_index(["attribute", "attribute_value"]).loc[(attribute, value)]


def test_a_planted_ratio_is_found_and_its_limits_hold_it() -> None:
    held, ratios = 0, []
    for seed in range(12):
        row = of(compare_attributes(plant(seed, 2.0), SETTINGS), "district_id", "D1")
        assert row["reference_value"] == "D2"
        held += row["hazard_ratio_lo"] <= 0.5 <= row["hazard_ratio_hi"]
        ratios.append(row["hazard_ratio"])
    assert held >= 8  # of 12 at 90 %: fewer than 8 come by chance once in 200
    assert abs(np.mean(np.log(ratios)) - np.log(0.5)) < 0.12


def test_classes_that_differ_in_everything_cannot_be_told_apart() -> None:
    table = compare_attributes(make_fleet(1, loops=500).history, SETTINGS)
    # the fleet's insulations each have one neutral and one installation
    for attribute in ("neutral", "installation"):
        rows = table[table["attribute"].eq(attribute) & table["attribute_value"].ne(table["reference_value"])]
        assert set(rows["attribute_verdict"]) == {"not_separable"}
        assert rows["hazard_ratio"].isna().all()


def test_a_value_with_few_failures_takes_no_part() -> None:
    history = make_fleet(1).history
    few = history.sections["loop_id"].eq(history.sections["loop_id"].iloc[0])
    sections = history.sections.assign(district_id=np.where(few, "D9", "D1"))
    failures = history.failures[~history.failures["section_id"].isin(sections.loc[few, "section_id"])]
    with_it = compare_attributes(dataclasses.replace(history, sections=sections, failures=failures), SETTINGS)
    without = compare_attributes(dataclasses.replace(history, sections=sections[~few], failures=failures), SETTINGS)
    assert of(with_it, "district_id", "D9")["attribute_verdict"] == "too_few"
    vintage = with_it["attribute"].eq("vintage") & with_it["hazard_ratio_lo"].notna()
    assert vintage.any()
    left = with_it[vintage].set_index("attribute_value")["hazard_ratio"]
    right = without[without["attribute"].eq("vintage")].set_index("attribute_value")["hazard_ratio"]
    np.testing.assert_allclose(left, right[left.index])


def test_each_attribute_shares_out_the_same_failures_and_exposure() -> None:
    history = plant(3, 2.0)
    table = compare_attributes(history, SETTINGS)
    taking_part = table[table["attribute_verdict"].ne("too_few")]
    sums = taking_part.groupby("attribute")[["failures", "exposure_km_years"]].sum()
    assert set(sums.index) == set(ATTRIBUTES)
    np.testing.assert_allclose(sums, np.broadcast_to(sums.iloc[0], sums.shape))
    first_dropped = table[table["attribute_verdict"].eq("too_few")]["failures"].sum()
    assert sums["failures"].iloc[0] + first_dropped == history.failures["is_counted"].sum()


def test_no_failure_gives_an_empty_table() -> None:
    history = make_fleet(1, loops=5).history
    nothing = compare_attributes(dataclasses.replace(history, failures=history.failures.head(0)), SETTINGS)
    assert nothing.empty
    assert list(nothing.columns) == list(compare_attributes(history, SETTINGS).columns)


def day(year: int, days: int = 0) -> str:
    return str(np.datetime64(f"{year}-01-01") + days)


def test_a_ratio_and_its_limits_by_hand() -> None:
    """Two districts of 8 and 4 km at risk at the same ages: by km 6 failures to 2, so the ratio is 2/4 over 6/8.

    Section 0 was injected on the day of its fifth failure; one failure falls on the day of entry, at risk a day later.
    """
    sections = [
        {"length_km": 5.0, "rejuvenated_on": "2016-01-01"},
        {
            "length_km": 4.0,
            "district_id": "D2",
            "loop_id": "L2",
            "rejuvenated_on": "2024-01-01",
            "retired_on": "2016-01-01",
        },
        {"installed_on": None, "is_installed_on_known": False},
        {"length_km": 3.0, "rejuvenated_on": "2016-01-01", "loop_id": "L3"},
        {"rejuvenated_on": "1996-01-01"},  # never seen untreated
    ]
    at = [day(2000), *(day(2004, n) for n in range(3)), day(2016), day(2016, 1)]
    failures = [{"section_id": "S0", "failed_on": each} for each in at]
    failures += [{"section_id": "S1", "failed_on": day(2008, n)} for n in range(2)]
    failures += [{"section_id": s, "failed_on": day(2004, 3)} for s in ("S3", "S4")]
    failures += [{"section_id": "S1", "failed_on": day(2008, 9), "why_not": "excluded_cause"}]
    failures += [{"section_id": "S2", "failed_on": day(2008, 9), "why_not": "undated_section"}]
    history = small_history(sections, failures)
    table = compare_attributes(history, SETTINGS.override("survival", min_failures=2))
    assert tuple(table.columns) == dictionary.tables()["marts.attribute_effects"].columns
    assert table["attribute"].tolist() == ["neutral", "installation", "vintage", "district_id", "district_id"]
    assert table["attribute_value"].tolist() == ["bare", "buried", "1980-1989", "D1", "D2"]
    assert table["reference_value"].tolist() == ["bare", "buried", "1980-1989", "D1", "D1"]
    assert table["sections"].tolist() == [4, 4, 4, 3, 1]
    assert table["failures"].tolist() == [8, 8, 8, 6, 2]
    assert table["exposure_km_years"].tolist() == [192, 192, 192, 128, 64]
    assert table["attribute_verdict"].tolist() == ["reference"] * 4 + ["within_chance"]
    assert (table["hazard_ratio"][:4] == 1).all()
    assert table["hazard_ratio_lo"][:4].isna().all()
    last = table.iloc[-1]
    assert last["hazard_ratio"] == pytest.approx((2 / 4) / (6 / 8))
    # score residuals of the loops of D1, five and three of its km with five failures and one: p too few is p too many
    share = 2 / 8
    own = share * (np.array([5, 1]) - 6 * np.array([5, 3]) / 8)
    known = 8 * share * (1 - share)
    # of three loops, one coefficient; the loops differ less than the model alone would have it
    assert (own**2).sum() / known * 3 / 2 < 1.0
    spread = t.ppf(0.95, 2) / np.sqrt(known)
    limits = last["hazard_ratio"] * np.exp([-spread, spread])
    assert_allclose([last["hazard_ratio_lo"], last["hazard_ratio_hi"]], limits, rtol=1e-9)
    few = compare_attributes(history, SETTINGS.override("survival", min_failures=3))
    d2 = of(few, "district_id", "D2")
    assert (d2["attribute_verdict"], d2["failures"], d2["reference_value"]) == ("too_few", 2, "D1")
    assert np.isnan(d2["hazard_ratio"])
    # without D2 the others have its section no more
    assert of(few, "neutral", "bare")[["sections", "failures"]].tolist() == [3, 6]
    assert few["attribute"].tolist() == table["attribute"].tolist()


def test_limits_of_loops_that_differ_widen_with_their_number() -> None:
    """Two districts alike in km; all failures of D2 on one of its two loops, so that loops vary more than the model."""
    sections = [{"loop_id": f"L{n}", "district_id": f"D{1 + n // 2}"} for n in range(4)]
    struck = [("S0", 4), ("S1", 3), ("S2", 6)]
    failures = [{"section_id": s, "failed_on": day(2004 + n)} for s, count in struck for n in range(count)]
    row = of(compare_attributes(small_history(sections, failures), SETTINGS), "district_id", "D2")
    # residuals by loop of 13 failures at equal km: own less a quarter of all; by half for D2, less a half for D1
    own = np.array([4, 3, 6, 0]) - np.repeat([7, 6], 2) / 2
    share = 6 / 13
    own = own * np.where(np.arange(4) < 2, -share, 1 - share)
    error = np.sqrt((own**2).sum() * 3 / 2) / (13 * share * (1 - share))
    assert row["hazard_ratio"] == pytest.approx(6 / 7)
    limits = row["hazard_ratio"] * np.exp(np.array([-1, 1]) * t.ppf(0.95, 2) * error)
    assert_allclose([row["hazard_ratio_lo"], row["hazard_ratio_hi"]], limits, rtol=1e-9)


@pytest.mark.parametrize(
    ("p_values", "failures", "clear"),
    [
        # three values against a reference could have been six pairs: 0.1 / 6, then 0.1 / 5, then 0.1 / 4
        ([0.016, 0.019, 0.024], [50, 50, 50], [True, True, True]),
        ([0.016, 0.021, 0.024], [50, 50, 50], [True, False, False]),
        ([0.017, 0.001, 0.5], [50, 50, 50], [True, True, False]),
        ([0.017, 0.5, 0.5], [50, 50, 50], [False, False, False]),
        # what has too few failures for a verdict is no pair: three are left, then one
        ([0.033, 0.049, 0.0], [50, 10, 9], [True, True, False]),
        ([0.034, 0.5, 0.0], [50, 10, 9], [False, False, False]),
        ([0.0, 0.099, 0.0], [9, 10, 9], [False, True, False]),
    ],
)
def test_a_verdict_is_adjusted_for_every_pair(
    monkeypatch: pytest.MonkeyPatch, p_values: list, failures: list, clear: list
) -> None:
    signs, errors = np.array([1.0, -1.0, 1.0]), np.array([0.5, 1.0, 2.0])
    logs = signs * errors * t.isf(np.array(p_values) / 2 + 1e-12, 7)
    monkeypatch.setattr(attribute_effects, "_fit", lambda *_: (logs, errors, 7))
    described = describe(["a", "b", "c", "d"], [60, *failures])
    table = attribute_effects._fill_in(described, None, 0.9)
    words = np.where(clear, np.where(signs > 0, "higher", "lower"), "within_chance")
    assert table["attribute_verdict"].tolist() == ["reference", *words]
    spread = t.ppf(0.95, 7) * errors
    assert_allclose(table["hazard_ratio_lo"][1:], np.exp(logs - spread))
    assert_allclose(table["hazard_ratio_hi"][1:], np.exp(logs + spread))


def describe(values: list[str], failures: list[int]) -> pd.DataFrame:
    described = pd.DataFrame({"attribute": "neutral", "attribute_value": values, "reference_value": values[0]})
    return described.assign(failures=failures, attribute_verdict="reference", hazard_ratio=np.nan)


@pytest.mark.parametrize(
    ("log", "error", "verdict"),
    [(np.nan, np.nan, "not_separable"), (np.inf, np.nan, "too_few"), (-np.inf, 1, "too_few")],
)
def test_what_cannot_be_told_has_no_ratio(
    monkeypatch: pytest.MonkeyPatch, log: float, error: float, verdict: str
) -> None:
    monkeypatch.setattr(attribute_effects, "_fit", lambda *_: (np.array([log]), np.array([error]), 5))
    row = attribute_effects._fill_in(describe(["a", "b"], [50, 50]), None, 0.9).iloc[1]
    assert row["attribute_verdict"] == verdict
    assert row[["hazard_ratio_lo", "hazard_ratio", "hazard_ratio_hi"]].isna().all()
