"""Joined, turned and derived: what a shaped file brings is what the same rows bring in the canonical form."""

from __future__ import annotations

import json
from pathlib import Path

import duckdb
import pytest
import xlsxwriter

from pipelines.intake.load import LoadReport, load_paths
from pipelines.intake.quarantined import export_rows
from pipelines.validation.quarantine import list_findings
from shared.errors import UserError
from shared.settings import Settings
from shared.store import Workspace, open_warehouse
from tests.cases.small_utility import TABLES, write_csv


@pytest.fixture
def con(tmp_path: Path) -> duckdb.DuckDBPyConnection:
    con = open_warehouse(Workspace(tmp_path / "workspace"))
    for table in ("districts", "loops", "terminals", "sections"):
        write_csv(tmp_path / "register" / f"{table}.csv", TABLES[table])
    load_paths(con, [tmp_path / "register"], Settings())
    return con


@pytest.fixture
def load(con: duckdb.DuckDBPyConnection, tmp_path: Path):
    """Load texts under their names, through a mapping."""

    def load_files(mapping: str, **files: str) -> LoadReport:
        written = tmp_path / "some.toml"
        written.write_text(mapping)
        paths = []
        for name, text in files.items():
            paths.append(tmp_path / f"{name}.csv")
            paths[-1].write_text(text)
        return load_paths(con, paths, Settings(), written)

    return load_files


def rows_of(con: duckdb.DuckDBPyConnection, columns: str, table: str = "jobs") -> list[tuple[object, ...]]:
    return con.execute(f"select {columns} from raw.{table} order by all").fetchall()


OUTAGES = """Outage No,Circuit,Opened,Closed
77-A1,L1,2018-01-10 10:00,2018-01-10 12:15
77-A2,L1,2018-02-10 10:00,2018-02-10 12:15
77-A3,L2,2018-03-10 10:00,2018-03-10 12:15
"""
DIGS = """OUTAGE_ID,Opened,Taped m,Why
77-A1 ,2018-01-11,40.5,insulation_breakdown
77-A3,2018-03-11,12,workmanship
77-A9,2018-03-11,99,workmanship
"""
OUTAGE_MAPPING = """
[[table]]
to = "jobs"
files = "outages*"
[[table.join]]
files = "digs*"
on = { "Outage No" = "OUTAGE_ID" }
PREFIX
[table.columns]
job_id = "Outage No"
status = { value = "closed" }
loop_id = "Circuit"
reported_at = "Opened"
restored_at = "Closed"
dug_distance_m = "Taped m"
cause = "Why"
"""


def test_columns_of_another_file_stand_beside_the_row_of_their_key(load, con: duckdb.DuckDBPyConnection) -> None:
    mapping = OUTAGE_MAPPING.replace("PREFIX", 'prefix = "dig."')
    report = load(mapping, outages=OUTAGES, digs=DIGS)
    assert [(c.file, c.read, c.new) for c in report.files] == [("outages.csv", 3, 3)]
    assert report.passed_over == ()
    said = (
        "rows without a row in digs.csv: 1, such as the one whose Outage No is '77-A2': what it would give stays empty"
    )
    assert [(r.rule, r.message) for r in report.broken if r.rule.startswith("join")] == [("join_unmatched", said)]
    assert rows_of(con, "job_id, dug_distance_m, cause, row_number") == [
        ("77-A1", 40.5, "insulation_breakdown", 2),
        ("77-A2", None, None, 3),
        ("77-A3", 12.0, "workmanship", 4),
    ]
    broken = load(mapping, outages=OUTAGES, digs=DIGS + "77-A2,2018-02-11,13,dry, rocky,x\n").broken
    assert [r.message for r in broken if r.rule == "join_unread"] == [
        (
            "rows of digs.csv that cannot be split into columns and are joined to nothing: 1, first row 5 of digs.csv: "
            "the row has 6 cells, the header 4"
        )
    ]
    again = load(mapping, outages=OUTAGES, digs=DIGS).files[0]
    assert (again.read, again.unchanged) == (3, 3)


