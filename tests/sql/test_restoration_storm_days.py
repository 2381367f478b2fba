"""core.storm_days and the clusters of core.job_groups: which days are one storm."""

from __future__ import annotations

import pandas as pd

from tests.sql.test_restoration_job_stages import PLACES

YEAR_ONE = pd.Timestamp("2020-01-01").toordinal() - 1
"""Days from the first of January of year 1 to the first of 2020."""


def jobs_of(counts: dict[int, int], major: tuple[int, ...] = ()) -> pd.DataFrame:
    """So many jobs on each day of 2020, counted from 0, on some of which the source marks a major event."""
    days = [day for day, jobs in counts.items() for _ in range(jobs)]
    return pd.DataFrame(
        {
            "job_id": [f"J{n:03}" for n in range(len(days))],
            "loop_id": "L1",
            "reported_at": [pd.Timestamp("2020-01-01 18:00", tz="UTC") + pd.Timedelta(days=day) for day in days],
            "major_event": [day in major for day in days],
        }
    )


def storms_of(make_warehouse, jobs: pd.DataFrame) -> list[tuple[int, int, int]]:
    con = make_warehouse(PLACES | {"jobs": jobs}, build=("staging", "core"))
    found = con.execute("""
        select reported_on - date '2020-01-01', storm_from - date '2020-01-01', jobs
        from core.storm_days order by reported_on
    """).fetchall()
    clusters = con.execute("""
        select distinct job_stages.reported_on - date '2020-01-01', job_groups.cluster
        from core.job_groups as job_groups
        inner join core.job_stages as job_stages using (job_id)
    """).fetchall()
    of_storm = {day: -(YEAR_ONE + first) for day, first, _ in found}
    assert dict(clusters) == {day: of_storm.get(day, YEAR_ONE + day) for day, _ in clusters}
    return found


def test_days_far_above_the_usual_one_are_a_storm(make_warehouse) -> None:
    """A job a day over hundred days, without the five busiest 1 a day: from 1 + 4 + 2 jobs a day stands out."""
    usual = dict.fromkeys(range(100), 1)
    assert storms_of(make_warehouse, jobs_of(usual | {50: 6})) == []
    assert storms_of(make_warehouse, jobs_of(usual | {50: 7})) == [(50, 50, 7)]


def test_such_days_two_apart_are_one_storm_with_the_day_between(make_warehouse) -> None:
    usual = dict.fromkeys(range(100), 1)
    assert storms_of(make_warehouse, jobs_of(usual | {50: 9, 52: 9})) == [(50, 50, 9), (51, 50, 1), (52, 50, 9)]
    assert storms_of(make_warehouse, jobs_of(usual | {50: 9, 53: 9})) == [(50, 50, 9), (53, 53, 9)]
    without = {day: 1 for day in range(100) if day != 51}
    assert storms_of(make_warehouse, jobs_of(without | {50: 9, 52: 9})) == [(50, 50, 9), (52, 50, 9)]


def test_a_day_marked_as_a_major_event_is_one_of_a_storm(make_warehouse) -> None:
    usual = dict.fromkeys(range(100), 1)
    assert storms_of(make_warehouse, jobs_of(usual, major=(20, 21))) == [(20, 20, 1), (21, 20, 1)]


def test_days_without_a_job_make_the_usual_day_small(make_warehouse) -> None:
    """Ten jobs in hundred days, five of them on the busiest: 5 / 95 a day, so three jobs stand out and two do not."""
    rare = dict.fromkeys(range(0, 100, 11), 1)
    assert storms_of(make_warehouse, jobs_of(rare | {33: 2})) == []
    assert storms_of(make_warehouse, jobs_of(rare | {33: 3})) == [(33, 33, 3)]
