"""staging.sections and section_names: cables one after another under an id, splits, merges and renumberings."""

from __future__ import annotations

import datetime as dt

import pytest

from pipelines import warehouse
from shared.settings import General, Settings

SETTINGS = Settings(general=General(as_of=dt.date(2025, 1, 1)))
DISTRICTS = "district_id | timezone | recorded_from\nD1 | America/Chicago | 2000-01-01"
LOOPS = "loop_id | district_id\nL1 | D1"


def jobs(*named: str) -> str:
    """A closed failure of the cable for each 'section day'."""
    rows = [
        f"J{n} | 1 | L1 | {one.split()[0]} | {one.split()[1]} 18:00:00Z | {one.split()[1]} 20:00:00Z | cable"
        for n, one in enumerate(named)
    ]
    head = "job_id | revision | loop_id | section_id | reported_at | restored_at | failed_component"
    return "\n".join([head, *rows])


def build(make_warehouse, sections: str, named: str = "", successors: str = "", **more: str):
    tables = {"districts": DISTRICTS, "loops": LOOPS, "sections": sections, **more}
    if named:
        tables["jobs"] = jobs(*named.split(", "))
    if successors:
        tables["section_successors"] = successors
    return make_warehouse(tables, settings=SETTINGS, build=("staging", "core"))


def lives(con) -> dict[str, tuple[str | None, ...]]:
    rows = con.execute("""
        select section_id, in_view_from::varchar, in_view_to::varchar, round(exposure_km_years, 3)
        from core.section_exposure order by 1
    """).fetchall()
    return {row[0]: row[1:] for row in rows}


def led(con) -> list[tuple[str | None, ...]]:
    query = "select section_id, coalesce(why_not, 'counted') from core.failures order by job_id"
    return con.execute(query).fetchall()


def km_years(length_m: int, begin: str, end: str) -> float:
    days = (dt.date.fromisoformat(end) - dt.date.fromisoformat(begin)).days
    return round(length_m / 1000 * days / 365.25, 3)


HEAD = "section_id | loop_id | position | length_m | installed_on | retired_on | cable_no | insulation\n"
AT_THE_END = (
    HEAD
    + """
    S1@2015-06-01 | L1 | 1 | 200 | 1984-05-01 | 2015-06-01 |  | XLPE
    S1 | L1 | 1 | 210 | 2015-06-01 |  |  | EPR
"""
)
AS_THEY_CAME = (
    HEAD
    + """
    S1 | L1 | 1 | 190 | 1984-05-01 |  |  | XLPE
    S1 | L1 | 1 | 200 | 1984-05-01 |  |  | XLPE
    S1 | L1 | 1 | 205 | 2015-06-01 |  | 2 | EPR
    S1 | L1 | 1 | 210 | 2015-06-01 |  | 2 | EPR
"""
)


@pytest.mark.parametrize("sections", [AT_THE_END, AS_THEY_CAME])
def test_a_cable_and_its_replacement_under_one_id(make_warehouse, sections: str) -> None:
    con = build(make_warehouse, sections, "S1 2010-01-01, S1 2015-06-01, S1 2015-06-02, S1@2015-06-01 2011-01-01")
    assert lives(con) == {
        "S1": ("2015-06-01", "2025-01-01", km_years(210, "2015-06-01", "2025-01-01")),
        "S1@2015-06-01": ("2000-01-01", "2015-06-01", km_years(200, "2000-01-01", "2015-06-01")),
    }
    old = ("S1@2015-06-01", "counted")
    assert led(con) == [old, old, ("S1", "counted"), old]


def test_a_later_row_of_an_earlier_cable_takes_the_new_one_back(make_warehouse) -> None:
    con = build(make_warehouse, AS_THEY_CAME + "S1 | L1 | 1 | 200 | 1984-05-01 | | | XLPE\n", "S1 2010-01-01")
    assert list(lives(con)) == ["S1"] and led(con) == [("S1", "counted")]


