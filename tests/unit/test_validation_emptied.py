"""A broken optional value is taken out and its row kept; where a row cannot do without the value, it is kept out."""

from __future__ import annotations

from pathlib import Path

import duckdb
import pytest

from pipelines.intake.load import LoadReport, load_paths
from pipelines.validation.rules import RULES, emptied_columns
from shared.settings import Settings, Validation
from shared.store import Workspace, open_warehouse
from tests.cases.small_utility import TABLES, Row, with_changes, write_csv

BROKEN = {
    "velocity_setting_pct": "0.53",
    "dug_distance_m": "-12",
    "arrived_at": "2018-01-10 09:05",
    "cause": "squirrel",
}


@pytest.fixture
def con(tmp_path: Path) -> duckdb.DuckDBPyConnection:
    return open_warehouse(Workspace(tmp_path / "workspace"))


def load(
    con: duckdb.DuckDBPyConnection, folder: Path, settings: Settings | None = None, **tables: list[Row]
) -> LoadReport:
    paths = [write_csv(folder / f"{table}.csv", rows) for table, rows in tables.items()]
    return load_paths(con, paths, settings or Settings())


@pytest.fixture
def register(con: duckdb.DuckDBPyConnection, tmp_path: Path) -> None:
    load(con, tmp_path, **{t: TABLES[t] for t in ("districts", "loops", "terminals", "sections", "instruments")})


@pytest.mark.usefixtures("register")
def test_broken_values_are_emptied_and_all_else_of_the_row_stays(
    con: duckdb.DuckDBPyConnection, tmp_path: Path
) -> None:
    report = load(con, tmp_path, jobs=with_changes("jobs", BROKEN))
    (count,) = report.files
    assert (count.read, count.new, count.quarantined, count.warned, count.emptied) == (3, 3, 0, 1, 5)
    assert con.execute("select emptied from raw.files where \"table\" = 'jobs'").fetchone() == (5,)
    kept = con.execute("""
        select velocity_setting_pct, dug_distance_m, dispatched_at, arrived_at, cause, estimated_distance_m,
            strftime(timezone('America/Chicago', located_at), '%H:%M'), customers_interrupted
        from raw.jobs where job_id = 'J1'
    """).fetchone()
    first = TABLES["jobs"][0]
    assert kept == (
        None, None, None, None, None, float(first["estimated_distance_m"]), first["located_at"][11:],
        int(first["customers_interrupted"]),
    )  # fmt: skip
    found = con.execute("""
        select rule, severity, "column", "value" from raw.findings
        where row_number = 2 and "table" = 'jobs' order by all
    """).fetchall()
    assert found == [
        ("arrived_before_dispatched", "empty", "arrived_at", "2018-01-10 09:05"),
        ("arrived_before_dispatched", "empty", "dispatched_at", first["dispatched_at"]),
        ("code_unknown", "empty", "cause", "squirrel"),
        ("distance_negative", "empty", "dug_distance_m", "-12"),
        ("velocity_out_of_range", "empty", "velocity_setting_pct", "0.53"),
        ("velocity_unusual", "warn", "velocity_setting_pct", "0.53"),
    ]


@pytest.mark.usefixtures("register")
def test_the_same_export_again_is_unchanged_and_a_mended_one_revises(
    con: duckdb.DuckDBPyConnection, tmp_path: Path
) -> None:
    load(con, tmp_path, jobs=with_changes("jobs", BROKEN))
    (again,) = load(con, tmp_path, jobs=with_changes("jobs", BROKEN)).files
    assert (again.unchanged, again.revised, again.emptied, again.warned) == (3, 0, 0, 0)
    (mended,) = load(con, tmp_path, jobs=with_changes("jobs", BROKEN | {"velocity_setting_pct": "53"})).files
    assert (mended.unchanged, mended.revised, mended.emptied) == (2, 1, 4)
    assert con.execute("select max(velocity_setting_pct) from raw.jobs where job_id = 'J1'").fetchone() == (53.0,)


@pytest.mark.usefixtures("register")
def test_a_job_without_restored_at_stays(con: duckdb.DuckDBPyConnection, tmp_path: Path) -> None:
    rows = with_changes("jobs", {"restored_at": ""}, {"restored_at": "soon"}, {"restored_at": "2018-03-10 01:00"})
    (count,) = load(con, tmp_path, jobs=rows).files
    assert (count.new, count.quarantined, count.emptied) == (3, 0, 2)
    assert con.execute("select count(restored_at), count(*) from raw.jobs").fetchone() == (0, 3)
    without = [
        {c: v for c, v in row.items() if c != "restored_at"} | {"job_id": f"N-{n}"} for n, row in enumerate(rows)
    ]
    assert load(con, tmp_path, jobs=without).files[0].new == 3


