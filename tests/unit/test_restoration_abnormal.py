"""Days away from the normal open point."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from pipelines.restoration.abnormal import summarise_abnormal_days


def test_days_shares_and_strandings() -> None:
    jobs = pd.DataFrame(
        {
            "all": "all",
            "reported_on": range(5),
            "abnormal_days": [2.0, 4.0, 12.0, 20.0, np.nan],
            "loop_failures_per_year": [0.1, 0.2, 0.1, 0.5, 9.0],
        }
    )
    found = summarise_abnormal_days(jobs, ("all",), coverage=0.9, replicates=500, rng=np.random.default_rng(1)).iloc[0]
    assert found["jobs"] == 4
    assert found["mean_days"] == pytest.approx((2 + 4 + 12 + 20) / 4)
    assert found["median_days"] == pytest.approx(8)
    assert found["share_over_10_days"] == pytest.approx(2 / 4)
    assert found["abnormal_loop_years"] == pytest.approx(38 / 365.25)
    assert found["expected_strandings"] == pytest.approx((2 * 0.1 + 4 * 0.2 + 12 * 0.1 + 20 * 0.5) / 365.25)


def test_no_jobs_give_no_rows() -> None:
    empty = pd.DataFrame({"all": [], "reported_on": [], "abnormal_days": [], "loop_failures_per_year": []}, dtype=float)
    assert summarise_abnormal_days(empty, ("all",), coverage=0.9, replicates=200, rng=np.random.default_rng(1)).empty
