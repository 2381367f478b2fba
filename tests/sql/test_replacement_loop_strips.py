"""core.fault_places and marts.loop_strips: a loop laid out to scale, and where its faults lie on it."""

from __future__ import annotations

import datetime as dt

import pytest

from pipelines import warehouse
from shared import dictionary
from shared.settings import Settings
from shared.store import Workspace, open_warehouse, write_table

SETTINGS = Settings().override("general", as_of=dt.date(2021, 12, 31))

DISTRICTS = """
    district_id | timezone | recorded_from
    D1 | America/Denver | 2000-01-01
"""
LOOPS = """
    loop_id | district_id | normal_open_terminal_id | configuration
    L1 | D1 | T3 | loop
    R1 | D1 | | radial
    N1 | D1 | N-A | loop
"""
SECTIONS = """
    section_id|loop_id|position|from_terminal_id|to_terminal_id|length_m|insulation|retired_on|installed_on
    S1 | L1 | 1 | T1 | T2 | 100 | XLPE | | 1980-01-01
    S2O | L1 | 2 | T2 | T3 | 55 | XLPE | 2019-01-01 | 1980-01-01
    S2 | L1 | 2 | T2 | T3 | 60 | EPR | | 2019-01-01
    S3 | L1 | 3 | T3 | T4 | 80 | XLPE | | 1980-01-01
    R1S1 | R1 | 1 | R-A | R-B | 40 | XLPE | | 1980-01-01
    N1S1 | N1 | 1 | N-A | N-B | 30 | XLPE | | 1980-01-01
"""
TERMINALS = """
    terminal_id | tail_m | x | y | loop_id
    T1 | 2 | 0 | 0 | L1
    T2 | 3 | 90 | 0 | L1
    T3 | | 90 | 40 | L1
    T4 | 1 | 30 | 40 | L1
    R-A | | 5 | | R1
"""
PIECES = """
    section_id | from_m | to_m | insulation | installed_on
    S3 | 0 | 10 | EPR | 2015-05-01
    S3 | 10 | 14 | EPR | 2016-05-01
"""
JOB_HEAD = (
    "job_id | loop_id | section_id | reported_at | restored_at | repaired_at | test_terminal_id | toward_terminal_id "
    "| estimated_distance_m | dug_distance_m | failed_component | cause | instrument_id | velocity_setting_pct"
)
DAY = "2020-05-01 10:00:00Z | 2020-05-01 14:00:00Z | 2020-05-02 14:00:00Z"
REST = "cable | unknown | I1 | 53"


def build(make_warehouse, *jobs: str):
    con = make_warehouse(
        {"districts": DISTRICTS, "loops": LOOPS, "sections": SECTIONS, "terminals": TERMINALS,
         "section_pieces": PIECES, "jobs": "\n".join([JOB_HEAD, *jobs])},
        settings=SETTINGS,
    )  # fmt: skip
    ranked = con.execute(
        "select section_id, loop_id, half_loop_id, cable_class, installed_on, 0.5 as expected_failures, "
        "1 as failures_recorded from core.section_exposure where retired_on is null"
    ).df()
    for name, frame in (
        ("fitted.section_ranking", ranked),
        ("marts.loop_ranking", ranked[["loop_id"]].drop_duplicates()),
    ):
        write_table(con, name, frame.reindex(columns=list(dictionary.tables()[name].columns)))
    for model in warehouse.build_order(("marts",)):
        if model.path.stem in ("loop_strips", "loop_strip_marks", "loop_places"):
            con.execute(f"create table {model.table} as {model.query}")
    return con


def rows(con, query: str) -> list[tuple]:
    return con.execute(query).fetchall()


def test_sections_in_service_follow_one_another_and_the_open_point_stands_once(make_warehouse) -> None:
    con = build(make_warehouse)
    assert rows(con, "select section_id, start_m, end_m, half_loop_id, normal_open from marts.loop_strips "
                     "order by loop_id, position") == [
        ("S1", 0, 100, "L1/A", None),
        ("S2", 100, 100 + 60, "L1/A", "to"),
        ("S3", 160, 160 + 80, "L1/B", None),
        # open at its very source: the first section's beginning
        ("N1S1", 0, 30, "N1/B", "from"),
        ("R1S1", 0, 40, "R1", None),
    ]  # fmt: skip


