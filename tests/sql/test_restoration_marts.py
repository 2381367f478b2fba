"""The restoration tables that are exported."""

from __future__ import annotations

import itertools
import json

import numpy as np
import pandas as pd
import pytest

from pipelines import warehouse
from tests.restoration_models import build_restoration

PLACES = {
    "districts": """
        district_id | timezone | recorded_from | customers_served
        D1          | UTC      | 2006-01-01    | 1000
        D2          | UTC      | 2006-01-01    | 200
    """,
    "loops": """
        loop_id | district_id | configuration | normal_open_terminal_id
        L1      | D1          | loop          | T2
        L2      | D2          | radial        |
    """,
    "sections": """
        section_id | loop_id | position | from_terminal_id | to_terminal_id | length_m | insulation | customers
        S1         | L1      | 1        | T0               | T1             | 50       | XLPE       | 40
        S2         | L1      | 2        | T1               | T2             | 50       | XLPE       | 20
        S3         | L1      | 3        | T2               | T3             | 50       | XLPE       | 30
        S4         | L2      | 1        | R0               | R1             | 50       | XLPE       | 10
    """,
}


HEADLINE = "days_left_out_by = '' and basis = 'as_recorded'"


def rows_of(con, query: str) -> list[tuple]:
    return con.execute(query).fetchall()


@pytest.fixture
def build(make_warehouse):
    def make(**tables):
        return build_restoration(make_warehouse({}, build=()), PLACES | tables)

    return make


def test_a_year_takes_its_own_customers_and_the_whole_the_mean_of_the_years(build) -> None:
    con = build(
        jobs="""
        job_id | loop_id | reported_at       | restored_at       | customers_interrupted
        J1     | L1      | 2019-03-01 12:00Z | 2019-03-01 13:00Z | 60
        J2     | L1      | 2021-03-01 12:00Z | 2021-03-01 14:00Z | 30
    """,
        customers_by_year="""
        district_id | year | customers_served
        D1          | 2021 | 1300
    """,
    )
    found = {
        name: (customers, saidi)
        for name, customers, saidi in rows_of(
            con,
            """
        select group_name, index_customers, saidi_min from marts.restoration_summary
        where grouped_by in ('all', 'year')
    """,
        )
    }
    assert found["2019"] == (1000 + 200, 60 * 60 / 1200)
    assert found["2021"] == (1300 + 200, 30 * 120 / 1500)
    # 2019, 2020 and 2021
    mean = (1200 + 1200 + 1500) / 3
    assert found["all"] == (mean, pytest.approx((60 * 60 + 30 * 120) / mean))


def test_customers_with_several_interruptions_are_those_of_the_half_loop(build) -> None:
    con = build(
        jobs="""
        job_id | loop_id | section_id | reported_at       | restored_at       | customers_interrupted
        J1     | L1      | S1         | 2019-03-01 12:00Z | 2019-03-01 13:00Z | 60
        J2     | L1      | S2         | 2019-04-01 12:00Z | 2019-04-01 17:00Z | 60
        J3     | L1      | S3         | 2019-05-01 12:00Z | 2019-05-01 13:00Z | 30
        J4     | L1      | S3         | 2019-05-02 12:00Z | 2019-05-02 12:04Z | 30
        J5     | L1      |            | 2019-06-02 12:00Z | 2019-06-02 13:00Z | 30
    """
    )
    found = rows_of(
        con,
        "select measure, threshold, half_loops, customers, share_of_served "
        "from marts.restoration_customers order by all",
    )
    assert found == [
        # J2 alone lasted more than four hours
        ("celid", 4, 1, 60, 60 / 1200),
        # J4 is momentary, J5 has no known place
        ("cemi", 1, 2, 60 + 30, 90 / 1200),
        ("cemi", 2, 1, 60, 60 / 1200),
    ]


