"""Every rule fires on the row that breaks it, on no other, and says what its message promises."""

from __future__ import annotations

import datetime as dt
import logging
from pathlib import Path

import duckdb
import pytest

from pipelines.intake.load import load_paths
from pipelines.validation.rules import RULES, rules_for
from shared.errors import UserError
from shared.settings import Settings, Validation
from shared.store import Workspace, open_warehouse
from tests.cases.small_utility import TABLES, Row, with_changes, write_csv, write_utility

STAMPS = {
    "reported_at": 0,
    "dispatched_at": 9,
    "arrived_at": 40,
    "located_at": 90,
    "restored_at": 135,
    "pinpointed_at": 240,
    "repaired_at": 560,
    "normal_at": 2830,
    "closed_at": 6100,
}

# rule -> cells of a job that differ from a sound one (a number is minutes after the report), and the columns
# that the findings point at. Each such job stands on its own day and its own spot of the cable.
BROKEN_JOBS: dict[str, tuple[dict[str, str | int], list[str | None]]] = {
    "required_missing": ({"loop_id": ""}, ["loop_id"]),
    "required_unreadable": ({"reported_at": "yesterday"}, ["reported_at"]),
    "value_unreadable": ({"dug_distance_m": "12O"}, ["dug_distance_m"]),
    "code_unknown": ({"cause": "squirrel"}, ["cause"]),
    "status_unknown": ({"status": "open"}, ["status"]),
    "clock_change": (
        {"pinpointed_at": "2018-03-11 02:30", "repaired_at": "", "normal_at": "", "closed_at": ""},
        ["pinpointed_at"],
    ),
    "required_clock_change": ({"reported_at": "2018-11-04 01:30", "closed_at": ""}, ["reported_at"]),
    "key_repeated": ({"job_id": "J1"}, [None]),
    "below_bound": ({"customers_interrupted": "-4"}, ["customers_interrupted"]),
    "loop_unknown": ({"loop_id": "L9"}, ["loop_id"]),
    "section_unknown": ({"section_id": "S9"}, ["section_id"]),
    "terminal_unknown": (
        {"test_terminal_id": "T99", "far_end_terminal_id": "T98"},
        ["far_end_terminal_id", "test_terminal_id"],
    ),
    "instrument_unknown": ({"instrument_id": "R9"}, ["instrument_id"]),
    "arrived_before_dispatched": ({"arrived_at": 5}, ["arrived_at", "dispatched_at"]),
    "located_before_arrived": ({"located_at": 30}, ["arrived_at", "located_at"]),
    "restored_before_reported": ({"restored_at": -20, "located_at": ""}, ["restored_at"]),
    "repaired_before_reported": ({"repaired_at": -500}, ["repaired_at"]),
    "stamp_after_closed": ({"normal_at": 6200}, ["closed_at", "normal_at"]),
    "time_in_future": ({"closed_at": "2118-01-14 15:45"}, ["closed_at"]),
    "reported_after_all": (
        {c: minutes - 9000 for c, minutes in STAMPS.items() if c in ("located_at", "pinpointed_at")}
        | dict.fromkeys((c for c in STAMPS if c not in ("located_at", "pinpointed_at", "reported_at")), ""),
        ["reported_at"],
    ),
    "dispatched_before_reported": ({"dispatched_at": -2}, ["dispatched_at"]),
    "restored_before_located": ({"restored_at": 80}, ["restored_at"]),
    "restored_equals_closed": ({"restored_at": 6100}, ["restored_at"]),
    "span_over_7_days": ({"restored_at": 7 * 1440 + 1, "closed_at": 12000}, ["restored_at"]),
    "failure_before_installation": (
        {"section_id": "S-young", "loop_id": "L-young", "estimated_distance_m": "9", "dug_distance_m": "8"},
        ["section_id"],
    ),
    "distance_negative": ({"dug_distance_m": "-12"}, ["dug_distance_m"]),
    "velocity_out_of_range": ({"velocity_setting_pct": "0.53"}, ["velocity_setting_pct"]),
    "velocity_unusual": ({"velocity_setting_pct": "66"}, ["velocity_setting_pct"]),
    "distance_beyond_loop": ({"estimated_distance_m": "361"}, ["estimated_distance_m"]),
    "estimate_equals_dug": ({"estimated_distance_m": "307.25", "dug_distance_m": "307.25"}, ["estimated_distance_m"]),
    "possible_duplicate": (
        {"reported_at": "2018-01-10 10:14", "closed_at": "", "loop_id": "L1", "section_id": ""},
        ["reported_at"],
    ),
    "possible_reopened": (
        {
            "reported_at": "2018-02-08 09:00",
            "section_id": "S2",
            "test_terminal_id": "T2",
            "dug_distance_m": "43.5",
            "closed_at": "",
        },
        ["section_id"],
    ),
}
# rule -> table, a row that breaks it, and the columns that the findings point at.
BROKEN_ELSEWHERE: dict[str, tuple[str, Row, list[str]]] = {
    "timezone_unknown": ("districts", {"district_id": "D2", "timezone": "Central"}, ["timezone"]),
    "district_unknown": ("customers_by_year", {"district_id": "D9"}, ["district_id"]),
    "job_unknown": ("test_shots", {"job_id": "J9"}, ["job_id"]),
    "length_source_missing": ("known_lengths", {"known_length_m": "", "read_on": "2017-04-01"}, ["known_length_m"]),
    "decision_without_place": ("decisions", {"decision_id": "D2", "loop_id": "", "section_id": ""}, ["loop_id"]),
    "run_not_named": ("known_lengths", {"cable_class": "", "read_on": "2017-04-02"}, ["section_id"]),
    "class_unknown": ("known_lengths", {"cable_class": "XLPE/bare/duct", "read_on": "2017-04-03"}, ["cable_class"]),
    "length_not_positive": ("sections", {"length_m": "0"}, ["length_m"]),
    "retired_before_installed": ("sections", {"retired_on": "1979-01-01"}, ["installed_on"]),
    "not_yet_installed": ("sections", {"installed_on": "2131-01-01"}, ["installed_on"]),
    "install_date_missing": ("sections", {"installed_on": ""}, ["installed_on"]),
    "install_date_default": ("sections", {"installed_on": "1970-01-01"}, ["installed_on"]),
    "install_date_impossible": ("sections", {"insulation": "TRXLPE", "installed_on": "1975-01-01"}, ["installed_on"]),
    "loop_not_one_chain": ("sections", {"position": "2"}, ["loop_id"]),
    "more_restored_than_interrupted": (
        "restoration_steps",
        {"job_id": "J2", "customers_restored": "91"},
        ["customers_restored"],
    ),
    "steps_not_adding_up": ("restoration_steps", {"job_id": "J3", "customers_restored": "89"}, ["customers_restored"]),
    "correction_stale": ("corrections", {"value_now": "C7"}, ["value_now"]),
    "cluster_stale": ("job_clusters", {"joined_with": "J77"}, ["joined_with"]),
}
# No decisions are part of a utility's own export; these are sound.
CORRECTION: Row = {
    "job_id": "J1",
    "column": "crew_id",
    "slip": "",
    "value_now": "C1",
    "value_proposed": "C2",
    "decision": "refuse",
    "grounds": "",
}
CLUSTER: Row = {"job_id": "J1", "joined_with": "J2", "cluster_decision": "separate", "grounds": ""}
DECISION: Row = {"decision_id": "D1", "loop_id": "L1", "section_id": "S1", "decision": "wait", "year": "2020"}
DECIDED = {"corrections": [CORRECTION], "job_clusters": [CLUSTER], "decisions": [DECISION]}