def test_a_header_in_both_files_needs_a_prefix_and_a_missing_file_is_named(load) -> None:
    with pytest.raises(UserError) as caught:
        load(OUTAGE_MAPPING.replace("PREFIX", ""), outages=OUTAGES, digs=DIGS)
    assert str(caught.value) == (
        "the column 'Opened' is in both files that the mapping joins\n  where: outages.csv, digs.csv\n"
        '  to do: add prefix = "their." to the join, and write "their.Opened" where the other file\'s is meant'
    )
    with pytest.raises(UserError) as caught:
        load(OUTAGE_MAPPING.replace("PREFIX", ""), outages=OUTAGES)
    assert str(caught.value) == (
        "the mapping joins files = 'digs*', and none of the files given is named so\n  where: outages.csv\n"
        "  to do: name them in the same load, beside this one"
    )
    with pytest.raises(UserError) as caught:
        load(
            OUTAGE_MAPPING.replace("PREFIX", 'prefix = "dig."').replace("OUTAGE_ID", "OUTAGE"),
            outages=OUTAGES,
            digs=DIGS,
        )
    assert str(caught.value) == (
        "the file has no column 'OUTAGE', on which its mapping joins it\n  where: digs.csv\n"
        "  to do: correct the mapping or the file; did you mean 'OUTAGE_ID'?"
    )


def test_a_key_with_several_rows_beside_it_is_refused_unless_many_is_said(load, con: duckdb.DuckDBPyConnection) -> None:
    several = DIGS + "77-A3,2018-03-12,14,workmanship\n77-A1,2018-01-11,40.5,insulation_breakdown\n"
    mapping = OUTAGE_MAPPING.replace("PREFIX", 'prefix = "dig."')
    with pytest.raises(UserError) as caught:
        load(mapping, outages=OUTAGES, digs=several)
    assert str(caught.value) == (
        "77-A3 has 2 rows in digs.csv, where the mapping joins one\n  where: outages.csv\n"
        '  to do: say rows = "many" in the join to have a row for each, or add a header to its on'
    )
    assert rows_of(con, "job_id") == []


LINES = """Ticket,Line,When,Back
T1,1,2018-01-10 11:40,50
T1,2,2018-01-10 12:15,40
T2,1,2018-02-10 12:15,90
T3,1,2018-02-10 12:15,-5
"""
HEADERS = "No,Job\nT1,J1\nT2,J2\nT3,J3\n"
STEP_COLUMNS = """
[table.columns]
job_id = "Job"
step_at = "When"
customers_restored = "Back"
"""


@pytest.mark.parametrize("main", ["lines", "headers"])
def test_a_header_and_its_lines_are_joined_either_way_round(load, con: duckdb.DuckDBPyConnection, main: str) -> None:
    beside = "headers" if main == "lines" else "lines"
    on = '{ Ticket = "No" }' if main == "lines" else '{ No = "Ticket" }\nrows = "many"'
    mapping = (
        f'[[table]]\nto = "restoration_steps"\nfiles = "{main}*"\n[[table.join]]\nfiles = "{beside}*"\non = {on}\n'
    )
    write = {"lines": LINES, "headers": HEADERS}
    report = load(mapping + STEP_COLUMNS, **write)
    (count,) = report.files
    assert (count.file, count.read, count.new + count.quarantined) == (f"{main}.csv", 4, 4)
    row_numbers = [2, 3, 4, 5] if main == "lines" else [2, 2, 3, 4]
    found = con.execute("""
        select row_number from (
            select row_number from raw.restoration_steps union all
            select row_number from raw.quarantined_rows where "table" = 'restoration_steps'
        ) order by 1
    """).fetchall()
    assert [n for (n,) in found] == row_numbers
    assert load(mapping + STEP_COLUMNS, **write).files[0].new == 0


WIDE = """Job,From,To,Shot1 m,Shot1 result,Shot2 m,Shot2 result,Shot3 m
J1,T1,T2,41,fault_seen,,,
J2,T2,T3,12O,fault_seen,13,clear,14
J3,T3,T4,,,,,
J4,T4,T5,7
"""
WIDE_MAPPING = """
[[table]]
to = "test_shots"
files = "shots*"
[table.rows_from_columns]
pattern = 'Shot(\\d+) (.+)'
number = "no"
[table.columns]
job_id = "Job"
shot_no = "no"
terminal_id = "From"
toward_terminal_id = "To"
fault_distance_m = "m"
result = "result"
"""