def test_half_loops_interrupted_most_are_the_names_behind_the_customers(build) -> None:
    con = build(
        jobs="""
        job_id | loop_id | section_id | reported_at       | restored_at       | customers_interrupted
        J1     | L1      | S1         | 2019-03-01 12:00Z | 2019-03-01 13:00Z | 60
        J2     | L1      | S2         | 2019-04-01 12:00Z | 2019-04-01 17:00Z | 50
        J3     | L1      | S3         | 2019-05-01 12:00Z | 2019-05-01 13:00Z | 30
        J4     | L1      | S3         | 2019-05-02 12:00Z | 2019-05-02 12:04Z | 30
        J5     | L2      | S4         | 2019-06-02 12:00Z | 2019-06-02 12:30Z | 10
        J6     | L2      | S4         | 2019-07-02 12:00Z | 2019-07-02 12:40Z | 10
        J7     | L2      | S4         | 2019-08-02 12:00Z | 2019-08-02 12:50Z | 10
        J8     | L1      | S1         | 2020-02-01 12:00Z | 2020-02-01 13:00Z | 60
    """
    )
    con.execute("insert into marts.programme (section_id) values ('S2')")
    con.execute("update settings.current set general_as_of = date '2020-02-01'")
    warehouse.build_models(con, "marts", only=("marts.most_interrupted",))
    found = rows_of(
        con,
        "select period, rank, half_loop_id, customers, interruptions, customer_minutes, longest_min, is_in_programme, "
        "job_ids from marts.most_interrupted order by period, rank",
    )
    # J4 is momentary; J8 stands alone in its year and is the third within twelve months
    assert found == [
        ("2019", 1, "L2", 10, 3, 10 * (30 + 40 + 50), 50, False, "J5 J6 J7"),
        ("2019", 2, "L1/A", 60, 2, 60 * 60 + 50 * 300, 300, True, "J1 J2"),
        ("last 12 months", 1, "L1/A", 60, 3, 60 * 60 + 50 * 300 + 60 * 60, 300, True, "J1 J2 J8"),
        ("last 12 months", 2, "L2", 10, 3, 10 * (30 + 40 + 50), 50, False, "J5 J6 J7"),
    ]
    repeated = rows_of(
        con, "select customers from marts.restoration_customers where measure = 'cemi' and threshold = 2"
    )
    assert repeated == [(10 + 60,)]


def test_indices_with_and_without_major_events(build) -> None:
    con = build(
        jobs="""
        job_id | loop_id | reported_at       | restored_at       | customers_interrupted | major_event
        J1     | L1      | 2019-03-01 12:00Z | 2019-03-01 13:00Z | 60                    | true
        J2     | L1      | 2019-04-01 12:00Z | 2019-04-01 12:30Z | 90                    | false
        J3     | L1      | 2019-04-02 12:00Z | 2019-04-02 12:03Z | 12                    | false
    """
    )
    found = rows_of(
        con,
        "select is_without_major_events, jobs, days_left_out, saidi_min, saifi, caidi_min, maifi "
        f"from marts.restoration_indices where {HEADLINE} or days_left_out_by = 'utility' and basis = 'as_recorded' "
        "order by 1",
    )
    assert found == [
        (False, 3, 0, (60 * 60 + 90 * 30) / 1200, (60 + 90) / 1200, (60 * 60 + 90 * 30) / 150, 12 / 1200),
        (True, 2, 1, 90 * 30 / 1200, 90 / 1200, 30, 12 / 1200),
    ]


ON_BASES = """
    select basis, jobs, jobs_reconciled, jobs_joined, customers_sustained, customer_minutes_sustained, why_not_equal
    from marts.restoration_indices where days_left_out_by = '' order by basis
"""


