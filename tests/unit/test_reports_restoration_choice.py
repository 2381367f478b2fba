"""Minutes by stage for a part of the jobs: the limits against a bootstrap, the cells against the jobs."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import scipy.stats

from reports.pages import restoration_choice
from shared.store import Workspace, open_warehouse, read_model
from tests.report_marts import write_small_marts


def test_limits_agree_with_a_percentile_bootstrap() -> None:
    """scipy.stats.bootstrap, percentile method, 20,000 replicates; ends within a tenth of a standard error."""
    minutes = np.random.default_rng(3).gamma(1.2, 80.0, 150).round()
    found = restoration_choice.summarise(minutes, 0.90)
    drawn = scipy.stats.bootstrap(
        (minutes,), np.mean, confidence_level=0.90, method="percentile", n_resamples=20_000,
        rng=np.random.default_rng(4),
    ).confidence_interval  # fmt: skip
    error = minutes.std() / len(minutes) ** 0.5
    assert found["mean_lo"] == pytest.approx(drawn.low, abs=0.1 * error)
    assert found["mean_hi"] == pytest.approx(drawn.high, abs=0.1 * error)


def test_percentiles_and_shares_are_those_of_numpy() -> None:
    minutes = np.array([10.0, 20.0, 30.0, 250.0, 490.0])
    found = restoration_choice.summarise(minutes, 0.90)
    assert found["median_min"] == 30
    assert found["p90_min"] == pytest.approx(250 + 0.6 * (490 - 250))  # place 0.9 x 4 = 3.6
    assert (found["over_4_h"], found["over_8_h"]) == (pytest.approx(2 / 5), pytest.approx(1 / 5))


def test_no_jobs_have_no_mean() -> None:
    found = restoration_choice.summarise(np.array([]), 0.90)
    assert found["jobs"] == 0
    assert np.isnan(found["mean_min"])


def test_one_job_has_limits_of_no_width() -> None:
    found = restoration_choice.summarise(np.array([42.0]), 0.90)
    assert (found["mean_lo"], found["mean_hi"]) == (42.0, 42.0)


def test_the_cells_hold_every_job_once(tmp_path: Path) -> None:
    con = open_warehouse(Workspace(tmp_path))
    write_small_marts(con)
    jobs = read_model(con, "core.job_stages")
    made = restoration_choice.cells_of(jobs, 0.90)
    rebuilt = pd.DataFrame(
        [(made["districts"][d], y, s, m) for d, y, s, minutes, times in made["cells"]
         for m, n in zip(minutes, times, strict=True) for _ in range(n)],
        columns=["district_id", "year", "stage", "minutes"],
    )  # fmt: skip
    for place, column in enumerate(restoration_choice.MINUTES.values()):
        part = rebuilt[rebuilt["stage"] == place]
        assert len(part) == jobs[column].notna().sum()
        assert part["minutes"].sum() == pytest.approx(jobs[column].sum())
        one = jobs[(jobs["district_id"] == "Birch") & (jobs["reported_year"] == 2020)][column]
        here = part[(part["district_id"] == "Birch") & (part["year"] == 2020)]["minutes"]
        assert sorted(here) == sorted(one.dropna())