PLACES: tuple[tuple[str, float | None, str], ...] = (
    # from T1 towards T2: 2 m of tail, then the 30 m taped
    (f"L1 | S1 | {DAY} | T1 | T2 | 31 | 30 | {REST}", 2 + 30, "dug"),
    # from T2 back towards T1: 3 m of tail from the end at 100
    (f"L1 | S1 | {DAY} | T2 | T1 | 31 | 30 | {REST}", 100 - 3 - 30, "dug"),
    # nothing was displayed, and T1 is an end of the section
    (f"L1 | S1 | {DAY} | T1 | T2 |  | 30 | {REST}", 2 + 30, "dug"),
    # from T1 over the whole of S1, whose route is 100 - 2 - 3: the rest lies in S2, after its own tail of 3
    (f"L1 | S2 | {DAY} | T1 | T2 | 110 | 105 | {REST}", 100 + 3 + (105 - 95), "dug"),
    # a little beyond the end of the route (95 m): at the end, before the tail
    (f"L1 | S1 | {DAY} | T1 | T2 | 97 | 97 | {REST}", 100 - 3, "dug"),
    # far beyond it: nobody knows
    (f"L1 | S1 | {DAY} | T1 | T2 | 150 | 150 | {REST}", 100 / 2, "outside"),
    # no distance
    (f"L1 | S3 | {DAY} | T3 | T4 | 30 |  | {REST}", 160 + 80 / 2, "middle"),
    # a terminal of no section of the loop
    (f"L1 | S3 | {DAY} | R-A |  |  | 20 | {REST}", 160 + 80 / 2, "middle"),
    # cable that has been replaced since, and a job of which only the loop is known, have no place
    (f"L1 | S2O | 2010-05-01 10:00:00Z | 2010-05-01 14:00:00Z |  | T2 | T3 | 20 | 20 | {REST}", None, "replaced"),
    (f"L1 |  | {DAY} | T1 | T2 | 20 | 20 | {REST}", None, "loop_only"),
    (f"L1 | S9 | {DAY} | T1 | T2 | 20 | 20 | {REST}", None, "not_in_register"),
)  # fmt: skip
"""Jobs without their id, where each lies along its loop, and how that is known."""


def test_a_failure_lies_where_it_was_dug(make_warehouse) -> None:
    con = build(make_warehouse, *(f"J{n} | {job}" for n, (job, *_) in enumerate(PLACES)))
    found = {job: (at_m, basis) for job, at_m, basis in rows(
        con, "select job_id, at_m, place_basis from marts.loop_strip_marks where mark_kind = 'failure'")}  # fmt: skip
    assert len(found) == len(PLACES)
    for n, (job, at_m, basis) in enumerate(PLACES):
        assert found[f"J{n}"] == (None if at_m is None else pytest.approx(at_m), basis), job


def test_repairs_and_ends_of_pieces_are_splices_once_each(make_warehouse) -> None:
    elbow = f"E | L1 | S1 | {DAY} | T1 | T2 | 31 | 30 | elbow | unknown | I1 | 53"
    unrepaired = f"U | L1 | S1 | {DAY.rpartition('|')[0]}| | T1 | T2 | 31 | 40 | {REST}"
    con = build(make_warehouse, f"J | L1 | S1 | {DAY} | T1 | T2 | 31 | 30 | {REST}", elbow, unrepaired)
    assert rows(con, "select section_id, at_m, place_basis, job_id, marked_on from marts.loop_strip_marks "
                     "where mark_kind = 'splice' order by at_m") == [
        ("S1", 2 + 30, "dug", "J", dt.date(2020, 5, 1)),
        # two pieces that touch share one splice, and the terminal at 0 is none
        ("S3", 160 + 10, "piece", None, dt.date(2015, 5, 1)),
        ("S3", 160 + 14, "piece", None, dt.date(2016, 5, 1)),
    ]  # fmt: skip
    failures = "select job_id, why_not from marts.loop_strip_marks where mark_kind = 'failure' order by job_id"
    assert rows(con, failures) == [("E", "other_component"), ("J", None), ("U", None)]


def test_a_loop_lies_at_the_middle_of_its_terminals(make_warehouse) -> None:
    con = build(make_warehouse)
    # R1 has no whole pair of coordinates; straight distances 90, 40 (twice: the successor) and 60 m
    assert rows(con, "select loop_id, x, y, terminals, straight_over_cable from marts.loop_places") == [
        ("L1", (0 + 90 + 90 + 30) / 4, (0 + 0 + 40 + 40) / 4, 4,
         pytest.approx((90 + 40 + 40 + 60) / (100 + 55 + 60 + 80))),
    ]  # fmt: skip


def test_on_the_demo_strips_add_up_and_dug_failures_lie_inside_their_sections(demo_space: Workspace) -> None:
    con = open_warehouse(demo_space, read_only=True)
    strips = con.execute("select * from marts.loop_strips").df()
    loops = con.execute("select loop_id, length_km, sections, expected_failures from marts.loop_ranking").df()
    register = con.execute("select section_id, length_m from staging.sections").df()
    marks = con.execute("select * from marts.loop_strip_marks where at_m is not null").df()
    con.close()
    assert len(strips) > 1_000 and len(marks) > 200
    named = strips.merge(register, on="section_id", validate="one_to_one")
    assert (named["end_m"] - named["start_m"]).to_numpy() == pytest.approx(named["length_m"].to_numpy(), abs=1e-6)
    drawn = strips.groupby("loop_id").agg(
        end_m=("end_m", "max"), n=("section_id", "size"), e=("expected_failures", "sum")
    )
    both = loops.set_index("loop_id").join(drawn, how="outer")
    # two routes to one number: the strip in SQL, the ranking in Python
    assert both["end_m"].to_numpy() == pytest.approx(1000 * both["length_km"].to_numpy(), abs=0.01)
    assert both["n"].tolist() == both["sections"].tolist()
    assert both["e"].to_numpy() == pytest.approx(both["expected_failures"].to_numpy(), rel=1e-6)
    placed = marks.merge(strips[["section_id", "start_m", "end_m"]], on="section_id", validate="many_to_one")
    assert len(placed) == len(marks)
    assert ((placed["at_m"] >= placed["start_m"]) & (placed["at_m"] <= placed["end_m"])).all()
    assert (placed["place_basis"] == "dug").sum() > 100