def test_each_basis_undoes_what_it_says(build) -> None:
    """The halves of J1 and J5, a step of J2, customers of J3; J6 and J7 are one, J8 is radial."""
    con = build(
        loops="""
        loop_id | district_id | configuration | customers
        L1      | D1          | loop          | 60
        L2      | D2          | radial        | 10
    """,
        jobs="""
        job_id | loop_id | reported_at       | restored_at       | customers_interrupted | customer_minutes
        J1     | L1      | 2019-03-01 12:00Z | 2019-03-01 13:00Z | 60                    |
        J2     | L1      | 2019-04-01 12:00Z | 2019-04-01 13:00Z | 50                    |
        J3     | L1      | 2019-05-01 12:00Z | 2019-05-01 13:00Z | 10                    |
        J4     | L1      | 2019-06-01 12:00Z | 2019-06-01 13:00Z | 30                    |
        J5     | L1      | 2019-07-01 12:00Z | 2019-07-01 13:00Z | 60                    | 5000
        J6     | L1      | 2019-08-01 12:10Z | 2019-08-01 13:00Z | 20                    |
        J7     | L1      | 2019-08-01 12:00Z | 2019-08-01 13:00Z | 20                    |
        J8     | L2      | 2019-09-01 12:00Z | 2019-09-01 13:00Z | 10                    |
    """,
        restoration_steps="""
        job_id | step_at           | customers_restored
        J1     | 2019-03-01 12:04Z | 5
        J1     | 2019-03-01 13:00Z | 35
        J2     | 2019-04-01 12:30Z | 30
        J3     | 2019-05-01 13:00Z | 12
        J4     | 2019-06-01 12:20Z | 10
        J4     | 2019-06-01 13:00Z | 20
        J5     | 2019-07-01 13:00Z | 35
        J8     | 2019-09-01 12:40Z | 4
    """,
    )
    recorded = {"J1": (55, 35 * 60), "J2": (50, 30 * 30), "J3": (10, 12 * 60), "J4": (30, 10 * 20 + 20 * 60)}
    recorded |= {"J5": (60, 5000), "J6": (20, 20 * 50), "J7": (20, 20 * 60), "J8": (10, 4 * 40)}
    reconciled = recorded | {"J1": (35, 35 * 60), "J2": (50, 30 * 30 + 20 * 60), "J3": (12, 12 * 60)}
    reconciled |= {"J8": (10, 4 * 40 + 6 * 60)}
    joined = {job: counts for job, counts in reconciled.items() if job != "J7"} | {"J6": (20, 20 * 60)}

    def told(basis: str, counts: dict[str, tuple[int, int]], jobs_reconciled: int, jobs_joined: int) -> tuple:
        customers, minutes = (sum(part) for part in zip(*counts.values(), strict=True))
        return (basis, len(counts), jobs_reconciled, jobs_joined, customers, minutes, None)

    without_clusters = [
        told("as_recorded", recorded, 0, 0), told("duplicates_joined", reconciled, 4, 0),
        told("reconciled", reconciled, 4, 0),
    ]  # fmt: skip
    assert rows_of(con, ON_BASES) == without_clusters
    con.execute("""
        insert into marts.job_clusters by name
        select 'J7' as job_id, 'J6' as joined_with, 'entered_twice' as likeness, '' as cluster_decision
        union all by name
        -- opened again, and decided on already: both stay
        select 'J4' as job_id, 'J3' as joined_with, 'opened_again' as likeness, '' as cluster_decision
        union all by name
        select 'J2' as job_id, 'J1' as joined_with, 'entered_twice' as likeness, 'separate' as cluster_decision
    """)
    warehouse.build_models(con, "marts", only=("marts.restoration_bases", "marts.restoration_indices"))
    assert rows_of(con, ON_BASES) == [
        without_clusters[0], told("duplicates_joined", joined, 4, 1), without_clusters[2],
    ]  # fmt: skip
    assert rows_of(
        con,
        "select job_id, counted_otherwise, customers_sustained from marts.restoration_bases "
        "where basis = 'duplicates_joined' order by job_id",
    ) == [
        ("J1", "both_halves_counted", 35),
        ("J2", "step_missing", 50),
        ("J3", "more_came_back", 12),
        ("J6", "reported_sooner", 20),
        ("J7", "joined_away", 0),
        ("J8", "step_missing", 10),
    ]