def broken_job(number: int, rule: str, cells: dict[str, str | int]) -> Row:
    start = dt.datetime(2015, 1, 5, 10) + dt.timedelta(days=9 * number)
    job: Row = dict(
        TABLES["jobs"][0],
        job_id=f"J-{rule}",
        dug_distance_m=f"{50 + 8 * number}.0",
        estimated_distance_m=f"{51 + 8 * number}.5",
    )
    if isinstance(cells.get("reported_at"), str) and str(cells["reported_at"])[:2] == "20":
        start = dt.datetime.fromisoformat(str(cells["reported_at"]))
    for column, minutes in STAMPS.items():
        job[column] = f"{start + dt.timedelta(minutes=minutes):%Y-%m-%d %H:%M}"
    if rule in ("clock_change", "required_clock_change"):
        day = str(cells["pinpointed_at" if rule == "clock_change" else "reported_at"])[:10]
        night = dt.datetime.fromisoformat(day) - dt.timedelta(hours=2)
        for column in ("reported_at", "dispatched_at", "arrived_at", "located_at", "restored_at"):
            job[column] = f"{night + dt.timedelta(minutes=STAMPS[column] // 2):%Y-%m-%d %H:%M}"
        for column in ("pinpointed_at", "repaired_at", "normal_at", "closed_at"):
            job[column] = ""
    for column, cell in cells.items():
        job[column] = cell if isinstance(cell, str) else f"{start + dt.timedelta(minutes=cell):%Y-%m-%d %H:%M}"
    return job


