"""Lengths of the register against readings of cable ends."""

from __future__ import annotations

import pandas as pd
import pytest

from pipelines.locating.register import find_contradicted_lengths

SECTIONS = pd.DataFrame(
    {
        "section_id": ["S1", "S2", "S3"],
        "loop_id": "L1",
        "cable_class": "XLPE/bare/buried",
        "length_m": [100.0, 80.0, 120.0],
    }
)


def found_for(paths: dict[str, list[str]], excess: dict[str, float], error: float = 1.0) -> pd.DataFrame:
    spans = pd.DataFrame([(r, s) for r, path in paths.items() for s in path], columns=["reading_id", "section_id"])
    readings = pd.DataFrame({"reading_id": list(excess), "excess_m": list(excess.values()), "standard_error_m": error})
    return find_contradicted_lengths(spans.astype("str"), readings.astype({"reading_id": "str"}), SECTIONS).set_index(
        "section_id"
    )


def test_a_length_in_feet_is_named() -> None:
    # 100 m on the register stand for 100 ft of cable
    found = found_for({"r1": ["S1"], "r2": ["S1"]}, {"r1": 100 * (0.3048 - 1), "r2": 100 * (0.3048 - 1) + 0.5})
    assert found.loc["S1", "is_contradicted"]
    assert found.loc["S1", "implied_length_m"] == pytest.approx(30.5, abs=2.0)
    assert found.loc["S1", "likely_slip"] == "feet standing as metres in the register"


def test_paths_of_several_sections_give_the_difference_to_the_right_one() -> None:
    found = found_for(
        {"r1": ["S1"], "r2": ["S1", "S2"], "r3": ["S1", "S2", "S3"], "r4": ["S3"]},
        {"r1": 0.2, "r2": 15.1, "r3": 14.8, "r4": -0.3},
    )
    assert list(found.index[found["is_contradicted"]]) == ["S2"]
    assert found.loc["S2", "difference_m"] == pytest.approx(15, abs=1.0)
    assert found.index[0] == "S2"  # strongest evidence first


def test_lengths_within_the_noise_are_left_alone() -> None:
    assert not found_for({"r1": ["S1"], "r2": ["S2"]}, {"r1": 2.0, "r2": -2.0})["is_contradicted"].any()


def test_readings_that_disagree_are_weaker_evidence() -> None:
    agree = found_for({"r1": ["S1"], "r2": ["S1"]}, {"r1": 10.0, "r2": 10.0})
    differ = found_for({"r1": ["S1"], "r2": ["S1"]}, {"r1": 20.0, "r2": 0.0})
    assert differ.loc["S1", "evidence_se"] < 0.5 * agree.loc["S1", "evidence_se"]


def test_nothing_read_gives_no_row() -> None:
    nothing, one = found_for({}, {}), found_for({"r1": ["S3"]}, {"r1": 0.0})
    assert nothing.empty
    assert list(nothing.columns) == list(one.columns)
    assert one[["readings", "length_m", "difference_m", "is_contradicted"]].to_numpy().tolist() == [[1, 120, 0, False]]