def test_the_day_of_a_job_is_that_of_its_district(make_warehouse) -> None:
    """At 18:00 UTC it is the same day in Chicago; an evening there is the next day in UTC."""
    con = build(make_warehouse, AT_THE_END, "S1 2015-06-01")
    con.execute("update raw.jobs set reported_at = '2015-06-02 03:00:00Z'")
    warehouse.build_models(con, "staging")
    assert con.execute("select section_id from staging.jobs").fetchall() == [("S1@2015-06-01",)]


SPLIT = (
    HEAD
    + """
    S1 | L1 | 1 | 200 | 1984-05-01 |  |  | XLPE
    Sa | L1 | 1 | 120 | 1984-05-01 |  |  | XLPE
    Sb | L1 | 2 | 80 | 1984-05-01 |  |  | XLPE
"""
)
SPLITS = "old_id | new_id | kind | on\nS1 | Sa | split | 2015-06-01\nS1 | Sb | split | 2015-06-01"


def test_a_split_counts_no_exposure_twice_and_leads_jobs_to_what_was_in_service(make_warehouse) -> None:
    con = build(make_warehouse, SPLIT, "S1 2010-01-01, Sa 2010-01-01, Sa 2020-01-01, S1 2020-01-01", SPLITS)
    assert lives(con) == {
        "S1": ("2000-01-01", "2015-06-01", km_years(200, "2000-01-01", "2015-06-01")),
        "Sa": ("2015-06-01", "2025-01-01", km_years(120, "2015-06-01", "2025-01-01")),
        "Sb": ("2015-06-01", "2025-01-01", km_years(80, "2015-06-01", "2025-01-01")),
    }
    # the last names a section that was two by then: its loop is known alone
    assert led(con) == [("S1", "counted"), ("S1", "counted"), ("Sa", "counted"), (None, "loop_only")]
    assert con.execute("select retired_because from staging.sections where section_id = 'S1'").fetchone() == (
        "regrouped",
    )
    ages = con.execute("select round(age_years, 1) from core.failures where section_id = 'Sa'").fetchall()
    assert ages == [(35.7,)]  # the cable is as old as before


def test_a_split_whose_old_row_is_not_on_record_is_observed_from_the_start(make_warehouse) -> None:
    parts = "\n".join(line for line in SPLIT.splitlines() if "S1 |" not in line.replace("S1  |", "S1 |"))
    con = build(make_warehouse, parts, "Sa 2010-01-01, S1 2010-01-01", SPLITS)
    assert lives(con)["Sa"] == ("2000-01-01", "2025-01-01", km_years(120, "2000-01-01", "2025-01-01"))
    assert led(con) == [("Sa", "counted"), (None, "loop_only")]


def test_a_split_that_leaves_the_old_id_on_one_part(make_warehouse) -> None:
    sections = (
        HEAD
        + """
        S1 | L1 | 1 | 200 | 1984-05-01 |  |  | XLPE
        S1 | L1 | 1 | 120 | 1984-05-01 |  | 2 | XLPE
        Sb | L1 | 2 | 80 | 1984-05-01 |  |  | XLPE
    """
    )
    split = "old_id | new_id | kind | on\nS1 | S1 | split | 2015-06-01\nS1 | Sb | split | 2015-06-01"
    con = build(make_warehouse, sections, "S1 2010-01-01, Sb 2010-01-01, S1 2020-01-01", split)
    assert lives(con) == {
        "S1": ("2015-06-01", "2025-01-01", km_years(120, "2015-06-01", "2025-01-01")),
        "S1@2015-06-01": ("2000-01-01", "2015-06-01", km_years(200, "2000-01-01", "2015-06-01")),
        "Sb": ("2015-06-01", "2025-01-01", km_years(80, "2015-06-01", "2025-01-01")),
    }
    assert led(con) == [("S1@2015-06-01", "counted"), ("S1@2015-06-01", "counted"), ("S1", "counted")]