def test_days_are_left_out_by_the_utility_or_by_the_threshold_each_for_itself(build) -> None:
    """A hundred days of 2019 with 12 or 24 customers out for an hour; in 2020 one great day, a small one flagged."""
    days = pd.date_range("2019-01-01 12:00Z", periods=100)
    jobs = pd.DataFrame({"reported_at": days, "customers_interrupted": [12, 24] * 50, "major_event": False})
    later = pd.DataFrame(
        {"reported_at": pd.to_datetime(["2020-05-01 12:00Z", "2020-06-01 12:00Z", "2020-07-01 12:00Z"]),
         "customers_interrupted": [1200, 12, 36], "major_event": [False, True, False]}
    )  # fmt: skip
    jobs = pd.concat([jobs, later], ignore_index=True).assign(
        job_id=[f"J{n:03d}" for n in range(103)],
        loop_id="L1",
        restored_at=lambda frame: frame["reported_at"] + pd.Timedelta(hours=1),
    )
    con = build(jobs=jobs)
    alpha, spread = np.log(np.array([0.6, 1.2])).mean(), np.log(2) / 2 * np.sqrt(100 / 99)
    threshold = np.exp(alpha + 2.5 * spread)
    assert 0.6 * 3 < threshold < 60
    assert rows_of(
        con,
        "select year, days_left_out_by, is_without_major_events, days_left_out, customers_sustained, threshold_min "
        "from marts.restoration_indices where basis = 'as_recorded' order by 1, 2",
    ) == [
        (2019, "", False, 0, 1800, None),
        # no five years before it: nothing is left out, and the row says so
        (2019, "threshold", True, None, 1800, None),
        (2019, "utility", True, 0, 1800, None),
        (2020, "", False, 0, 1248, None),
        (2020, "threshold", True, 1, 48, pytest.approx(threshold)),
        (2020, "utility", True, 1, 1236, None),
    ]
    unflagged = build(jobs=jobs.assign(major_event=None))
    assert rows_of(
        unflagged,
        "select days_left_out, customers_sustained from marts.restoration_indices "
        "where basis = 'as_recorded' and days_left_out_by = 'utility' and year = 2020",
    ) == [(None, 1248)]


def test_what_waits_in_quarantine_is_bounded_where_it_can_be_read(make_warehouse) -> None:
    con = make_warehouse(
        {
            "districts": PLACES["districts"],
            "loops": PLACES["loops"],
            "jobs": """
        job_id | loop_id | reported_at       | restored_at       | customers_interrupted
        J1     | L1      | 2019-03-01 12:00Z | 2019-03-01 13:00Z | 60
        J2     | L1      | 2020-03-01 12:00Z | 2020-03-01 13:00Z | 60
    """,
        },
        build=("staging", "core"),
    )
    mapped = {"job_id": ["Job"], "reported_at": ["Day", "Hour"], "customers_interrupted": ["Homes"]}
    read_as = json.dumps(
        {"source": {"decimal": ",", "columns": {name: {"columns": own} for name, own in mapped.items()}}}
    )
    plain = ["job_id", "reported_at", "customers_interrupted"]
    for row, (headers, cells, released, source) in enumerate(
        [
            (["Job", "Day", "Hour", "Homes"], ["K1", "13/13/2019", "17:40", "1.024"], None, read_as),
            (["Job", "Day", "Hour", "Homes"], ["K2", "2020", "", "many"], None, read_as),
            (plain, ["K3", "2019-02-31", "1,000"], None, None),
            # the same row of a second load, one that stands already, a total, one released, one of an unknown year
            (plain, ["K3", "2019-02-31", "1,000"], None, None),
            (plain, ["J1", "2019-02-31", "7"], None, None),
            (plain, ["Total", "", "9,999"], None, None),
            (plain, ["K4", "2019-02-31", "5"], "b0002", None),
            (plain, ["K5", "1987-02-31", "5"], None, None),
        ]
    ):
        con.execute(
            "insert into raw.quarantined_rows by name select ? as load_id, 'jobs' as \"table\", ? as row_hash, "
            "? as headers, ? as cells, ? as released_by, ? as read_as",
            [f"b{row}", f"hash {row}", json.dumps(headers), json.dumps(cells), released, source],
        )
    warehouse.build_models(con, "marts", only=("marts.quarantined_jobs",))
    assert rows_of(con, "from marts.quarantined_jobs order by year") == [
        (2019, 2, 0, 2024, 2024 / 1200, 2024 * 7 * 1440 / 1200),
        (2020, 1, 1, None, None, None),
        (None, 2, 2, None, None, None),
    ]