def test_repeated_columns_become_rows_and_blank_ones_none(load, con: duckdb.DuckDBPyConnection) -> None:
    (count,) = load(WIDE_MAPPING, shots=WIDE).files
    # four shots are given, and one row is cut short
    assert (count.read, count.new, count.quarantined) == (5, 4, 1)
    assert rows_of(con, "job_id, shot_no, fault_distance_m, result, row_number", "test_shots") == [
        ("J1", 1, 41.0, "fault_seen", 2),
        ("J2", 1, None, "fault_seen", 3),
        ("J2", 2, 13.0, "clear", 3),
        ("J2", 3, 14.0, None, 3),
    ]
    said = con.execute("select row_number, rule, \"value\" from raw.findings where rule like '%_unreadable'").fetchall()
    assert said == [(3, "value_unreadable", "12O")]
    assert con.execute("select row_number, cells from raw.quarantined_rows").fetchall() == [
        (5, '["J4", "T4", "T5", "7"]')
    ]
    with pytest.raises(UserError) as caught:
        load(WIDE_MAPPING.replace("Shot(", "Test("), shots=WIDE)
    assert str(caught.value) == (
        "no column of the file fits the pattern 'Test(\\d+) (.+)' of rows_from_columns\n  where: shots.csv\n"
        "  to do: correct the pattern; the columns are Job, From, To, Shot1 m, Shot1 result, Shot2 m, Shot2 result, "
        "Shot3 m"
    )


def test_a_row_of_a_wide_file_goes_to_quarantine_turned_and_is_mended(
    load, con: duckdb.DuckDBPyConnection, tmp_path: Path
) -> None:
    faulty = "Job,From,To,Shot1 m,Shot2 m\nJ1,T1,T2,41,42\n,T2,T3,1,2\n"
    mapping = WIDE_MAPPING.replace('result = "result"\n', "")
    (count,) = load(mapping, shots=faulty).files
    assert (count.read, count.new, count.quarantined) == (4, 2, 2)
    kept = con.execute("select headers, cells, row_number from raw.quarantined_rows order by cells").fetchall()
    assert [(json.loads(h), json.loads(c), n) for h, c, n in kept] == [
        (["Job", "From", "To", "Shot1 m", "Shot2 m", "no", "m"], ["", "T2", "T3", "1", "2", no, no], 3)
        for no in ("1", "2")
    ]
    out = tmp_path / "mended"
    export_rows(con, out)
    mended = (out / "shots.csv").read_text().replace("\n,T2", "\nJ2,T2", 1)
    (count,) = load(mapping, shots=mended).files
    assert (count.new, count.quarantined) == (1, 1)
    # the other row made of the same row of the file still waits, and its finding with it
    assert list_findings(con).query("rule == 'required_missing'")["row_number"].tolist() == [3, 3]
    mended = (out / "shots.csv").read_text().replace("\n,T2", "\nJ2,T2")
    (count,) = load(mapping, shots=mended).files
    assert (count.new, count.unchanged, count.quarantined) == (1, 1, 0)
    assert list_findings(con).query("rule == 'required_missing'").empty
    assert rows_of(con, "job_id, shot_no, fault_distance_m", "test_shots")[2:] == [("J2", 1, 1.0), ("J2", 2, 2.0)]


def test_a_joined_and_derived_row_is_mended_without_the_other_file(
    load, con: duckdb.DuckDBPyConnection, tmp_path: Path
) -> None:
    mapping = """
[[table]]
to = "jobs"
files = "outages*"
formats = ["%d/%m/%Y %H:%M"]
[[table.join]]
files = "digs*"
on = { No = "No" }
[table.derived]
job = "join('J', [No])"
began = "plus_minutes([Opened], -[Mins])"
[table.columns]
job_id = "job"
status = { value = "closed" }
loop_id = "Circuit"
reported_at = "began"
restored_at = "Opened"
"""
    outages = "No,Circuit,Opened\n1,L1,10/01/2018 10:00\n2,L1,10/02/2018 10:00\n"
    (count,) = load(mapping, outages=outages, digs="No,Mins\n1,90\n2,9o\n").files
    assert (count.new, count.quarantined) == (1, 1)
    (kept,) = con.execute("select headers, cells from raw.quarantined_rows").fetchall()
    assert dict(zip(*map(json.loads, kept), strict=True)) == {
        "No": "2",
        "Circuit": "L1",
        "Opened": "10/02/2018 10:00",
        "job": "J2",
        "Mins": "9o",
        "began": "10/02/2018 10:00 9o",
    }
    export_rows(con, tmp_path / "mended")
    text = (tmp_path / "mended" / "outages.csv").read_text().replace("10/02/2018 10:00 9o", "2018-02-10 08:30")
    (count,) = load(mapping, outages=text, digs="No,Mins\n").files
    assert (count.new, count.quarantined) == (1, 0)
    assert rows_of(con, "job_id, reported_at::varchar") == [
        ("J1", "2018-01-10 14:30:00+00"),
        ("J2", "2018-02-10 14:30:00+00"),
    ]


