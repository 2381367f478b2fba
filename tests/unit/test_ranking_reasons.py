"""Whole texts of the reasons."""

from __future__ import annotations

import pandas as pd

from pipelines.ranking.reasons import explain_loops

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
