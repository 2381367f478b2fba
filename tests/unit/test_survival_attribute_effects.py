"""Hazard ratios of the attributes of cable: found, not invented where the data cannot tell, and left out where rare."""

from __future__ import annotations

import dataclasses

import numpy as np
import pandas as pd

from pipelines.survival.attribute_effects import ATTRIBUTES, compare_attributes
from shared.settings import Settings
from tests.survival_fleets import AS_OF, make_fleet

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