EVENTS = """Ticket,Event,At,Loop
J1,Reported,2018-01-10 10:00,L1
J1,Crew on site,2018-01-10 10:40,L1
J2,reported,2018-02-10 10:00,
J1,Restored,2018-01-10 12:15,
J2,Restored,2018-02-10 12:15,L2
J2,Reported,2018-02-10 10:20,L2
,Reported,2018-03-10 10:00,L1
"""
EVENT_MAPPING = """
[[table]]
to = "jobs"
files = "events*"
[table.columns_from_rows]
key = ["Ticket"]
name = "Event"
value = "At"
names = ["Fault found"]
[table.columns]
job_id = "Ticket"
status = { value = "closed" }
loop_id = "Loop"
reported_at = "Reported"
arrived_at = "Crew on site"
located_at = "Fault found"
restored_at = "Restored"
"""


def test_events_become_columns_of_one_row_a_key(load, con: duckdb.DuckDBPyConnection, tmp_path: Path) -> None:
    (count,) = load(EVENT_MAPPING, events=EVENTS).files
    assert (count.read, count.new, count.quarantined) == (3, 1, 2)
    assert rows_of(con, "job_id, loop_id, arrived_at::varchar, located_at, restored_at::varchar, row_number") == [
        ("J1", "L1", "2018-01-10 16:40:00+00", None, "2018-01-10 18:15:00+00", 2)
    ]
    said = con.execute('select row_number, rule, "column", "value" from raw.findings order by all').fetchall()
    # two times of one event are no time
    assert (4, "required_unreadable", "reported_at", "2018-02-10 10:00 / 2018-02-10 10:20") in said
    assert (8, "required_missing", "job_id", None) in said
    # a mended row has a column for each event already
    out = tmp_path / "mended"
    export_rows(con, out)
    mended = (out / "events.csv").read_text().replace("2018-02-10 10:00 / ", "")
    (count,) = load(EVENT_MAPPING, events=mended).files
    assert (count.new, count.quarantined) == (1, 1)
    assert con.execute("select key from raw.quarantined_rows where released_by is null").fetchall() == [("",)]


def test_ids_are_split_durations_added_and_serials_read(load, con: duckdb.DuckDBPyConnection) -> None:
    text = """Incident;Reported;Mins to arrive;Opened;Kind;Feet;Inches
N-J1-L1;10/01/2018 10:00;40;43110,4166667;K;100;6
N-J2-L2;11/03/2018 01:30;60;43170,0625;q;1,5;x
N-J3;10/04/2018 10:00;;43200,5;;;
"""
    mapping = """
[[table]]
to = "jobs"
files = "incidents*"
decimal = ","
formats = ["%d/%m/%Y %H:%M", "excel_serial"]
[table.derived]
job = "split([Incident], '-', 2)"
loop = "coalesce(split([Incident], '-', 3), 'L1')"
arrived = "plus_minutes([Reported], [Mins to arrive])"
dug = "[Feet] + [Inches] / 12"
why = "lookup([Kind], {'K': 'insulation_breakdown'})"
[table.columns]
job_id = "job"
status = { value = "closed" }
loop_id = "loop"
reported_at = "Reported"
arrived_at = "arrived"
restored_at = "Opened"
dug_distance_m = { from = "dug", unit = "ft" }
cause = "why"
"""
    (count,) = load(mapping, incidents=text).files
    assert (count.read, count.quarantined) == (3, 0)
    assert rows_of(con, "job_id, loop_id, arrived_at::varchar, restored_at::varchar, dug_distance_m, cause") == [
        (
            "J1",
            "L1",
            "2018-01-10 16:40:00+00",
            "2018-01-10 16:00:00+00",
            round(100.5 * 0.3048, 6),
            "insulation_breakdown",
        ),
        # an hour after half past one, on the night the clock is put forward, is half past three
        ("J2", "L2", "2018-03-11 08:30:00+00", "2018-03-11 07:30:00+00", None, None),
        ("J3", "L1", None, "2018-04-10 17:00:00+00", None, None),
    ]
    said = con.execute('select row_number, rule, "column", "value" from raw.findings order by all').fetchall()
    assert [s for s in said if s[2] in ("dug_distance_m", "cause")] == [
        (3, "code_unknown", "cause", "q"),
        (3, "value_unreadable", "dug_distance_m", "1,5 x"),
    ]


