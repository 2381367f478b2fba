"""core.locating_*: where readings lie, what they pass, why some cannot be used."""

from __future__ import annotations

import datetime as dt

import numpy as np
import pytest

from pipelines import warehouse
from pipelines.locating import resolution
from shared.settings import Settings

SETTINGS = Settings().override("general", as_of=dt.date(2021, 12, 31))

LOOPS = """
    loop_id | district_id
    L1      | D1
"""
SECTIONS = """
    section_id|loop_id|position|from_terminal_id|to_terminal_id|length_m|insulation|neutral|installation|installed_on|retired_on
    S1 | L1 | 1 | T1 | T2 | 100 | XLPE | bare | buried | 1980-01-01 | 2099-01-01
    S2 | L1 | 2 | T2 | T3 | 60 | XLPE | bare | buried | 1980-01-01 | 2019-01-01
    S2N | L1 | 2 | T2 | T3 | 64 | TRXLPE | jacketed | duct | 2019-01-01 | 2099-01-01
    S3 | L1 | 3 | T3 | T4 | 80 | EPR | jacketed | duct | 1990-01-01 | 2099-01-01
"""
TERMINALS = """
    terminal_id | tail_m | loop_id
    T1          | 2      | L1
    T2          | 3      | L1
    T3          |        | L1
    T4          | 1      | L1
"""
JOB_HEAD = (
    "job_id | loop_id | section_id | reported_at | restored_at | instrument_id | velocity_setting_pct "
    "| test_terminal_id | toward_terminal_id | estimated_distance_m | dug_distance_m "
    "| far_end_distance_m | far_end_terminal_id | dug_method"
)


def build(make_warehouse, *jobs: str, **tables: str):
    drawn = tables.pop("jobs", "\n".join([JOB_HEAD, *jobs]))
    con = make_warehouse(
        {"loops": LOOPS, "sections": SECTIONS, "terminals": TERMINALS, "jobs": drawn, **tables},
        settings=SETTINGS,
        build=("staging",),
    )
    for model in warehouse.build_order(("core",)):
        if model.path.stem.startswith(("locating_", "record_")):
            con.execute(f"create table {model.table} as {model.query}")
    return con


def paths(con, reading_id: str) -> dict[str, tuple[float, float]]:
    rows = con.execute(
        "select cable_class, length_m, tail_m from core.locating_paths where reading_id = ? order by cable_class",
        [reading_id],
    ).fetchall()
    return {name: (length, tail) for name, length, tail in rows}


DAY = "2020-05-01 10:00:00Z | 2020-05-01 14:00:00Z"
BEFORE = "2018-05-01 10:00:00Z | 2018-05-01 14:00:00Z"


def test_a_dug_path_is_split_over_the_classes_it_passes(make_warehouse) -> None:
    con = build(make_warehouse, f"J1 | L1 | S2N | {DAY} | I1 | 53 | T1 | T2 | 130 | 120 | | | taped")
    # route of S1: 100 less its tails of 2 and 3; both tails are passed, and that of T2 into S2N
    assert paths(con, "J1:dug") == {"XLPE/bare/buried": (95, 2 + 3), "TRXLPE/jacketed/duct": (120 - 95, 3)}


def test_the_chain_is_that_of_the_day(make_warehouse) -> None:
    con = build(make_warehouse, f"J1 | L1 | S2 | {BEFORE} | I1 | 53 | T1 | T2 | 130 | 120 | | | taped")
    assert paths(con, "J1:dug") == {"XLPE/bare/buried": (120, 2 + 3 + 3)}


def test_measured_towards_source_a_the_path_runs_the_other_way(make_warehouse) -> None:
    con = build(make_warehouse, f"J1 | L1 | S2N | {DAY} | I1 | 53 | T4 | T3 | 100 | 90 | | | taped")
    # S3 has a tail of 1 at T4, none on record at T3
    assert paths(con, "J1:dug") == {"EPR/jacketed/duct": (80 - 1, 1), "TRXLPE/jacketed/duct": (90 - 79, 0)}


def test_a_far_end_is_held_against_whole_lengths_of_the_register(make_warehouse) -> None:
    con = build(make_warehouse, f"J1 | L1 | S1 | {DAY} | I1 | 53 | T1 | T2 | | | 170 | T3 | taped")
    assert paths(con, "J1:far_end") == {"XLPE/bare/buried": (100, 0), "TRXLPE/jacketed/duct": (64, 0)}
    spans = con.execute("select section_id from core.locating_spans order by section_id").fetchall()
    assert spans == [("S1",), ("S2N",)]


