"""The time line of the invented jobs, and who worked on them."""

import numpy as np
import pandas as pd
import pytest

from synthetic_data.demo import make_tables
from synthetic_data.jobs import half_loop_positions


@pytest.fixture(scope="module")
def tables():
    return make_tables(150, 3)


def test_the_time_line_of_every_job_is_in_order(tables):
    jobs = tables["jobs"]
    for earlier, later in (
        ("reported_at", "dispatched_at"),
        ("dispatched_at", "arrived_at"),
        ("arrived_at", "located_at"),
        ("located_at", "restored_at"),
        ("located_at", "pinpointed_at"),
        ("pinpointed_at", "repaired_at"),
        ("repaired_at", "normal_at"),
        ("normal_at", "closed_at"),
        ("restored_at", "closed_at"),
    ):
        assert (jobs[later] >= jobs[earlier]).all(), (earlier, later)
    assert (jobs["closed_at"] < pd.Timestamp("2026-01-01", tz="UTC")).all()


def test_steps_add_up_and_the_last_is_the_restoration(tables):
    jobs = tables["jobs"].set_index("job_id")
    steps = tables["restoration_steps"].groupby("job_id")
    total = steps["customers_restored"].sum()
    assert (total == jobs["customers_interrupted"].reindex(total.index)).all()
    # restored_at may follow the last step by the walk back to the fault, never precede it
    assert (steps["step_at"].max() <= jobs["restored_at"].reindex(total.index)).all()
    assert (tables["restoration_steps"]["customers_restored"] > 0).all()


def test_half_loops_run_from_their_source_to_the_open_point():
    assert half_loop_positions(7, 4, 2, is_radial=False) == [1, 2, 3, 4]
    assert half_loop_positions(7, 4, 6, is_radial=False) == [7, 6, 5]
    assert half_loop_positions(5, 5, 5, is_radial=True) == [1, 2, 3, 4, 5]


def test_a_radial_waits_for_the_repair(tables):
    jobs = tables["jobs"].merge(tables["loops"][["loop_id", "configuration"]], on="loop_id")
    hours = (jobs["restored_at"] - jobs["reported_at"]).dt.total_seconds() / 3600
    by_kind = hours.groupby(jobs["configuration"]).median()
    assert by_kind["radial"] > 3 * by_kind["loop"]
    waiting = jobs[(jobs["configuration"] == "radial") & (jobs["restored_at"] > jobs["repaired_at"])]
    np.testing.assert_allclose((waiting["restored_at"] - waiting["repaired_at"]).dt.total_seconds() / 60, 15, atol=1)


def test_crews_stay_in_their_district_but_for_the_night_pool(tables):
    jobs = tables["jobs"].merge(tables["loops"][["loop_id", "district_id"]], on="loop_id")
    by_day = jobs[jobs["crew_id"] != "NP-1"]
    assert (by_day["crew_id"].str[:2] == by_day["district_id"]).all()
    pool = jobs[jobs["crew_id"] == "NP-1"]
    hour = pool["reported_at"].dt.tz_convert("America/Chicago").dt.hour
    # the report may follow the start by minutes to an hour
    assert ((hour >= 22) | (hour <= 7)).all()


def test_dig_ins_come_on_working_days_of_the_digging_season(tables):
    dig_ins = tables["jobs"].query("cause == 'dig_in'")
    local = dig_ins["reported_at"].dt.tz_convert("America/Chicago")
    assert len(local) > 5
    assert (local.dt.day_of_week < 5).all()
    assert local.dt.month.between(2, 12).all()


def test_long_jobs_close_later(tables):
    jobs = tables["jobs"]
    lasted = np.log((jobs["restored_at"] - jobs["reported_at"]).dt.total_seconds())
    last = jobs[["normal_at", "restored_at"]].max(axis=1)
    lag = np.log((jobs["closed_at"] - last).dt.total_seconds() + 60)
    # 0.5 is meant; the lags are cut by the extract and floored to the minute
    assert 0.35 < np.corrcoef(lasted, lag)[0, 1] < 0.65