@pytest.mark.usefixtures("register")
@pytest.mark.parametrize(
    "severity, kept, velocity, emptied, quarantined",
    [("reject", 2, None, 0, 1), ("empty", 3, None, 1, 0), ("warn", 3, 90.0, 0, 0), ("off", 3, 90.0, 0, 0)],
)
def test_every_severity_can_be_chosen(
    con: duckdb.DuckDBPyConnection, tmp_path: Path, severity: str, kept: int, velocity: float | None, emptied: int,
    quarantined: int,
) -> None:  # fmt: skip
    chosen = Settings(validation=Validation(severities={"velocity_out_of_range": severity, "velocity_unusual": "off"}))
    rows = with_changes("jobs", {"velocity_setting_pct": "90"})
    (count,) = load(con, tmp_path, chosen, jobs=rows).files
    assert (count.new, count.emptied, count.quarantined) == (kept, emptied, quarantined)
    row = con.execute("select velocity_setting_pct from raw.jobs where job_id = 'J1'").fetchone()
    assert row == ((velocity,) if kept == 3 else None)


@pytest.mark.usefixtures("register")
def test_a_value_that_the_row_cannot_do_without_keeps_it_out(con: duckdb.DuckDBPyConnection, tmp_path: Path) -> None:
    future = "2131-03-01 10:00"
    jobs = with_changes(
        "jobs", {"reported_at": future}, {"revision": "-1"}, {"closed_at": future, "restored_at": future}
    )
    sections = with_changes("sections", {"position": "0"}, {"customers": "-1", "retired_on": "2131-01-01"})
    known = with_changes("known_lengths", {"velocity_setting_pct": "81"})
    report = load(con, tmp_path, sections=sections, jobs=jobs, known_lengths=known)
    assert {(c.table, c.quarantined, c.emptied) for c in report.files} == {
        ("sections", 1, 2), ("jobs", 2, 2), ("known_lengths", 1, 0),
    }  # fmt: skip
    found = con.execute("""
        select "table", rule, "column", severity from raw.findings
        where rule in ('time_in_future', 'below_bound', 'velocity_out_of_range', 'stamp_after_closed') order by all
    """).fetchall()
    assert found == [
        ("jobs", "below_bound", "revision", "reject"),
        ("jobs", "time_in_future", "closed_at", "empty"),
        ("jobs", "time_in_future", "reported_at", "reject"),
        ("jobs", "time_in_future", "restored_at", "empty"),
        ("known_lengths", "velocity_out_of_range", "velocity_setting_pct", "reject"),
        ("sections", "below_bound", "customers", "empty"),
        ("sections", "below_bound", "position", "reject"),
        ("sections", "time_in_future", "retired_on", "empty"),
    ]


@pytest.mark.usefixtures("register")
def test_steps_that_restore_too_many_lose_their_customers_and_keep_their_times(
    con: duckdb.DuckDBPyConnection, tmp_path: Path
) -> None:
    steps = [dict(TABLES["restoration_steps"][0], job_id="J2", customers_restored="91")]
    report = load(con, tmp_path, jobs=TABLES["jobs"], restoration_steps=steps)
    assert [(c.new, c.quarantined, c.emptied) for c in report.files] == [(3, 0, 0), (1, 0, 1)]
    assert con.execute("select job_id, step_at is null, customers_restored from raw.restoration_steps").fetchall() == [
        ("J2", False, None)
    ]


@pytest.mark.usefixtures("register")
def test_a_section_retired_before_its_installation_stays_retired(
    con: duckdb.DuckDBPyConnection, tmp_path: Path
) -> None:
    sections = with_changes(
        "sections", {"retired_on": "1979-01-01"}, {"installed_on": "1994", "retired_on": "1990-01-01"}
    )
    load(con, tmp_path, sections=sections)
    kept = con.execute("""
        select section_id, installed_on, is_install_year_only, retired_on::varchar from raw.sections
        where retired_on is not null order by 1
    """).fetchall()
    assert kept == [("S1", None, False, "1979-01-01"), ("S2", None, False, "1990-01-01")]


def test_no_rule_takes_out_a_key_or_a_required_value_but_those_it_names() -> None:
    by_name = {rule.name: rule for rule in RULES}
    assert "velocity_setting_pct" in emptied_columns(by_name["velocity_out_of_range"], "jobs")
    assert "velocity_setting_pct" not in emptied_columns(by_name["velocity_out_of_range"], "known_lengths")
    assert emptied_columns(by_name["more_restored_than_interrupted"], "restoration_steps") == ("customers_restored",)
    assert emptied_columns(by_name["time_in_future"], "restoration_steps") == ()
    for rule in RULES:
        assert rule.severity != "empty" or any(emptied_columns(rule, table) for table in rule.tables), rule.name