def broken_tables() -> dict[str, list[Row]]:
    tables = {table: [dict(row) for row in rows] for table, rows in TABLES.items()}
    tables |= {table: [dict(row) for row in rows] for table, rows in DECIDED.items()}
    tables["loops"].append(dict(TABLES["loops"][1], loop_id="L-young"))
    tables["sections"].append(
        dict(TABLES["sections"][3], section_id="S-young", loop_id="L-young", installed_on="2017-06-01")
    )
    for number, (rule, (cells, _)) in enumerate(BROKEN_JOBS.items()):
        tables["jobs"].append(broken_job(number, rule, cells))
    for rule, (table, cells, _) in BROKEN_ELSEWHERE.items():
        row = dict(tables[table][3 if table == "sections" else 0], **cells)
        if table == "corrections":
            row.update(job_id="J2", decision="apply")
        if table == "job_clusters":
            row.update(cluster_decision="join")
        if table == "sections":
            tables["loops"].append(dict(TABLES["loops"][1], loop_id=f"L-{rule}"))
            row.update(section_id=f"S-{rule}", loop_id=f"L-{rule}")
        tables[table].append(row)
    return tables


@pytest.fixture(scope="module")
def broken(tmp_path_factory) -> duckdb.DuckDBPyConnection:
    folder = tmp_path_factory.mktemp("rules")
    con = open_warehouse(Workspace(folder / "workspace"))
    load_paths(con, [write_utility(folder / "export", **broken_tables())], Settings())
    return con


def places_of(rule: str) -> list[tuple[str, int]]:
    """Table and row number of the row that breaks a rule."""
    tables = broken_tables()
    if rule in BROKEN_JOBS:
        return [("jobs", 2 + len(TABLES["jobs"]) + list(BROKEN_JOBS).index(rule))]
    table, cells, _ = BROKEN_ELSEWHERE[rule]
    rows = tables[table]
    return [
        (table, 2 + i)
        for i, row in enumerate(rows)
        if i >= len({**TABLES, **DECIDED}[table]) and all(row[c] == v for c, v in cells.items())
    ]


def test_every_rule_but_the_form_of_a_row_is_broken_here() -> None:
    # test_intake_text.py, below, test_intake_cables.py
    elsewhere = {"row_malformed", "key_empty", "cable_changed"}
    assert {r.name for r in RULES} == set(BROKEN_JOBS) | set(BROKEN_ELSEWHERE) | elsewhere


@pytest.mark.parametrize("rule", [*BROKEN_JOBS, *BROKEN_ELSEWHERE])
def test_a_rule_fires_on_its_row_alone(broken: duckdb.DuckDBPyConnection, rule: str) -> None:
    columns = BROKEN_JOBS[rule][1] if rule in BROKEN_JOBS else BROKEN_ELSEWHERE[rule][2]
    expected = [(table, row, column) for table, row in places_of(rule) for column in columns]
    if rule == "possible_duplicate":
        expected.insert(0, ("jobs", 2, "reported_at"))  # both jobs of a pair are flagged
    if rule == "possible_reopened":
        expected.insert(0, ("jobs", 3, "section_id"))
    found = broken.execute(
        'select "table", row_number, "column" from raw.findings where rule = ? order by all', [rule]
    ).fetchall()
    if rule == "possible_duplicate":  # the row that repeats J1's key speaks of J1 too
        found = [f for f in found if f[1] != places_of("key_repeated")[0][1]]
    if rule == "velocity_unusual":  # a fraction for percent is unusual besides being impossible
        found = [f for f in found if f[1] != places_of("velocity_out_of_range")[0][1]]
    assert found == expected