def test_each_index_divides_by_its_own_customers(build) -> None:
    """Two jobs with minutes, one without a restoration, and momentary ones of which a year has no others."""
    con = build(
        jobs="""
        job_id | loop_id | reported_at       | restored_at       | customers_interrupted
        J1     | L1      | 2019-03-01 12:00Z | 2019-03-01 13:00Z | 60
        J2     | L2      | 2019-04-01 12:00Z | 2019-04-01 14:30Z | 10
        J3     | L1      | 2019-05-01 12:00Z |                   | 50
        J4     | L1      | 2019-06-01 12:00Z | 2019-06-01 12:04Z | 24
        J5     | L1      | 2020-06-01 12:00Z | 2020-06-01 12:04Z | 24
    """
    )
    minutes = 60 * 60 + 10 * 150
    assert rows_of(
        con,
        "select year, customers_sustained, customers_momentary, customer_minutes_sustained, saidi_min, saifi, "
        "caidi_min, maifi, jobs_without_minutes from marts.restoration_indices "
        f"where {HEADLINE} order by year",
    ) == [
        # nobody knows how long the 50 of J3 waited: they count as interrupted, and not in the mean of a wait
        (2019, 60 + 10 + 50, 24, minutes, minutes / 1200, 120 / 1200, minutes / (60 + 10), 24 / 1200, 1),
        # momentary alone: no sustained interruption to divide by
        (2020, 0, 24, 0, 0, 0, None, 24 / 1200, 0),
    ]
    assert rows_of(con, f"select why_not_equal from marts.restoration_indices where {HEADLINE} order by year") == [
        ("50 customers of jobs without known minutes are in SAIFI, and in neither SAIDI nor CAIDI",),
        ("no sustained interruption to divide by",),
    ]
    assert rows_of(
        con,
        "select group_name, index_customers, saidi_min, saifi, caidi_min from marts.restoration_summary "
        "where group_name = 'D2' or grouped_by in ('month', 'year') and jobs = 1 order by all",
    ) == [
        ("2019-03", 1200, 60 * 60 / 1200, 60 / 1200, 60),
        ("2019-04", 1200, 10 * 150 / 1200, 10 / 1200, 150),
        ("2019-05", 1200, None, 50 / 1200, None),
        ("2019-06", 1200, 0, 0, None),
        ("2020", 1200, 0, 0, None),
        ("2020-06", 1200, 0, 0, None),
        ("D2", 200, 10 * 150 / 200, 10 / 200, 150),
    ]