def test_a_merging_is_a_split_the_other_way(make_warehouse) -> None:
    sections = (
        HEAD
        + """
        S1 | L1 | 1 | 120 | 1984-05-01 |  |  | XLPE
        S2 | L1 | 2 | 80 | 1984-05-01 |  |  | XLPE
        S3 | L1 | 1 | 200 | 1984-05-01 |  |  | XLPE
    """
    )
    merged = "old_id | new_id | kind | on\nS1 | S3 | merged | 2015-06-01\nS2 | S3 | merged | 2015-06-01"
    con = build(make_warehouse, sections, "S3 2010-01-01, S1 2020-01-01, S2 2010-01-01", merged)
    assert lives(con)["S3"] == ("2015-06-01", "2025-01-01", km_years(200, "2015-06-01", "2025-01-01"))
    assert lives(con)["S1"] == ("2000-01-01", "2015-06-01", km_years(120, "2000-01-01", "2015-06-01"))
    assert led(con) == [(None, "loop_only"), ("S3", "counted"), ("S2", "counted")]


def test_a_renumbered_cable_is_one_cable_under_its_last_id(make_warehouse) -> None:
    sections = (
        HEAD
        + """
        S1 | L1 | 1 | 200 | 1984-05-01 | 2015-06-01 |  | XLPE
        S5 | L1 | 1 | 200 | 1984-05-01 |  |  | XLPE
        S9 | L1 | 1 | 200 | 1984-05-01 |  |  | XLPE
    """
    )
    renumbered = "old_id | new_id | kind | on\nS1 | S5 | renumbered | 2015-06-01\nS5 | S9 | renumbered | 2020-06-01"
    con = build(make_warehouse, sections, "S1 2010-01-01, S5 2018-01-01, S9 2022-01-01, S9 2005-01-01", renumbered)
    assert lives(con) == {"S9": ("2000-01-01", "2025-01-01", km_years(200, "2000-01-01", "2025-01-01"))}
    assert led(con) == [("S9", "counted")] * 4


def test_a_split_of_which_a_part_was_renumbered_later(make_warehouse) -> None:
    sections = SPLIT.replace("Sa |", "S7 |")
    con = build(make_warehouse, sections, "Sa 2010-01-01, Sa 2017-01-01, S7 2022-01-01, S1 2010-01-01", SPLITS +
                "\nSa | S7 | renumbered | 2018-01-01")  # fmt: skip
    assert lives(con)["S7"][0] == "2015-06-01" and lives(con)["S1"][1] == "2015-06-01"
    assert led(con) == [("S1", "counted"), ("S7", "counted"), ("S7", "counted"), ("S1", "counted")]


def test_a_section_replaced_under_another_id_hands_its_name_on(make_warehouse) -> None:
    sections = (
        HEAD
        + """
        S1 | L1 | 1 | 200 | 1984-05-01 |  |  | XLPE
        N1 | L1 | 1 | 200 | 2015-06-01 |  |  | EPR
    """
    )
    con = build(make_warehouse, sections, "S1 2010-01-01, S1 2020-01-01, N1 2010-01-01",
                "old_id | new_id | kind | on\nS1 | N1 | replaced | 2015-06-01")  # fmt: skip
    assert lives(con)["S1"][1] == "2015-06-01"
    assert led(con) == [("S1", "counted"), ("N1", "counted"), ("S1", "counted")]


def test_circles_of_successors_end(make_warehouse) -> None:
    circle = "old_id | new_id | kind | on\nS1 | Sa | split | 2015-06-01\nSa | S1 | merged | 2016-06-01"
    circle += "\nSb | S8 | renumbered | 2001-01-01\nS8 | Sb | renumbered | 2002-01-01"
    con = build(make_warehouse, SPLIT, "S1 2010-01-01, S8 2010-01-01", circle)
    assert con.execute("select count(*) from staging.section_names where until_on <= from_on").fetchone() == (0,)


def test_a_refused_successor_changes_nothing(make_warehouse) -> None:
    refused = "old_id | new_id | kind | on | decision\nS1 | Sa | split | 2015-06-01 | refuse"
    con = build(make_warehouse, SPLIT, "S1 2020-01-01", refused)
    assert lives(con)["S1"][1] == "2025-01-01" and led(con) == [("S1", "counted")]