def test_rows_without_fault_have_no_finding(broken: duckdb.DuckDBPyConnection) -> None:
    pairs = {("possible_duplicate", 2), ("possible_reopened", 3)}
    found = broken.execute('select "table", row_number, rule from raw.findings').fetchall()
    assert [f for f in found if f[1] < 2 + len({**TABLES, **DECIDED}[f[0]]) and (f[2], f[1]) not in pairs] == []


def test_the_suites_say_nothing_where_a_log_handler_listens(
    broken: duckdb.DuckDBPyConnection,  # noqa: ARG001 (its suites have run)
) -> None:
    for name, logger in logging.root.manager.loggerDict.items():
        if name.startswith("great_expectations") and isinstance(logger, logging.Logger):
            assert not logger.isEnabledFor(logging.INFO), name


def test_severities_are_those_of_the_rules_and_rejected_rows_are_set_aside(broken: duckdb.DuckDBPyConnection) -> None:
    severities = {r.name: r.severity for r in RULES}
    found = dict(broken.execute("select distinct rule, severity from raw.findings").fetchall())
    assert found == {rule: severities[rule] for rule in found}
    rejected = {rule for rule in (*BROKEN_JOBS, *BROKEN_ELSEWHERE) if severities[rule] == "reject"}
    places = sorted(place for rule in rejected for place in places_of(rule))
    assert broken.execute('select "table", row_number from raw.quarantined_rows order by all').fetchall() == places


@pytest.fixture
def load(tmp_path: Path):
    def run(settings: Settings | None = None, **replaced: list[Row]) -> duckdb.DuckDBPyConnection:
        con = open_warehouse(Workspace(tmp_path / "workspace"))
        needed = {t: TABLES[t] for t in ("districts", "loops", "sections", "jobs")} | replaced
        load_paths(con, [write_csv(tmp_path / f"{t}.csv", rows) for t, rows in needed.items()], settings or Settings())
        return con

    return run


def test_messages_say_the_value_the_place_and_the_cure(load) -> None:
    con = load(
        jobs=with_changes(
            "jobs", {"cause": "squirrel"}, {"reported_at": "yesterday"}, {"normal_at": "2018-03-20 09:00"}
        )
    )
    said = dict(con.execute("select rule, message from raw.findings").fetchall())
    assert said == {
        "code_unknown": "cause = 'squirrel' is not one of insulation_breakdown, water_treeing, neutral_corrosion, "
        "workmanship, moisture, overload, lightning, dig_in, animal, vehicle, other, unknown; "
        "translate it in the mapping, or correct it",
        "required_unreadable": "reported_at = 'yesterday' is not a time such as 2019-04-30 14:05; correct it, or state "
        "its form in the mapping",
        "stamp_after_closed": "normal_at = '2018-03-20 09:00' cannot be: closed_at is before normal_at; correct one of "
        "them",
    }


@pytest.mark.parametrize("severity, kept, found", [("reject", 2, 1), ("warn", 3, 1), ("off", 3, 0)])
def test_a_severity_can_be_turned(load, severity: str, kept: int, found: int) -> None:
    settings = Settings(validation=Validation(severities={"velocity_unusual": severity}))
    con = load(settings, jobs=with_changes("jobs", {}, {}, {"velocity_setting_pct": "66"}))
    assert con.execute("select count(*) from raw.jobs").fetchone() == (kept,)
    assert con.execute("select count(*) from raw.findings").fetchone() == (found,)


def test_a_row_without_a_key_stays_out_even_where_missing_values_are_only_warned_of(load) -> None:
    settings = Settings(validation=Validation(severities={"required_missing": "warn"}))
    con = load(settings, jobs=with_changes("jobs", {"job_id": ""}, {"restored_at": ""}))
    assert con.execute("select job_id from raw.jobs order by 1").fetchall() == [("J2",), ("J3",)]
    assert con.execute("select row_number, \"column\" from raw.findings where rule = 'key_empty'").fetchall() == [
        (2, "job_id")
    ]