def test_the_indices_say_between_what_bounds_jobs_without_an_end_leave_them(build) -> None:
    """Every choice of lengths, tried one by one: none leaves the bounds, and each bound is reached."""
    con = build(
        jobs="""
job_id | loop_id | reported_at       | restored_at       | normal_at         | closed_at         | customers_interrupted
J1     | L1      | 2019-03-01 12:00Z | 2019-03-01 13:00Z |                   | 2019-03-02 12:00Z | 60
J2     | L2      | 2019-04-01 12:00Z | 2019-04-01 14:30Z |                   |                   | 10
J3     | L1      | 2019-05-01 12:00Z |                   | 2019-05-01 16:00Z | 2019-05-03 12:00Z | 50
J4     | L1      | 2019-06-01 12:00Z |                   |                   | 2019-06-01 12:03Z | 24
J5     | L1      | 2019-07-01 12:00Z |                   |                   | 2019-07-01 12:50Z | 30
J6     | L1      | 2019-08-01 12:00Z |                   |                   |                   | 2
J7     | L1      | 2019-09-01 12:00Z |                   |                   | 2019-09-01 15:00Z |
J8     | L1      | 2020-03-01 12:00Z |                   |                   | 2020-03-01 15:00Z | 8
    """
    )
    most = {50: 240, 24: 3, 30: 50, 2: 7 * 1440}
    assert rows_of(
        con, "select job_id, outage_at_most_min from core.job_stages where outage_at_most_min is not null order by 1"
    ) == [("J3", 240), ("J4", 3), ("J5", 50), ("J6", 7 * 1440), ("J8", 180)]
    minutes, customers = 60 * 60 + 10 * 150, 60 + 10
    tried = []
    for lasted in itertools.product(*[(0, *((5, longest) if longest > 5 else ())) for longest in most.values()]):
        waited = [(c, m) for c, m in zip(most, lasted, strict=True) if m]
        hit, long = customers + sum(c for c, _ in waited), minutes + sum(c * m for c, m in waited)
        tried.append((long / 1200, hit / 1200, long / hit))
    saidi, saifi, caidi = ([min(of), max(of)] for of in zip(*tried, strict=True))
    found = rows_of(
        con,
        "select year, jobs_without_minutes, jobs_without_end, saidi_min, saidi_least_min, saidi_most_min, saifi_least, "
        "saifi_most, caidi_least_min, caidi_most_min from marts.restoration_indices "
        f"where {HEADLINE} order by 1",
    )
    assert found == [
        (2019, 5, 4, minutes / 1200, *saidi, *saifi, *caidi),
        # nothing but a job without an end: at the least it was momentary, or just not
        (2020, 1, 1, None, 0, 8 * 180 / 1200, 0, 8 / 1200, 5, 180),
    ]


def test_steps_whose_customers_were_taken_out_do_not_tell_who_came_back(build) -> None:
    con = build(
        jobs="""
        job_id | loop_id | reported_at       | restored_at       | customers_interrupted
        J1     | L1      | 2019-03-01 12:00Z | 2019-03-01 14:00Z | 60
    """,
        restoration_steps="""
        job_id | step_at           | customers_restored
        J1     | 2019-03-01 12:30Z | 40
        J1     | 2019-03-01 14:00Z |
    """,
    )
    assert rows_of(con, "select customers, minutes_out, is_from_steps from core.restoration_blocks") == [
        (60, 120, False)
    ]
    assert rows_of(con, "select count(*) from marts.jobs_timeline where moment like 'step %'") == [(2,)]


def test_a_restoration_that_is_the_closing_of_the_paper_is_not_believed(build) -> None:
    con = build(
        jobs="""
        job_id | loop_id | reported_at       | restored_at       | closed_at         | customers_interrupted
        J1     | L1      | 2019-03-01 12:00Z | 2019-03-01 13:00Z | 2019-03-01 13:00Z | 60
        J2     | L1      | 2019-04-01 12:00Z | 2019-04-03 12:00Z | 2019-04-03 12:00Z | 60
        J3     | L1      | 2019-05-01 12:00Z | 2019-05-09 12:00Z | 2019-05-09 12:00Z | 60
    """,
        restoration_steps="""
        job_id | step_at           | customers_restored
        J3     | 2019-05-01 12:30Z | 40
        J3     | 2019-05-01 14:00Z | 20
    """,
    )
    # J1 was closed at once and is believed; J2 has nothing better; J3 has its steps
    assert rows_of(
        con,
        "select jobs, mean_time_to_restore_min, jobs_without_restore, jobs_restoration_doubted, "
        "customer_minutes, jobs_without_customers "
        "from marts.restoration_summary where grouped_by = 'all'",
    ) == [(3, (60 + 120) / 2, 1, 2, 60 * 60 + 40 * 30 + 20 * 120, 1)]
    assert rows_of(con, f"select sum(jobs_without_minutes) from marts.restoration_indices where {HEADLINE}") == [(1,)]


