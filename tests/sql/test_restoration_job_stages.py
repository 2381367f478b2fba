"""core.job_stages and what it stands on: stages, customer-minutes by stage, nights, months, sections on the loop."""

from __future__ import annotations

import datetime as dt

import pytest

from shared.settings import Settings

PLACES = {
    "districts": """
        district_id | timezone        | recorded_from | customers_served
        D1          | America/Chicago | 2006-01-01    | 1000
    """,
    "loops": """
        loop_id | district_id | configuration
        L1      | D1          | loop
    """,
}

JOB = """
    job_id|loop_id|reported_at|dispatched_at|arrived_at|located_at|restored_at|customers_interrupted
    J1|L1|2020-03-01 12:00Z|2020-03-01 12:10Z|2020-03-01 12:40Z|2020-03-01 13:40Z|2020-03-01 14:00Z|100
"""


def row_of(con, job_id: str = "J1", table: str = "core.job_stages") -> dict:
    found = con.execute(f"select * from {table} where job_id = '{job_id}'").df().to_dict("records")
    assert len(found) == 1
    return found[0]


def test_every_stage_is_the_minutes_between_its_stamps(make_warehouse) -> None:
    row = row_of(make_warehouse(PLACES | {"jobs": JOB}))
    assert [
        row[f"{s}_min"]
        for s in (
            "report_to_dispatch",
            "dispatch_to_arrive",
            "arrive_to_locate",
            "locate_to_restore",
            "report_to_restore",
        )
    ] == [10, 40 - 10, 60, 20, 120]


def test_without_steps_everyone_is_out_until_the_last(make_warehouse) -> None:
    row = row_of(make_warehouse(PLACES | {"jobs": JOB}))
    assert row["customer_minutes"] == row["customer_minutes_naive"] == 100 * 120
    assert row["arrive_to_locate_customer_minutes"] == 100 * 60
    assert row["unsplit_customer_minutes"] == 0


def test_steps_are_charged_to_the_stages_they_sat_through(make_warehouse) -> None:
    # 60 customers come back at 70 minutes, during locating; 40 at the end
    row = row_of(
        make_warehouse(
            PLACES
            | {
                "jobs": JOB,
                "restoration_steps": """
        job_id | step_at     | customers_restored
        J1     | 2020-03-01 13:10Z | 60
        J1     | 2020-03-01 14:00Z | 40
    """,
            }
        )
    )
    assert row["customer_minutes"] == 60 * 70 + 40 * 120
    assert row["customer_minutes_naive"] == 100 * 120
    assert row["report_to_dispatch_customer_minutes"] == 100 * 10
    assert row["dispatch_to_arrive_customer_minutes"] == 100 * 30
    assert row["arrive_to_locate_customer_minutes"] == 60 * 30 + 40 * 60
    assert row["locate_to_restore_customer_minutes"] == 40 * 20


def test_the_sources_own_customer_minutes_win_and_keep_the_split(make_warehouse) -> None:
    jobs = JOB.replace("|customers_interrupted", "|customers_interrupted | customer_minutes").replace(
        "|100", "| 100 | 6000"
    )
    row = row_of(make_warehouse(PLACES | {"jobs": jobs}))
    assert (row["customer_minutes"], row["minutes_from"]) == (6000, "source")
    assert row["arrive_to_locate_customer_minutes"] == 6000 * 60 / 120


def test_minutes_no_stage_can_claim_are_kept_apart(make_warehouse) -> None:
    # without the arrival neither travel nor locating can be told; the report to dispatch and the end can
    row = row_of(make_warehouse(PLACES | {"jobs": JOB.replace("|2020-03-01 12:40Z", "|")}))
    assert row["report_to_dispatch_customer_minutes"] == 100 * 10
    assert row["locate_to_restore_customer_minutes"] == 100 * 20
    assert row["unsplit_customer_minutes"] == 100 * (120 - 10 - 20)


def test_customers_back_within_five_minutes_are_momentary(make_warehouse) -> None:
    row = row_of(
        make_warehouse(
            PLACES
            | {
                "jobs": JOB,
                "restoration_steps": """
        job_id | step_at     | customers_restored
        J1     | 2020-03-01 12:05Z | 30
        J1     | 2020-03-01 12:05:01Z | 50
        J1     | 2020-03-01 14:00Z | 20
    """,
            }
        )
    )
    assert row["customers_sustained"] == 100 - 30
    assert row["customer_minutes_sustained"] == pytest.approx(50 * (5 + 1 / 60) + 20 * 120)