def test_two_sheets_of_one_workbook_are_joined(con: duckdb.DuckDBPyConnection, tmp_path: Path) -> None:
    book = tmp_path / "outages.xlsx"
    with xlsxwriter.Workbook(str(book)) as workbook:
        for name, rows in (("Outages", OUTAGES), ("Dig sheet", DIGS)):
            sheet = workbook.add_worksheet(name)
            for i, line in enumerate(rows.splitlines()):
                sheet.write_row(i, 0, line.split(","))
    mapping = OUTAGE_MAPPING.replace("PREFIX", 'prefix = "dig."').replace('files = "digs*"', 'sheet = "Dig sheet"')
    (tmp_path / "some.toml").write_text(mapping)
    (count,) = load_paths(con, [book], Settings(), tmp_path / "some.toml").files
    assert (count.read, count.new) == (3, 3)
    assert rows_of(con, "job_id, dug_distance_m") == [("77-A1", 40.5), ("77-A2", None), ("77-A3", 12.0)]


def test_rows_of_two_kinds_in_one_file_are_joined_by_filters(load, con: duckdb.DuckDBPyConnection) -> None:
    text = """Kind,Ticket,What,When
H,T1,J1,
L,T1,50,2018-01-10 11:40
L,T1,40,2018-01-10 12:15
"""
    mapping = """
[[table]]
to = "restoration_steps"
files = "mixed*"
filters = [{ column = "Kind", values = ["L"] }]
[[table.join]]
filters = [{ column = "Kind", values = ["H"] }]
on = { Ticket = "Ticket" }
prefix = "head."
[table.columns]
job_id = "head.What"
step_at = "When"
customers_restored = "What"
"""
    (count,) = load(mapping, mixed=text).files
    assert (count.read, count.filtered) == (2, 1)
    found = con.execute("select key from raw.quarantined_rows union all select job_id from raw.restoration_steps")
    assert [k[:2] for (k,) in found.fetchall()] == ["J1", "J1"]


@pytest.mark.parametrize(
    "formats, text, instant",
    [
        ('["excel_serial"]', "43110.4166666", "2018-01-10 16:00:00+00"),
        ('["%d/%m/%Y %H:%M", "excel_serial"]', "10/01/2018 10:00", "2018-01-10 16:00:00+00"),
        ('["epoch_s"]', "1515600000", "2018-01-10 16:00:00+00"),
        ('["epoch_ms"]', "1515600000000", "2018-01-10 16:00:00+00"),
        ('["epoch_s", "epoch_ms"]', "1515600000000", "2018-01-10 16:00:00+00"),
        ('["epoch_s", "epoch_ms"]', "1515600000", "2018-01-10 16:00:00+00"),
        ('["excel_serial"]', "20180110", None),
        ('["excel_serial"]', "2018-01-10 10:00", None),
    ],
)
def test_stamps_that_are_numbers_are_read_by_their_name(
    load, con: duckdb.DuckDBPyConnection, formats: str, text: str, instant: str | None
) -> None:
    mapping = f"""
[[table]]
to = "jobs"
files = "jobs*"
[table.columns]
job_id = "id"
status = {{ value = "closed" }}
loop_id = {{ value = "L1" }}
reported_at = {{ from = "at", formats = {formats} }}
restored_at = {{ from = "at", formats = {formats} }}
"""
    load(mapping, jobs=f"id,at\nJ1,{text}\n")
    assert rows_of(con, "reported_at::varchar") == ([(instant,)] if instant else [])