def test_a_restoration_beyond_the_believed_days_is_left_out_and_counted(build) -> None:
    con = build(
        jobs="""
        job_id | loop_id | reported_at       | restored_at       | customers_interrupted
        J1     | L1      | 2019-03-01 12:00Z | 2019-03-08 12:00Z | 60
        J2     | L1      | 2019-04-01 12:00Z | 2019-04-08 12:01Z | 60
    """
    )
    assert rows_of(
        con,
        "select mean_time_to_restore_min, jobs_without_restore, jobs_restoration_doubted "
        "from marts.restoration_summary where grouped_by = 'all'",
    ) == [(7 * 1440, 1, 1)]


def test_the_naive_figure_is_set_against_the_steps_alone(build) -> None:
    con = build(
        jobs="""
        job_id | loop_id | reported_at       | restored_at       | customers_interrupted
        J1     | L1      | 2019-03-01 12:00Z | 2019-03-01 14:00Z | 60
        J2     | L1      | 2019-04-01 12:00Z | 2019-04-01 19:00Z | 60
    """,
        restoration_steps="""
        job_id | step_at           | customers_restored
        J1     | 2019-03-01 13:00Z | 30
        J1     | 2019-03-01 14:00Z | 30
    """,
    )
    assert rows_of(
        con,
        "select jobs, customer_minutes, customer_minutes_naive, overstated_pct "
        "from marts.restoration_naive where grouped_by = 'all'",
    ) == [(1, 30 * 60 + 30 * 120, 60 * 120, pytest.approx(100 * (7200 / 5400 - 1)))]


def test_loops_and_radials_are_kept_apart(build) -> None:
    con = build(
        jobs="""
        job_id | loop_id | reported_at       | restored_at       | normal_at         | customers_interrupted
        J1     | L1      | 2019-03-01 12:00Z | 2019-03-01 13:00Z | 2019-03-04 12:00Z | 60
        J2     | L2      | 2019-04-01 12:00Z | 2019-04-01 20:00Z | 2019-04-01 20:00Z | 10
    """
    )
    assert rows_of(
        con,
        "select group_name, jobs, mean_min from marts.restoration_clocks "
        "where grouped_by = 'configuration' and stage = 'customer_clock' order by all",
    ) == [("loop", 1, 60), ("radial", 1, 480)]
    assert rows_of(con, "select jobs, mean_days from marts.restoration_abnormal where grouped_by = 'all'") == [(1, 3)]
    assert rows_of(con, "select jobs, radial_jobs from marts.restoration_summary where grouped_by = 'all'") == [(2, 1)]


def test_a_timeline_counts_customers_out_after_each_step(build) -> None:
    con = build(
        jobs="""
        job_id | loop_id | reported_at       | arrived_at        | restored_at       | customers_interrupted
        J1     | L1      | 2019-03-01 12:00Z | 2019-03-01 12:30Z | 2019-03-01 13:00Z | 60
        J2     | L1      | 2019-03-02 12:00Z |                   | 2019-03-02 14:00Z | 20
    """,
        restoration_steps="""
        job_id | step_at           | customers_restored
        J1     | 2019-03-01 12:40Z | 45
        J1     | 2019-03-01 13:00Z | 15
    """,
    )
    found = rows_of(
        con,
        """
        select job_id, moment, minutes_since_report, customers_out from marts.jobs_timeline
        order by job_id, "at", moment
    """,
    )
    assert found == [
        ("J1", "reported", 0, 60),
        ("J1", "arrived", 30, 60),
        ("J1", "step 1", 40, 15),
        ("J1", "restored", 60, 0),
        ("J1", "step 2", 60, 0),
        # without steps everyone comes back at the last restoration
        ("J2", "reported", 0, 20),
        ("J2", "restored", 120, 0),
    ]