def test_a_date_only_stamp_gives_no_length(make_warehouse) -> None:
    jobs = JOB.replace("|customers_interrupted", "|customers_interrupted | repaired_at | date_only_columns").replace(
        "|100", "| 100 | 2020-03-02 06:00Z | repaired_at,closed_at"
    )
    row = row_of(make_warehouse(PLACES | {"jobs": jobs}))
    assert row["repaired_at"] is None or row["repaired_at"] != row["repaired_at"]
    assert row["restore_to_repair_min"] != row["restore_to_repair_min"]


def test_a_span_in_the_wrong_order_is_left_out_and_counted(make_warehouse) -> None:
    # restored by a temporary cable before the section was located
    jobs = JOB.replace("2020-03-01 13:40Z", "2020-03-01 15:00Z")
    row = row_of(make_warehouse(PLACES | {"jobs": jobs}))
    assert row["locate_to_restore_min"] != row["locate_to_restore_min"]
    assert row["negative_spans"] == 1
    assert row["arrive_to_locate_customer_minutes"] == 100 * (120 - 40)


def test_months_and_nights_follow_the_districts_clock(make_warehouse) -> None:
    # 03:30 UTC on 1 March is 21:30 on 29 February in Chicago
    jobs = JOB.replace("2020-03-01 12:00Z", "2020-03-01 03:30Z")
    row = row_of(make_warehouse(PLACES | {"jobs": jobs}))
    assert row["reported_month"].date() == dt.date(2020, 2, 1)
    assert row["reported_on"].date() == dt.date(2020, 2, 29)
    assert not row["is_night"]
    jobs = JOB.replace("2020-03-01 12:00Z", "2020-03-01 04:30Z")
    assert row_of(make_warehouse(PLACES | {"jobs": jobs}))["is_night"]


def test_sections_are_those_in_service_on_the_day(make_warehouse) -> None:
    row = row_of(
        make_warehouse(
            PLACES
            | {
                "jobs": JOB,
                "sections": """
        section_id | loop_id | position | length_m | insulation | installed_on | retired_on
        S1         | L1      | 1        | 50       | XLPE       | 1975-01-01   | 2019-12-31
        S2         | L1      | 1        | 50       | TRXLPE     | 2020-01-01   |
        S3         | L1      | 2        | 50       | XLPE       |              |
        S4         | L1      | 3        | 50       | XLPE       | 2021-01-01   |
        S5         | L2      | 1        | 50       | XLPE       | 1975-01-01   |
    """,
            }
        )
    )
    assert row["sections_on_loop"] == 2


def test_jobs_on_unknown_loops_and_after_the_as_of_day_are_left_out(make_warehouse) -> None:
    jobs = """
        job_id | loop_id | reported_at       | restored_at
        J1     | L1      | 2020-03-01 12:00Z | 2020-03-01 13:00Z
        J2     | L9      | 2020-03-01 12:00Z | 2020-03-01 13:00Z
        J3     | L1      | 2020-03-02 05:30Z | 2020-03-02 07:00Z
        J4     | L1      | 2020-03-02 06:30Z | 2020-03-02 07:00Z
    """
    con = make_warehouse(PLACES | {"jobs": jobs}, settings=Settings().override("general", as_of=dt.date(2020, 3, 1)))
    # J3 is still 1 March in Chicago
    assert con.execute("select job_id from core.job_stages order by 1").fetchall() == [("J1",), ("J3",)]


def test_crews_written_in_several_ways_are_one_crew(make_warehouse) -> None:
    jobs = """
        job_id | loop_id | reported_at       | restored_at       | crew_id
        J1     | L1      | 2020-03-01 12:00Z | 2020-03-01 13:00Z | TF-1
        J2     | L1      | 2020-03-01 12:00Z | 2020-03-01 13:00Z | tf 1
        J3     | L1      | 2020-03-01 12:00Z | 2020-03-01 13:00Z | Tf_1
        J4     | L1      | 2020-03-01 12:00Z | 2020-03-01 13:00Z |
    """
    con = make_warehouse(PLACES | {"jobs": jobs})
    assert con.execute("select crew from core.job_groups order by job_id").fetchall() == [
        ("TF-1",),
        ("TF-1",),
        ("TF-1",),
        ("unknown",),
    ]


def test_an_arrival_after_everyone_is_back_bounds_no_stage(make_warehouse) -> None:
    # arrival and location stamped five hours late: their difference still holds, the drive does not
    jobs = JOB.replace("2020-03-01 12:40Z", "2020-03-01 17:40Z").replace("2020-03-01 13:40Z", "2020-03-01 18:40Z")
    row = row_of(make_warehouse(PLACES | {"jobs": jobs}))
    assert row["dispatch_to_arrive_min"] != row["dispatch_to_arrive_min"]
    assert row["arrive_to_locate_min"] == 60
    # the drive, and the section located after the restoration
    assert row["negative_spans"] == 2
    assert row["report_to_dispatch_customer_minutes"] == 100 * 10
    assert row["unsplit_customer_minutes"] == 100 * 110