def test_a_piece_and_a_known_length_lie_in_the_cable_of_their_day(make_warehouse) -> None:
    con = build(
        make_warehouse,
        AT_THE_END,
        section_pieces="""
            section_id | from_m | to_m | insulation | installed_on
            S1         | 10     | 20   | EPR        | 2010-01-01
            S1         | 30     | 40   | EPR        | 2015-06-01
            S1         | 50     | 60   | EPR        |
        """,
        known_lengths="""
            instrument_id | read_on    | section_id | known_length_m | reading_m
            I1            | 2014-01-01 | S1         | 200            | 201
            I1            | 2016-01-01 | S1         | 210            | 211
        """,
    )
    assert con.execute("select from_m, section_id from staging.section_pieces order by 1").fetchall() == [
        (10.0, "S1@2015-06-01"), (30.0, "S1"), (50.0, "S1"),
    ]  # fmt: skip
    assert con.execute("select section_id from staging.known_lengths order by read_on").fetchall() == [
        ("S1@2015-06-01",), ("S1",),
    ]  # fmt: skip


def test_a_merging_moves_the_positions_after_it_and_a_day_before_moves_them_back(make_warehouse) -> None:
    sections = HEAD + """
        S1 | L1 | 1 | 100 | 1984-05-01 | | | XLPE
        S2 | L1 | 2 | 110 | 1984-05-01 | | | XLPE
        S3 | L1 | 3 | 120 | 1984-05-01 | | | XLPE
        M  | L1 | 2 | 230 | 1984-05-01 | | | XLPE
        S4 | L1 | 3 | 140 | 1984-05-01 | | | XLPE
        S5 | L1 | 4 | 150 | 1984-05-01 | | | XLPE
    """  # fmt: skip
    merged = "old_id | new_id | kind | on\nS2 | M | merged | 2015-06-01\nS3 | M | merged | 2015-06-01"
    con = build(make_warehouse, sections, "S1 2010-01-01, S1 2020-01-01", merged)
    con.execute("update staging.jobs set estimated_distance_m = 10")
    warehouse.build_models(con, "core", only={"core.locating_chains"})
    rows = con.execute("select job_id, string_agg(section_id, ' ' order by position), max(chain_to_m) from "
                       "core.locating_chains group by job_id order by 1").fetchall()  # fmt: skip
    assert rows == [("J0", "S1 S2 S3 S4 S5", 620.0), ("J1", "S1 M S4 S5", 620.0)]


TERMINALS = (
    "section_id | loop_id | position | from_terminal_id | to_terminal_id | length_m | retired_on | installed_on | "
    "insulation\n"
)


def proposed(make_warehouse, sections: str, named: str, successors: str = "") -> list[tuple[object, ...]]:
    tables = {
        "districts": DISTRICTS,
        "loops": LOOPS,
        "sections": TERMINALS + sections,
        "jobs": jobs(*named.split(", ")),
    }
    if successors:
        tables["section_successors"] = successors
    con = make_warehouse(tables, settings=SETTINGS, build=("staging", "core"))
    warehouse.build_models(con, "marts", only={"marts.proposed_section_successors"})
    query = (
        'select old_id, new_id, kind, "on"::varchar, share, grounds from marts.proposed_section_successors order by all'
    )
    return con.execute(query).fetchall()


def test_a_split_is_told_from_terminals_lengths_and_dates(make_warehouse) -> None:
    sections = """
        S1 | L1 | 1 | T1 | T2 | 200 | 2015-06-01 | 1984-05-01 | XLPE
        Sa | L1 | 1 | T1 | TX | 119 |            | 1984-05-01 | XLPE
        Sb | L1 | 2 | TX | T2 | 80  |            | 1984-05-01 | XLPE
        S2 | L1 | 3 | T2 | T3 | 80  |            | 1984-05-01 | XLPE
    """
    grounds = "S1 (200.0 m) and Sa and Sb (199.0 m) lead from T1 to T2, of one cable laid on one day"
    found = [("S1", part, "split", "2015-06-01", share, grounds) for part, share in (("Sa", 0.595), ("Sb", 0.4))]
    assert proposed(make_warehouse, sections, "S2 2010-01-01") == found


