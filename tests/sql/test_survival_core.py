"""What core decides of sections and failures: time observed, half-loops, and which jobs count."""

from __future__ import annotations

import datetime as dt

import pytest

from pipelines.survival import step
from pipelines.survival.rates import tabulate_age_rates, tabulate_classes
from shared.settings import Settings

AS_OF = dt.date(2020, 12, 31)
SETTINGS = Settings().override("general", as_of=AS_OF)

DISTRICTS = """
    district_id | timezone        | recorded_from
    D1          | America/Chicago | 2006-01-01
"""
LOOPS = """
    loop_id | district_id | normal_open_terminal_id
    L1      | D1          | T3
    L2      | D1          |
"""


def sections_of(con, *columns: str) -> dict[str, tuple]:
    listed = ", ".join(columns)
    rows = con.execute(f"select section_id, {listed} from core.section_exposure order by section_id").fetchall()
    return {row[0]: row[1:] for row in rows}


def test_time_in_view_starts_with_the_records_or_the_cable_and_ends_with_it_or_the_as_of_date(make_warehouse) -> None:
    con = make_warehouse(
        {
            "districts": DISTRICTS,
            "loops": LOOPS,
            "sections": """
        section_id | loop_id | position | length_m | insulation | installed_on | retired_on
        old        | L2      | 1        | 100      | XLPE       | 1975-06-01   |
        young      | L2      | 2        | 100      | XLPE       | 2010-03-01   |
        gone       | L2      | 3        | 100      | XLPE       | 1975-06-01   | 2010-05-05
        before     | L2      | 4        | 100      | XLPE       | 1975-06-01   | 2004-01-01
        later      | L2      | 5        | 100      | XLPE       | 2021-06-01   |
        unknown    | L2      | 6        | 100      | XLPE       |              |
    """,
        },
        SETTINGS,
    )
    found = sections_of(con, "in_view_from", "in_view_to", "round(exposure_years * 365.25)", "exposure_km_years")
    days = (AS_OF - dt.date(2006, 1, 1)).days
    assert found["old"] == (dt.date(2006, 1, 1), AS_OF, days, pytest.approx(0.1 * days / 365.25))
    assert found["young"][:2] == (dt.date(2010, 3, 1), AS_OF)
    assert found["gone"][:2] == (dt.date(2006, 1, 1), dt.date(2010, 5, 5))
    assert found["before"] == found["later"] == found["unknown"] == (None, None, 0, 0)


def test_half_loops_part_at_the_normal_open_terminal(make_warehouse) -> None:
    con = make_warehouse(
        {
            "districts": DISTRICTS,
            "loops": LOOPS,
            "sections": """
        section_id | loop_id | position | from_terminal_id | to_terminal_id | length_m | insulation | installed_on
        a1         | L1      | 1        | T1               | T2             | 80       | XLPE       | 1980-01-02
        a2         | L1      | 2        | T2               | T3             | 80       | XLPE       | 1980-01-02
        a2new      | L1      | 2        | T2               | T3             | 80       | XLPE       | 2015-01-02
        a3         | L1      | 3        | T3               | T4             | 80       | XLPE       | 1980-01-02
        b1         | L2      | 1        | U1               | U2             | 80       | XLPE       | 1980-01-02
    """,
        },
        SETTINGS,
    )
    halves = {k: v[0] for k, v in sections_of(con, "half_loop_id").items()}
    assert halves == {"a1": "L1/A", "a2": "L1/A", "a2new": "L1/A", "a3": "L1/B", "b1": "L2"}


def test_a_clock_s_day_zero_is_no_date_where_it_towers_over_its_neighbours(make_warehouse) -> None:
    rows = "\n".join(f"s{n} | L2 | {n} | 100 | XLPE | 1970-01-01" for n in range(1, 11))
    con = make_warehouse(
        {
            "districts": DISTRICTS,
            "loops": LOOPS,
            "sections": f"""
        section_id | loop_id | position | length_m | insulation | installed_on
        {rows}
        n1 | L2 | 20 | 100 | XLPE | 1971-05-01
        n2 | L2 | 21 | 100 | XLPE | 1971-05-01
        c1 | L2 | 22 | 100 | XLPE | 1900-01-01
    """,
        },
        SETTINGS,
    )
    known = {k: v[0] for k, v in sections_of(con, "is_installed_on_known").items()}
    assert [known["s1"], known["n1"], known["c1"]] == [False, True, False]


