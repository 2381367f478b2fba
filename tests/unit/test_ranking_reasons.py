"""Whole texts of the reasons."""

from __future__ import annotations

import pandas as pd
import pytest

from pipelines.ranking.reasons import _leading_sections, explain_loops

RECORD = {
    "loop_id": "L1",
    "failures_recorded": 8,
    "expected_recorded": 3.28,
    "multiplier": 1.91,
    "multiplier_lo": 1.01,
    "multiplier_hi": 3.06,
    "expected_failures": 2.44,
    "expected_failures_lo": 1.28,
    "expected_failures_hi": 3.91,
    "last_failure_on": pd.Timestamp("2024-07-11"),
}


def test_a_loop_s_reasons() -> None:
    loop = {
        **RECORD,
        "length_km": 0.77,
        "sections": 4,
        "oldest_installed": pd.Timestamp("1970-05-12"),
        "worst_class": "XLPE/bare/buried",
        "worst_class_km": 0.7,
        "sections_paying": 1,
        "benefit_cost_ratio": 0.423,
    }
    sections = pd.DataFrame(
        {"loop_id": "L1", "section_id": ["s1", "s2", "s3", "s4"], "expected_failures": [1.0, 1.2, 0.14, 0.1]}
    )
    said = (
        "8 failures on record where its class expects 3.3: 1.9 times its class once chance is allowed for "
        "(1.0 to 3.1). 2.4 failures expected in 5 years (1.3 to 3.9). 0.7 of 0.8 km are XLPE/bare/buried, oldest of "
        "1970. 90 % of its expected failures are on s2, s1 (2 of 4 sections). Last failure 2024-07-11. "
        "Replacing the whole loop returns 0.42 "
        "of its cost; 1 of 4 sections pay alone."
    )
    assert explain_loops(pd.DataFrame([loop]), sections, 5.0) == [said]


def lead(expected: list[float]) -> str:
    """What is said of the sections that lead a loop."""
    names = [f"s{place}" for place in range(len(expected))]
    sections = pd.DataFrame({"loop_id": "L1", "section_id": names, "expected_failures": expected})
    loop = {"length_km": 1.0, "sections": 4, "oldest_installed": pd.NaT, "worst_class": "P", "worst_class_km": 0.04}
    loop |= {"sections_paying": 0, "benefit_cost_ratio": 0.0}
    said = explain_loops(pd.DataFrame([RECORD | loop]), sections, 2.5)[0]
    begin, end = "no installation date known.", "Last failure 2024-07-11."
    return said[said.index(begin) + len(begin) : said.index(end)].strip()


@pytest.mark.parametrize(
    ("expected", "said"),
    [
        ([1.0, 1.0, 1.0], ""),  # of three sections nobody asks which lead
        ([0.0, 3.0, 1.0, 0.0], "75 % of its expected failures are on s1 (1 of 4 sections)."),
        # exactly half is half
        ([1.0, 2.0, 1.0, 0.0], "50 % of its expected failures are on s1 (1 of 4 sections)."),
        ([1.0, 1.0, 1.0, 1.0], "50 % of its expected failures are on s0, s1 (2 of 4 sections)."),
        ([1.0, 1.0, 1.0, 1.0, 1.0], "60 % of its expected failures are on s0, s1, s2 (3 of 5 sections)."),
        ([1.0] * 7, ""),  # it takes four
        ([0.0] * 4, ""),
    ],
)
def test_few_sections_that_carry_half_are_named(expected: list[float], said: str) -> None:
    assert lead(expected) == said


def test_the_leading_sections_are_those_of_each_loop() -> None:
    of_a, of_b = [("A", f"a{k}", e) for k, e in enumerate([1.0, 8, 1, 0])], [("B", "b0", 5.0), ("B", "b1", 1.0)]
    of_c = [("C", f"c{k}", e) for k, e in enumerate([4.0, 1, 5, 0, 0])]
    rows = [row for three in zip(of_c, [*of_a, of_b[0]], [*of_b, *of_b, of_b[0]], strict=True) for row in three]
    sections = pd.DataFrame(rows, columns=["loop_id", "section_id", "expected_failures"]).drop_duplicates()
    assert _leading_sections(sections) == {
        "A": "80 % of its expected failures are on a1 (1 of 4 sections)",
        "C": "50 % of its expected failures are on c2 (1 of 5 sections)",
    }


def test_a_loop_without_a_date_an_exposure_or_a_failure() -> None:
    loop = RECORD | {
        "failures_recorded": 1,
        "expected_recorded": 0.0,
        "expected_failures": 1.0,
        "last_failure_on": pd.NaT,
        "length_km": 0.16,
        "sections": 1,
        "oldest_installed": pd.NaT,
        "worst_class": "P",
        "worst_class_km": 0.04,
        "sections_paying": 0,
        "benefit_cost_ratio": 1.0,
    }
    none = pd.DataFrame({"loop_id": ["L2"], "section_id": ["s"], "expected_failures": [1.0]})
    told = (
        "{}: 1.9 times its class once chance is allowed for (1.0 to 3.1). 1.0 failures expected in 2.5 years "
        "(1.3 to 3.9). 0.0 of 0.2 km are P, no installation date known. No failure on record. Replacing the whole loop "
        "returns 1.00 of its cost; 0 of 1 section pay alone."
    )
    no_time = told.format("1 failure on record, no time observed to compare").replace("compare:", "compare;")
    assert explain_loops(pd.DataFrame([loop]), none, 2.5) == [no_time]
    little = explain_loops(pd.DataFrame([loop | {"expected_recorded": 0.4}]), none, 2.5)
    assert little == [told.format("1 failure on record where its class expects 0.4")]
