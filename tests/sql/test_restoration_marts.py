"""The restoration tables that are exported."""

from __future__ import annotations

import itertools

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
        "from marts.restoration_indices order by 1",
    )
    assert found == [
        (False, 3, 0, (60 * 60 + 90 * 30) / 1200, (60 + 90) / 1200, (60 * 60 + 90 * 30) / 150, 12 / 1200),
        (True, 2, 1, 90 * 30 / 1200, 90 / 1200, 30, 12 / 1200),
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
        "where not is_without_major_events order by year",
    ) == [
        # nobody knows how long the 50 of J3 waited: they count as interrupted, and not in the mean of a wait
        (2019, 60 + 10 + 50, 24, minutes, minutes / 1200, 120 / 1200, minutes / (60 + 10), 24 / 1200, 1),
        # momentary alone: no sustained interruption to divide by
        (2020, 0, 24, 0, 0, 0, None, 24 / 1200, 0),
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
        "where not is_without_major_events order by 1",
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
    assert rows_of(
        con, "select sum(jobs_without_minutes) from marts.restoration_indices where not is_without_major_events"
    ) == [(1,)]


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
