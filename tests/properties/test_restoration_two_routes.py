"""Random fleets: the tables equal a plain recomputation, job by job, in Python."""

from __future__ import annotations

import datetime as dt
import os
from collections import defaultdict

import numpy as np
import pandas as pd
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from pipelines import warehouse
from pipelines.restoration.what_if import LEVERS, find_savings
from pipelines.warehouse import read_query
from shared.settings import Restoration
from tests.restoration_models import build_restoration

FLEETS = 100 if os.environ.get("LOOPWEAR_FULL") == "1" else 6

START = dt.datetime(2018, 12, 30, tzinfo=dt.UTC)
DISTRICTS = {"D1": 5000, "D2": 800}
LOOPS = {"L1": "D1", "L2": "D1", "L3": "D2"}
RADIAL = "L3"

minutes = st.integers(0, 300)


@st.composite
def jobs(draw):
    found = []
    for n in range(draw(st.integers(1, 12))):
        reported = START + dt.timedelta(minutes=draw(st.integers(0, 6000)))
        spans = {
            "dispatched_at": draw(st.none() | minutes),
            "arrived_at": draw(st.none() | minutes),
            "located_at": draw(st.none() | minutes),
        }
        stamps, clock = {}, 0
        for name, span in spans.items():
            clock += span or 0
            stamps[name] = None if span is None else clock
        restored = clock + draw(minutes)
        customers = draw(st.none() | st.integers(0, 200))
        steps = draw(
            st.lists(
                st.tuples(st.integers(0, restored), st.integers(1, 60)), max_size=4, unique_by=lambda pair: pair[0]
            )
        )
        found.append(
            {
                "job_id": f"J{n:02}",
                "loop": draw(st.sampled_from(sorted(LOOPS))),
                "reported": reported,
                "stamps": stamps,
                "restored": restored,
                "customers": customers,
                "steps": steps,
            }
        )
    return found


def write_fleet(make_warehouse, fleet):
    def at(job, minute):
        return None if minute is None else (job["reported"] + dt.timedelta(minutes=minute)).isoformat()

    con = make_warehouse({}, build=())
    tables = {
        "districts": pd.DataFrame(
            [
                {"district_id": d, "timezone": "UTC", "recorded_from": "2000-01-01", "customers_served": n}
                for d, n in DISTRICTS.items()
            ]
        ),
        "loops": pd.DataFrame(
            [
                {"loop_id": name, "district_id": d, "configuration": "radial" if name == RADIAL else "loop"}
                for name, d in LOOPS.items()
            ]
        ),
        "jobs": pd.DataFrame(
            [
                {
                    "job_id": j["job_id"],
                    "loop_id": j["loop"],
                    "reported_at": at(j, 0),
                    "restored_at": at(j, j["restored"]),
                    **{name: at(j, m) for name, m in j["stamps"].items()},
                    "customers_interrupted": j["customers"],
                }
                for j in fleet
            ]
        ).astype({"customers_interrupted": "Int64"}),
        "restoration_steps": pd.DataFrame(
            [
                {"job_id": j["job_id"], "step_at": at(j, m), "customers_restored": c}
                for j in fleet
                for m, c in j["steps"]
            ],
            columns=["job_id", "step_at", "customers_restored"],
        ),
    }
    return build_restoration(con, tables, only_summary=True)


def blocks_of(job):
    return job["steps"] or ([] if job["customers"] is None else [(job["restored"], job["customers"])])


def recompute(fleet):
    """Figures by year, by the words of the definitions, with loops over customers' blocks."""
    years = sorted({j["reported"].year for j in fleet})
    served = sum(DISTRICTS.values())
    figures = defaultdict(float)
    for job in fleet:
        year = job["reported"].year
        figures[year, "jobs"] += 1
        blocks = blocks_of(job)
        figures[year, "customer_minutes"] += sum(c * m for m, c in blocks)
        customers = job["customers"] if job["customers"] is not None else sum(c for _, c in job["steps"])
        figures[year, "customers"] += customers
        figures[year, "saidi"] += sum(c * m for m, c in blocks if m > 5) / served
        figures[year, "saifi"] += max(customers - sum(c for m, c in blocks if m <= 5), 0) / served
    return years, figures