def test_pieces_of_other_cable_are_taken_out_of_their_section(make_warehouse) -> None:
    pieces = """
        section_id | from_m | to_m | insulation | neutral  | installation | installed_on
        S1         | 40     | 50   | EPR        | jacketed | buried       | 2010-01-01
        S1         | 90     | 95   | EPR        | jacketed | buried       | 2010-01-01
        S1         | 60     | 70   | EPR        | jacketed | buried       | 2021-06-01
    """
    con = build(
        make_warehouse, f"J1 | L1 | S1 | {DAY} | I1 | 53 | T1 | T2 | 75 | 70 | | | taped", section_pieces=pieces
    )
    found = paths(con, "J1:dug")
    # the second piece lies beyond the fault, the third was laid later
    assert found["EPR/jacketed/buried"] == (10, 0)
    assert found["XLPE/bare/buried"] == (70 - 10, 2)


def test_both_ends_make_one_reading_with_the_zero_error_twice(make_warehouse) -> None:
    shots = """
        shot_no | terminal_id | toward_terminal_id | result     | fault_distance_m | job_id
        1       | T1          | T2                 | fault_seen | 40               | J1
        2       | T2          | T1                 | fault_seen | 65               | J1
        3       | T2          | T3                 | clear      |                  | J1
    """
    con = build(make_warehouse, f"J1 | L1 | S1 | {DAY} | I1 | 53 | T1 | T2 | | | | | taped", test_shots=shots)
    row = con.execute("""
        select displayed_distance_m, true_length_m, zero_errors, instrument_id, is_usable
        from core.locating_readings where reading_kind = 'two_ended'
    """).fetchall()
    assert row == [(40 + 65, 100, 2, "I1", True)]


def test_a_known_run_of_a_section_takes_its_class_and_the_length_stated(make_warehouse) -> None:
    known = """
        instrument_id | read_on    | section_id | known_length_m | reading_m | velocity_setting_pct
        I1            | 2020-01-01 | S1         |                | 103       | 53
        I1            | 2020-02-01 | S1         | 99             | 104       | 53
        I1            | 2020-03-01 |            | 50             | 51        | 53
        I1            | 2022-03-01 | S1         |                | 51        | 53
    """
    con = build(make_warehouse, f"J1 | L1 | S1 | {DAY} | | | | | | | | | taped", known_lengths=known)
    rows = con.execute("""
        select cast(read_at as date), true_length_m, cable_class, unusable_because
        from core.locating_readings where reading_kind = 'known_length' order by read_at
    """).fetchall()
    assert rows == [
        (dt.date(2020, 1, 1), 100, "XLPE/bare/buried", None),
        (dt.date(2020, 2, 1), 99, "XLPE/bare/buried", None),
        (dt.date(2020, 3, 1), 50, None, "path_unknown"),
    ]  # and nothing after the as-of date


@pytest.mark.parametrize(
    ("job", "why"),
    [
        (f"J1 | L1 | S1 | {DAY} | I1 | 53 | T1 | T2 | 70 | 70 | | | taped", "back_filled"),
        (f"J1 | L1 | S1 | {DAY} | I1 |    | T1 | T2 | 75 | 70 | | | taped", "setting_unknown"),
        (f"J1 | L1 | S1 | {DAY} | I1 | 53 | T1 | T2 | 0 | 70 | | | taped", "no_distance"),
        (f"J1 | L1 |    | {DAY} | I1 | 53 |    |    | 75 | 70 | | | taped", "path_unknown"),
        (f"J1 | L1 | S1 | {DAY} | I1 | 53 |    |    | 75 | 70 | | | taped", None),  # fits in the section dug
        (
            f"J1 | L1 |    | {BEFORE} | I1 | 53 | T1 |  | 75 | 70 | | | taped",
            None,
        ),  # at the loop's end there is one way only
    ],
)
def test_why_a_reading_cannot_be_used(make_warehouse, job: str, why: str | None) -> None:
    con = build(make_warehouse, job)
    found = con.execute("select is_usable, unusable_because from core.locating_readings").fetchall()
    assert found == [(why is None, why)]