def test_what_is_decided_is_not_proposed_and_what_does_not_fit_neither(make_warehouse) -> None:
    sections = """
        S1 | L1 | 1 | T1 | T2 | 200 | 2015-06-01 | 1984-05-01 | XLPE
        Sa | L1 | 1 | T1 | TX | 119 |            | 1984-05-01 | XLPE
        Sb | L1 | 2 | TX | T2 | 80  |            | 1984-05-01 | XLPE
    """
    stated = "old_id | new_id | kind | on\nS1 | Sa | split | 2015-06-01\nS1 | Sb | split | 2015-06-01"
    assert proposed(make_warehouse, sections, "Sa 2020-01-01", stated) == []
    laid = "119 |            | 1984-05-01 | "
    for one, other in (("| 80 ", "| 70 "), ("TX | T2", "TX | T9"), (f"{laid}XLPE", f"{laid}EPR")):
        assert proposed(make_warehouse, sections.replace(one, other), "Sa 2020-01-01") == []


def test_a_merging_and_a_renumbering_are_told(make_warehouse) -> None:
    sections = """
        S1 | L1 | 1 | T1 | TX | 119 | 2015-06-01 | 1984-05-01 | XLPE
        S2 | L1 | 2 | TX | T2 | 80  | 2015-06-01 | 1984-05-01 | XLPE
        S3 | L1 | 1 | T1 | T2 | 200 |            | 1984-05-01 | XLPE
        A1 | L1 | 2 | T2 | T3 | 90  | 2018-01-01 | 1984-05-01 | XLPE
        A2 | L1 | 2 | T2 | T3 | 91  |            | 1984-05-01 | XLPE
    """
    found = proposed(make_warehouse, sections, "S3 2020-01-01")
    assert [row[:5] for row in found] == [
        ("A1", "A2", "renumbered", "2018-01-01", 1.0),
        ("S1", "S3", "merged", "2015-06-01", 1.0),
        ("S2", "S3", "merged", "2015-06-01", 1.0),
    ]


def test_a_replacement_is_proposed_where_jobs_name_the_wrong_cable(make_warehouse) -> None:
    sections = """
        S1 | L1 | 1 | T1 | T2 | 200 | 2015-06-01 | 1984-05-01 | XLPE
        N1 | L1 | 1 | T1 | T2 | 205 |            | 2015-06-10 | EPR
    """
    assert proposed(make_warehouse, sections, "S1 2010-01-01") == []
    grounds = "1 jobs name S1 after it was taken out and 0 name N1 before it was laid; both lead from T1 to T2"
    assert proposed(make_warehouse, sections, "S1 2010-01-01, S1 2020-01-01") == [
        ("S1", "N1", "replaced", "2015-06-01", 1.0, grounds)
    ]


def test_the_open_point_is_found_among_the_sections_of_today(make_warehouse) -> None:
    sections = """
        section_id | loop_id | position | from_terminal_id | to_terminal_id | length_m | installed_on | insulation
        S1         | L1      | 1        | T1               | T2             | 100      | 1984-05-01   | XLPE
        S2         | L1      | 2        | T2               | T3             | 100      | 1984-05-01   | XLPE
        S3         | L1      | 3        | T3               | T4             | 100      | 1984-05-01   | XLPE
        M          | L1      | 2        | T2               | T4             | 200      | 1984-05-01   | XLPE
        S4         | L1      | 3        | T4               | T5             | 100      | 1984-05-01   | XLPE
    """
    merged = "old_id | new_id | kind | on\nS2 | M | merged | 2015-06-01\nS3 | M | merged | 2015-06-01"
    loops = "loop_id | district_id | normal_open_terminal_id\nL1 | D1 | T4"
    con = build(make_warehouse, sections, "S1 2010-01-01", merged, loops=loops)
    assert con.execute("select open_after_position from core.half_loops").fetchall() == [(2,)]