@pytest.mark.parametrize(
    "severities, message",
    [
        (
            {"loop_unknwon": "warn"},
            """there is no rule 'loop_unknwon'
  where: setting validation.severities
  to do: did you mean 'loop_unknown' or 'job_unknown' or 'code_unknown'?""",
        ),
        (
            {"loop_unknown": "fatal"},
            """severity 'fatal' of rule 'loop_unknown' is unknown
  where: setting validation.severities
  to do: give reject, empty, warn or off""",
        ),
        (
            {"key_repeated": "empty"},
            """rule 'key_repeated' cannot be turned to empty
  where: setting validation.severities
  to do: give reject, warn or off: it points at no value of a row that could be taken out""",
        ),
        (
            {"encoding_assumed": "empty"},
            """rule 'encoding_assumed' cannot be turned to empty
  where: setting validation.severities
  to do: give reject, warn or off: it points at no value of a row that could be taken out""",
        ),
        (
            {"row_malformed": "off"},
            """rule 'row_malformed' cannot be turned to off
  where: setting validation.severities
  to do: leave it at reject: a row that cannot be split into columns, or has no key, cannot be kept""",
        ),
    ],
)
def test_a_wrong_severity_is_refused_by_name(severities: dict[str, str], message: str) -> None:
    with pytest.raises(UserError) as caught:
        rules_for("jobs", Settings(validation=Validation(severities=severities)))
    assert str(caught.value) == message


def test_names_messages_and_examples_are_fit_for_the_documentation() -> None:
    names = [r.name for r in RULES]
    assert len(names) == len(set(names))
    for rule in RULES:
        assert rule.message and rule.example and set(rule.tables) <= {*TABLES, *DECIDED}, rule.name


EDGES: list[tuple[dict[str, str | int], set[str]]] = [
    ({"restored_at": 7 * 1440, "closed_at": 12000}, set()),  # seven days to the minute
    ({"velocity_setting_pct": "29.9"}, {"velocity_out_of_range", "velocity_unusual"}),
    ({"velocity_setting_pct": "30"}, {"velocity_unusual"}),
    ({"velocity_setting_pct": "80"}, {"velocity_unusual"}),
    ({"velocity_setting_pct": "80.1"}, {"velocity_out_of_range", "velocity_unusual"}),
    ({"velocity_setting_pct": "47.9"}, {"velocity_unusual"}),
    ({"velocity_setting_pct": "48"}, set()),
    ({"velocity_setting_pct": "60"}, set()),
    ({"velocity_setting_pct": "60.1"}, {"velocity_unusual"}),
    ({"section_id": "S-pilc", "velocity_setting_pct": "37.9"}, {"velocity_unusual"}),
    ({"section_id": "S-pilc", "velocity_setting_pct": "38"}, set()),
    ({"section_id": "S-pilc", "velocity_setting_pct": "57"}, set()),
    ({"section_id": "S-pilc", "velocity_setting_pct": "57.1"}, {"velocity_unusual"}),
    # a date without an hour may be the last second of its day
    ({"normal_at": 4 * 1440 + 839, "closed_at": "day 4"}, set()),
    ({"normal_at": 4 * 1440 + 850, "closed_at": "day 4"}, {"stamp_after_closed"}),
    ({"repaired_at": "day 0", "pinpointed_at": ""}, set()),
    ({"restored_at": "day 0"}, set()),
    ({"restored_at": 135, "closed_at": "day 0", "repaired_at": "", "normal_at": ""}, set()),
    (
        {"reported_at": 1440, "dispatched_at": "", "arrived_at": "", "located_at": "", "restored_at": "day 0"},
        {"restored_before_reported", "repaired_before_reported"},
    ),
]