def test_a_dig_beyond_the_register_stays_in_the_last_section(make_warehouse) -> None:
    con = build(make_warehouse, f"J1 | L1 | S3 | {DAY} | I1 | 53 | T3 | T4 | 120 | 110 | | | taped")
    assert paths(con, "J1:dug") == {"EPR/jacketed/duct": (110, 0)}


def test_locating_errors_call_the_section_the_display_falls_in(make_warehouse) -> None:
    from shared import dictionary
    from shared.store import create_table

    con = build(
        make_warehouse,
        f"J1 | L1 | S1  | {DAY} | I1 | 53 | T1 | T2 | 98 | 90 | | | taped",
        f"J2 | L1 | S2N | {DAY} | I1 | 53 | T1 | T2 | 105 | 100 | | | taped",
        f"J3 | L1 | S1  | {DAY} | I1 | 53 | T1 | T2 | 70 | 70 | | | taped",
        f"J4 | L1 | S1  | {DAY} | I1 | 53 | T1 | T2 | 125 | 120 | | | taped",
    )
    for name, table in dictionary.tables().items():
        if table.layer == "fitted":
            create_table(con, name)
    con.execute(
        "insert into fitted.corrected_distances (reading_id, corrected_distance_m) "
        "values ('J1:dug', 91), ('J2:dug', 99), ('J4:dug', 119)"
    )
    model = warehouse.models()["marts.locating_errors"]
    con.execute(f"create table marts.locating_errors as {model.query}")
    rows = con.execute("""
        select job_id, error_m, called_section_id, section_called_right, into_wrong_section_m, corrected_section_right,
            corrected_error_m, record_contradiction
        from marts.locating_errors order by job_id
    """).fetchall()
    # the route of S1 ends at 95 m; the back-filled J3 is left out
    assert rows == [
        ("J1", 98 - 90, "S2N", False, 98 - 95, True, 91 - 90, None),
        ("J2", 105 - 100, "S2N", True, 0, True, 99 - 100, None),
        ("J4", 125 - 120, "S2N", None, 125 - 95, None, 119 - 120, "dug_outside_section"),
    ]


def test_records_that_contradict_themselves_are_told_apart(make_warehouse) -> None:
    con = build(
        make_warehouse,
        f"ok     | L1 | S1  | {DAY} | I1 | 53 | T1 | T2 | 98  | 90   | | | taped",
        # the route of S1 ends at 95 m: 7.7 m beyond are within 3 m and a twentieth of the distance, 9 m are not
        f"near   | L1 | S1  | {DAY} | I1 | 53 | T1 | T2 | 98  | 102.7 | | | taped",
        f"dug    | L1 | S1  | {DAY} | I1 | 53 | T1 | T2 | 98  | 104  | | | taped",
        f"short  | L1 | S2N | {DAY} | I1 | 53 | T1 | T2 | 98  | 80   | | | taped",
        f"beyond | L1 | S3  | {DAY} | I1 | 53 | T1 | T2 | 98  | 400  | | | taped",
        f"behind | L1 | S1  | {DAY} | I1 | 53 | T2 | T3 | 98  | 50   | | | taped",
        f"back   | L1 | S3  | {DAY} | I1 | 53 | T3 | T2 | 98  | 50   | | | taped",
        f"gone   | L1 | S9  | {DAY} | I1 | 53 | T2 | T3 | 98  | 50   | | | taped",
        f"alone  | L1 |     | {DAY} | I1 | 53 | T2 | T3 | 98  | 50   | | | taped",
        f"where  | L1 | S1  | {DAY} | I1 | 53 |    |    | 98  | 900  | | | taped",
    )
    rows = con.execute("""
        select job_id, record_contradiction, section_from_m, section_to_m, dug_section_id, toward_at_m,
            other_toward_terminal_id, sections_ahead
        from core.record_contradictions order by job_id
    """).fetchall()
    # S1 has tails of 2 and 3 m, S2N one of 3 m at T2, S3 one of 1 m at T4; behind the terminal metres are of cable
    assert rows == [
        ("back", "section_behind_terminal", 0, 80, "S2N", 64, "T4", 2),
        ("behind", "section_behind_terminal", 0, 100, "S2N", 64, "T1", 2),
        ("beyond", "dug_outside_section", 95 + 61, 95 + 61 + 79, None, 100, None, 3),
        ("dug", "dug_outside_section", 0, 95, "S2N", 100, None, 3),
        ("gone", "section_not_on_loop", None, None, "S2N", 64, "T1", 2),
        ("short", "dug_outside_section", 95, 95 + 61, "S1", 100, None, 3),
    ]


