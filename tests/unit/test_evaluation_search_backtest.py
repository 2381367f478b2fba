"""Tests of past jobs: used, and what each order would have needed."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from pipelines.evaluation.search_backtest import backtest_searches
from shared import dictionary

JOBS = pd.DataFrame(
    {
        "district_id": ["D1", "D1", "D1", "D2"],
        "tests": [3.0, 2.0, 4.0, 1.0],
        "chances": [[2, 1, 1], [2.0, 1.0, 1.0], [1.0, 1.0, 4.0, 2.0], [1.0, 3.0]],
        "place": [1, 3, 3, 1],
    }
)


def test_the_order_is_followed_to_the_section_at_fault() -> None:
    found = backtest_searches(JOBS, 0.9).set_index("group_name")
    assert list(found.index) == ["all", "D1", "D2"]
    # chances 1/2 1/4 1/4: one test, then two; 1/8 1/8 4/8 2/8: the third section after two at best
    first = found.loc["D1"]
    assert first["jobs"] == 3
    assert first["mean_tests"] == 3
    assert first["mean_sequence_tests"] == pytest.approx((1 + 2 + 2) / 3)
    assert first["mean_outward_tests"] == pytest.approx((1 + 2 + 3) / 3)
    assert first["mean_halving_tests"] == pytest.approx((1 + 2 + 2) / 3)
    assert first["mean_expected_tests"] == pytest.approx((1.5 + 1.5 + 2.0) / 3)
    assert first["mean_entropy_bits"] == pytest.approx((1.5 + 1.5 + 1.75) / 3)
    saved = np.array([2, 0, 2])
    lo, hi = stats.t.interval(0.9, 2, saved.mean(), stats.sem(saved))
    assert (first["saved_tests"], first["saved_tests_lo"], first["saved_tests_hi"]) == pytest.approx((4 / 3, lo, hi))
    assert (first["saved_on_halving"], first["saved_on_halving_lo"], first["saved_on_halving_hi"]) == (0, 0, 0)
    alone = found.loc["D2"]
    assert alone["saved_tests"] == 0 and np.isnan(alone["saved_tests_lo"])
    assert found.loc["all", "jobs"] == 4


def test_it_has_the_columns_of_the_dictionary_and_is_empty_without_jobs() -> None:
    table = dictionary.tables()["marts.search_backtest"]
    assert list(backtest_searches(JOBS, 0.9)) == list(table.columns)
    assert backtest_searches(JOBS.iloc[:0], 0.9).empty