@settings(max_examples=FLEETS, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(fleet=jobs())
def test_the_summary_equals_a_plain_recomputation(make_warehouse, fleet) -> None:
    con = write_fleet(make_warehouse, fleet)
    years, figures = recompute(fleet)
    rows = con.execute("""
        select group_name, jobs, customer_minutes, customers_interrupted, saidi_min, saifi
        from marts.restoration_summary where grouped_by = 'year' order by group_name
    """).fetchall()
    assert [int(r[0]) for r in rows] == years
    for name, count, total, customers, saidi, saifi in rows:
        year = int(name)
        assert count == figures[year, "jobs"]
        assert (total or 0) == pytest.approx(figures[year, "customer_minutes"])
        assert (customers or 0) == figures[year, "customers"]
        assert (saidi or 0) == pytest.approx(figures[year, "saidi"])
        assert (saifi or 0) == pytest.approx(figures[year, "saifi"])

    locate = [
        j["stamps"]["located_at"] - j["stamps"]["arrived_at"]
        for j in fleet
        if None not in (j["stamps"]["located_at"], j["stamps"]["arrived_at"])
    ]
    mean, median, p90, without = con.execute("""
        select mean_time_to_locate_min, median_time_to_locate_min, p90_time_to_locate_min, jobs_without_locate
        from marts.restoration_summary where grouped_by = 'all'
    """).fetchone()
    assert without == len(fleet) - len(locate)
    if locate:
        assert mean == pytest.approx(np.mean(locate))
        assert median == pytest.approx(np.median(locate))
        assert p90 == pytest.approx(np.quantile(locate, 0.9))
    for path in (*warehouse.SQL.glob("checks/job_stages__*.sql"), *warehouse.SQL.glob("checks/restoration_*.sql")):
        assert con.execute(path.read_text(encoding="utf-8")).fetchall() == [], path.stem


@settings(max_examples=FLEETS, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(fleet=jobs())
def test_minutes_by_stage_equal_a_count_minute_by_minute(make_warehouse, fleet) -> None:
    con = write_fleet(make_warehouse, fleet)
    rows = con.execute("""
        select job_id, report_to_dispatch_customer_minutes, dispatch_to_arrive_customer_minutes,
            arrive_to_locate_customer_minutes, locate_to_restore_customer_minutes, unsplit_customer_minutes
        from core.job_stages order by job_id
    """).fetchall()
    for job, row in zip(fleet, rows, strict=True):
        stamps = job["stamps"]
        marks = [0, stamps["dispatched_at"], stamps["arrived_at"], stamps["located_at"], job["restored"]]
        expected = [0.0] * 5
        for minutes_out, customers in blocks_of(job):
            for minute in range(minutes_out):
                home = [
                    k
                    for k in range(4)
                    if marks[k] is not None and marks[k + 1] is not None and marks[k] <= minute < marks[k + 1]
                ]
                expected[home[0] if home else 4] += customers
        assert list(row[1:]) == pytest.approx([e if blocks_of(job) else row[n + 1] for n, e in enumerate(expected)])


def minutes_left(job, pulled, s: Restoration) -> float:
    """Customer-minutes of a job replayed with levers pulled, one block of customers after the other."""
    dispatched, arrived, located = (job["stamps"][f"{name}_at"] for name in ("dispatched", "arrived", "located"))
    night = not 6 <= job["reported"].hour < 22
    total = 0.0
    for out, customers in blocks_of(job):
        left = float(out)
        if arrived is not None and out >= arrived:
            gained = min(arrived, s.arrive_sooner_min) if "arrive_sooner" in pulled else 0
            if "second_crew_at_night" in pulled and night and dispatched is not None:
                gained += (1 - s.second_crew_travel_share) * max(arrived - dispatched - gained, 0)
            left -= gained
        if arrived is not None and located is not None:
            share = s.search_share if "search_shorter" in pulled else 1
            share *= s.indicator_search_share if "fault_indicators" in pulled and job["loop"] == "L2" else 1
            share *= s.second_crew_search_share if "second_crew_at_night" in pulled and night else 1
            left -= (1 - share) * (min(out, located) - min(out, arrived))
        if located is not None and out > located:
            if job["loop"] != RADIAL and "switch_sooner" in pulled:
                left -= min(out - located, s.switch_sooner_min)
            if job["loop"] == RADIAL and "temporary_feed" in pulled:
                left -= s.feed_share * max(out - located - s.feed_after_min, 0)
        assert left >= 0
        total += customers * left
    return total


PULLED = Restoration(indicator_loops="L2, L9", feed_after_min=120.0, search_share=0.4)


@settings(max_examples=FLEETS, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(fleet=jobs())
def test_levers_equal_a_replay_of_every_block(make_warehouse, fleet) -> None:
    found = read_query(write_fleet(make_warehouse, fleet), "restoration/jobs").sort_values("job_id", ignore_index=True)
    before = [minutes_left(job, (), PULLED) for job in fleet]
    for levers in (*((lever,) for lever in LEVERS), LEVERS[:2], LEVERS[2:], LEVERS):
        saved = find_savings(found, levers, PULLED).fillna(0.0).sum(axis=1)
        after = [minutes_left(job, levers, PULLED) for job in fleet]
        assert saved.tolist() == pytest.approx([b - a for b, a in zip(before, after, strict=True)])


@settings(max_examples=FLEETS, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(fleet=jobs(), order=st.permutations(["dispatched_at", "arrived_at", "located_at"]))
def test_no_minute_is_saved_twice_whatever_the_order_of_the_stamps(make_warehouse, fleet, order) -> None:
    for job in fleet:
        job["stamps"] = dict(zip(order, job["stamps"].values(), strict=True))
    found = read_query(write_fleet(make_warehouse, fleet), "restoration/jobs").sort_values("job_id", ignore_index=True)
    most = Restoration(arrive_sooner_min=240, search_share=0, switch_sooner_min=500, feed_after_min=0, feed_share=1)
    for s in (PULLED, most):
        together = find_savings(found, LEVERS, s).fillna(0.0)
        alone = pd.concat([find_savings(found, (lever,), s) for lever in LEVERS], axis=1).fillna(0.0)
        assert (together >= 0).all(axis=None) and (together <= alone + 1e-6).all(axis=None)
        assert (together.sum(axis=1) <= found["customer_minutes"].fillna(0.0) + 1e-6).all()