def test_what_the_pulse_hides_is_no_reading_where_its_width_is_on_record(make_warehouse) -> None:
    rest = "loop_id | section_id | test_terminal_id | toward_terminal_id | dug_distance_m | sampling_m | reported_at"
    row = "L1 | S1 | T1 | T2 | 9 | 0.5 | 2020-05-01 10:00:00Z"
    jobs = f"""
        job_id | pulse_ns | estimated_distance_m | velocity_setting_pct | {rest}
        J1     | 100      | 7.9                  | 53                   | {row}
        J2     | 100      | 8.0                  | 53                   | {row}
        J3     | 100      | 8.0                  | 54                   | {row}
        J4     |          | 2.0                  | 53                   | {row}
        J5     | 100      | 2.0                  |                      | {row}
    """
    shots = """
        shot_no | job_id | terminal_id | toward_terminal_id | result     | fault_distance_m | pulse_ns | sampling_m
        1       | J2     | T1          | T2                 | fault_seen | 97               | 100      | 0.5
        2       | J2     | T2          | T1                 | fault_seen | 6                | 100      | 0.2
        1       | J3     | T1          | T2                 | fault_seen | 97               | 100      | 0.5
        2       | J3     | T2          | T1                 | fault_seen | 6                | 20       | 0.5
    """
    con = build(make_warehouse, jobs=jobs, test_shots=shots)
    rows = con.execute("""
        select reading_id, unusable_because, pulse_ns, sampling_m from core.locating_readings order by reading_id
    """).fetchall()
    # 100 ns hide 7.94 m at 53 % of c and 8.09 m at 54 %; from both ends the nearer fault counts
    assert rows == [
        ("J1:dug", "inside_blind_zone", 100, 0.5),
        ("J2:1+2:two_ended", "inside_blind_zone", 100, None),
        ("J2:dug", None, 100, 0.5),
        ("J3:1+2:two_ended", None, None, 0.5),
        ("J3:dug", "inside_blind_zone", 100, 0.5),
        ("J4:dug", None, None, 0.5),
        ("J5:dug", "setting_unknown", 100, 0.5),
    ]
    by_sql = con.execute(
        "select blind_zone_m(pulse, setting) from (values (20, 48), (500, 57.25)) as t (pulse, setting)"
    )
    assert [row[0] for row in by_sql.fetchall()] == pytest.approx(
        resolution.blind_zone_m(np.array([20, 500]), np.array([48, 57.25])).tolist(), rel=1e-14
    )


def test_a_known_run_may_name_its_class_where_it_has_no_section(make_warehouse) -> None:
    known = """
        instrument_id | read_on    | section_id | cable_class      | known_length_m | reading_m | velocity_setting_pct
        I1            | 2020-01-01 |            | EPR/bare/buried  | 50             | 51        | 53
        I1            | 2020-01-01 |            | XLPE/bare/buried | 50             | 51        | 53
        I1            | 2020-02-01 | S1         | EPR/bare/buried  | 99             | 104       | 53
        I1            | 2020-03-01 | S7         | EPR/bare/buried  | 99             | 104       | 53
    """
    con = build(make_warehouse, f"J1 | L1 | S1 | {DAY} | | | | | | | | | taped", known_lengths=known)
    rows = con.execute("""
        select cast(read_at as date), cable_class, true_length_m, path_basis, unusable_because
        from core.locating_readings where reading_kind = 'known_length' order by read_at, cable_class
    """).fetchall()
    assert rows == [
        (dt.date(2020, 1, 1), "EPR/bare/buried", 50, "section", None),
        (dt.date(2020, 1, 1), "XLPE/bare/buried", 50, "section", None),
        (dt.date(2020, 2, 1), "XLPE/bare/buried", 99, "section", None),  # the register knows its section
        (dt.date(2020, 3, 1), "EPR/bare/buried", 99, "section", None),
    ]
    assert paths(con, "I1:2020-01-01:EPR/bare/buried:50.0:51.0:known_length") == {"EPR/bare/buried": (50, 0)}
