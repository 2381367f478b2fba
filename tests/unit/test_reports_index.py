"""The first page: what needs attention is counted from the marts, and small charts hold their numbers."""

from __future__ import annotations

import pandas as pd

from reports.figures.small import bars
from reports.pages.index import attention, charts
from tests.report_marts import Given, filled

QUARANTINE = pd.DataFrame(
    {
        "batch": "b1", "table": "jobs", "file": "jobs.csv", "row_number": [2, 2, 3, 4],
        "rule": ["a", "b", "a", "c"], "severity": ["reject", "reject", "reject", "warn"], "column": "x",
    }
)  # fmt: skip


def test_what_waits_is_counted_once() -> None:
    given = Given(
        {
            "marts.quarantine": filled("marts.quarantine", QUARANTINE),
            "marts.instrument_bias": filled(
                "marts.instrument_bias",
                pd.DataFrame({"instrument_id": ["R-1", "R-2"], "verdict": ["out_of_tolerance", "in_tolerance"]}),
            ),
            "marts.job_clusters": filled(
                "marts.job_clusters", pd.DataFrame({"job_id": ["A", "B"], "cluster_decision": [None, "separate"]})
            ),
        }
    )
    said = attention(given)  # type: ignore[arg-type]
    assert said[0].startswith("1 instrument out of tolerance: R-1.")
    assert said[1].startswith("2 rows rejected and left out.")
    assert said[2].startswith("1 pair of jobs may be one job entered twice")
    assert len(said) == 3
    assert attention(Given({})) == ()  # type: ignore[arg-type]


def test_the_first_loops_are_drawn_by_what_ranks_them() -> None:
    ranked = pd.DataFrame(
        {
            "loop_id": ["B", "A"],
            "rank": [2, 1],
            "expected_rate_per_100km_year": [20.0, 30.0],
            "expected_failures": [9, 1],
        }
    )
    drawn = charts(Given({"marts.loop_ranking": filled("marts.loop_ranking", ranked)}))  # type: ignore[arg-type]
    assert "Failures expected per 100 km and year, first loops: A 30.0; B 20.0" in drawn["replacement"]
    assert drawn["restoration"] == drawn["locating"] == ""


def test_bars_are_drawn_from_a_common_zero() -> None:
    drawn = str(bars("Points [%]", ["<A>", "B"], [-1.0, 3.0], 1))
    assert drawn.count("<rect") == 2 and "&lt;A&gt;" in drawn and "<A>" not in drawn
    assert 'width="37.5"' in drawn and 'width="112.5"' in drawn  # a quarter and three quarters of 150
    assert "Points [%]: &lt;A&gt; −1.0; B 3.0" in drawn
    assert bars("Nothing", [], [], 1) == ""