def test_which_jobs_count_and_why_not(make_warehouse) -> None:
    con = make_warehouse(
        {
            "districts": DISTRICTS,
            "loops": LOOPS,
            "sections": """
        section_id | loop_id | position | length_m | insulation | installed_on | retired_on
        s1         | L1      | 1        | 100      | XLPE       | 1980-01-02   |
        s2         | L1      | 2        | 100      | XLPE       | 2010-01-02   |
        s3         | L1      | 3        | 100      | XLPE       | 1980-01-02   | 2012-06-30
        s4         | L1      | 4        | 100      | XLPE       |              |
    """,
            "jobs": """
        job_id   | loop_id | section_id | reported_at          | restored_at          | failed_component | cause
        counts   | L1      | s1         | 2012-02-01 12:00:00Z | 2012-02-01 14:00:00Z | cable            | water_treeing
        splice   | L2      | s1         | 2012-02-02 12:00:00Z | 2012-02-01 14:00:00Z | splice           | workmanship
        blank    | L1      | s1         | 2012-02-03 12:00:00Z | 2012-02-01 14:00:00Z |                  |
        lastday  | L1      | s3         | 2012-06-30 12:00:00Z | 2012-02-01 14:00:00Z | cable            | unknown
        firstday | L1      | s1         | 2006-01-01 12:00:00Z | 2012-02-01 14:00:00Z | cable            | unknown
        eve      | L1      | s1         | 2006-01-01 05:00:00Z | 2012-02-01 14:00:00Z | cable            | unknown
        dug      | L1      | s1         | 2012-02-04 12:00:00Z | 2012-02-01 14:00:00Z | cable            | dig_in
        elbow    | L1      | s1         | 2012-02-04 12:00:00Z | 2012-02-01 14:00:00Z | elbow            | moisture
        loop     | L1      |            | 2012-02-04 12:00:00Z | 2012-02-01 14:00:00Z | cable            | unknown
        orphan   | L1      | s99        | 2012-02-04 12:00:00Z | 2012-02-01 14:00:00Z | cable            | unknown
        young    | L1      | s2         | 2009-02-04 12:00:00Z | 2012-02-01 14:00:00Z | cable            | unknown
        retired  | L1      | s3         | 2013-02-04 12:00:00Z | 2012-02-01 14:00:00Z | cable            | unknown
        undated  | L1      | s4         | 2013-02-04 12:00:00Z | 2012-02-01 14:00:00Z | cable            | unknown
        future   | L1      | s1         | 2021-02-04 12:00:00Z | 2012-02-01 14:00:00Z | cable            | unknown
    """,
        },
        SETTINGS,
    )
    rows = con.execute("select job_id, loop_id, is_counted, why_not from core.failures").fetchall()
    assert {r[0]: r[3] for r in rows} == {
        "counts": None,
        "splice": None,
        "blank": None,
        "lastday": None,
        "firstday": None,
        "eve": "before_records",
        "dug": "excluded_cause",
        "elbow": "other_component",
        "loop": "loop_only",
        "orphan": "not_in_register",
        "young": "before_installation",
        "retired": "after_retirement",
        "undated": "undated_section",
        "future": "after_as_of",
    }
    assert all(r[2] == (r[3] is None) for r in rows)
    assert {r[0]: r[1] for r in rows}["splice"] == "L1"  # the register's loop, not the paper's


def test_classes_and_bands_can_be_divided_by_hand(make_warehouse) -> None:
    con = make_warehouse(
        {
            "districts": DISTRICTS,
            "loops": LOOPS,
            "sections": """
        section_id | loop_id | position | length_m | insulation | neutral | installation | installed_on | retired_on
        s1         | L1      | 1        | 2000     | XLPE       | bare    | buried       | 1996-01-01   |
        s2         | L1      | 2        | 1000     | XLPE       | bare    | buried       | 2000-12-01   | 2011-01-01
    """,
            "jobs": """
        job_id | loop_id | section_id | reported_at          | restored_at          | failed_component
        j1     | L1      | s1         | 2012-02-01 12:00:00Z | 2012-02-01 14:00:00Z | cable
        j2     | L1      | s2         | 2010-02-02 12:00:00Z | 2010-02-02 14:00:00Z | cable
    """,
        },
        SETTINGS,
    )
    history = step.read_history(con, SETTINGS)
    row = tabulate_classes(history, SETTINGS).iloc[0]
    in_view = 2.0 * (AS_OF - dt.date(2006, 1, 1)).days + 1.0 * (dt.date(2011, 1, 1) - dt.date(2006, 1, 1)).days
    assert row["cable_class"] == "XLPE/bare/buried"
    assert (row["sections"], row["length_km"], row["failures"]) == (2, 3.0, 2)
    assert row["exposure_km_years"] == pytest.approx(in_view / 365.25, rel=1e-12)
    assert row["rate_per_100km_year"] == pytest.approx(200 / (in_view / 365.25), rel=1e-12)
    bands = tabulate_age_rates(history, SETTINGS)
    assert bands["exposure_km_years"].sum() == pytest.approx(in_view / 365.25, rel=1e-12)
    # s2 was five when the records began: nothing younger is observed
    assert bands["age_from"].tolist() == [5.0, 10.0, 15.0, 20.0]
    assert bands["failures"].tolist() == [1, 0, 1, 0]