def edge_jobs() -> list[Row]:
    rows = []
    for number, (cells, _) in enumerate(EDGES):
        job = broken_job(number, str(number), {c: v for c, v in cells.items() if not str(v).startswith("day")})
        start = dt.datetime(2015, 1, 5) + dt.timedelta(days=9 * number)
        days = {c: int(str(v)[4:]) for c, v in cells.items() if str(v).startswith("day")}
        rows.append(job | {c: f"{start + dt.timedelta(days=n):%Y-%m-%d}" for c, n in days.items()})
    return rows


@pytest.fixture(scope="module")
def edges(tmp_path_factory) -> duckdb.DuckDBPyConnection:
    """Jobs at the edges of their rules, and faults of tables whose registers of instruments and terminals are empty."""
    folder = tmp_path_factory.mktemp("edges")
    pilc = dict(TABLES["sections"][0], section_id="S-pilc", insulation="PILC", position="4", from_terminal_id="T4")
    odd = dict(TABLES["sections"][1], to_terminal_id="T98", insulation="tape", installed_on="soon")
    length = dict(TABLES["known_lengths"][0], instrument_id="R9", reading_m="-1")
    tables = {
        "districts": TABLES["districts"],
        "loops": TABLES["loops"],
        "sections": [
            dict(TABLES["sections"][0], length_m="0.5"),
            odd,
            TABLES["sections"][2],
            pilc | {"to_terminal_id": "T5"},
        ],
        "section_pieces": [dict(TABLES["section_pieces"][0], from_m="25", to_m="25")],
        "jobs": edge_jobs(),
        "test_shots": [dict(TABLES["test_shots"][0], job_id="J-0", terminal_id="T99", velocity_setting_pct="81")],
        "known_lengths": [length, length | {"read_on": "2017-04-01", "reading_m": "9", "known_length_m": "0"}],
    }
    con = open_warehouse(Workspace(folder / "workspace"))
    settings = Settings().override("intake", insulations={"TAPE2": "taped"})
    load_paths(con, [write_csv(folder / f"{t}.csv", rows) for t, rows in tables.items()], settings)
    return con


def test_edges_of_the_rules_of_jobs(edges: duckdb.DuckDBPyConnection) -> None:
    found: dict[int, set[str]] = {n: set() for n in range(len(EDGES))}
    told = edges.execute("select row_number - 2, rule from raw.findings where \"table\" = 'jobs'").fetchall()
    for number, name in told:
        found[number].add(name)
    assert found == dict(enumerate(names for _, names in EDGES))


def test_faults_of_other_tables_say_the_value_and_the_form(edges: duckdb.DuckDBPyConnection) -> None:
    form = "insulation = 'tape' is not one of HMWPE, XLPE, TRXLPE, EPR, PILC, other, TAPE2"
    told = [
        ("known_lengths", "distance_negative", "reading_m", "reading_m = '-1' is negative"),
        ("known_lengths", "length_not_positive", "length_m", "the length '0' is not above 0"),
        ("section_pieces", "length_not_positive", "length_m", "the length '25 to 25' is not above 0"),
        ("sections", "required_unreadable", "insulation", form),
        ("sections", "value_unreadable", "installed_on", "installed_on = 'soon' is not a date such as 2019-04-30"),
        (
            "test_shots",
            "velocity_out_of_range",
            "velocity_setting_pct",
            "velocity_setting_pct = '81' is outside 30 to 80 % of c",
        ),
    ]
    found = edges.execute("""
        select "table", rule, "column", regexp_extract(message, '^[^;]*') from raw.findings
        where "table" <> 'jobs' and rule <> 'loop_not_one_chain' order by all
    """).fetchall()
    assert found == told


def test_messages_name_bounds_and_repeated_keys(broken: duckdb.DuckDBPyConnection) -> None:
    def said(rule: str) -> str:
        return broken.execute("select message from raw.findings where rule = ? order by all", [rule]).fetchall()[0][0]

    assert said("key_repeated").startswith("the key J1 / 1 is in row 2 of the same file with other content; keep one")
    assert said("below_bound") == "customers_interrupted = '-4' is below its bound of 0; correct it"
    assert said("length_not_positive") == "the length '0' is not above 0; correct it"
    assert said("time_in_future") == "closed_at = '2118-01-14 15:45' lies in the future; correct it"
    assert said("more_restored_than_interrupted").endswith("(91 of 90); correct the steps or the job")
