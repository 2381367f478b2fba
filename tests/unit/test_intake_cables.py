"""Another cable under a known id: a new one, a correction, or asked for with what each reading would do."""

from __future__ import annotations

from pathlib import Path

import duckdb
import pytest

from pipelines import warehouse
from pipelines.intake.load import LoadReport, load_paths
from pipelines.intake.undo import undo_load
from shared.settings import Intake, Settings
from shared.store import Workspace, open_warehouse, write_settings
from tests.cases.small_utility import TABLES, Row, write_csv

Load = tuple[duckdb.DuckDBPyConnection, LoadReport]


@pytest.fixture
def load(tmp_path: Path):
    con = open_warehouse(Workspace(tmp_path / "workspace"))
    write_settings(con, Settings())
    tables = ("districts", "loops", "terminals", "sections", "instruments", "jobs")
    load_paths(con, [write_csv(tmp_path / f"{t}.csv", TABLES[t]) for t in tables], Settings())

    def run(*rows: Row, reading: str | None = None, **options: object) -> Load:
        mapping = None
        if reading:
            columns = "\n".join(f'{c} = "{c}"' for c in rows[0])
            mapping = tmp_path / "mapping.toml"
            mapping.write_text(f'[[table]]\nto = "sections"\nchanged_cable = "{reading}"\n[table.columns]\n{columns}\n')
        path = write_csv(tmp_path / "sections.csv", list(rows))
        return con, load_paths(con, [path], Settings(), mapping, **options)

    return run


def section(number: int = 1, **cells: str) -> Row:
    return {**TABLES["sections"][number - 1], **cells}


def standing(con: duckdb.DuckDBPyConnection) -> list[tuple[object, ...]]:
    """Sections with the id S1, and where the job on it counts."""
    warehouse.build_models(con, "staging")
    sections = con.execute("""
        select section_id, insulation, installed_on::varchar, retired_on::varchar from staging.sections
        where named_id = 'S1' order by installed_on, section_id
    """).fetchall()
    return [*sections, *con.execute("select section_id from staging.jobs where job_id = 'J1'").fetchall()]


def fates(report: LoadReport) -> tuple[int, ...]:
    file = report.files[0]
    return file.new, file.revised, file.unchanged, file.superseded, file.quarantined


def warned(con: duckdb.DuckDBPyConnection, rule: str) -> list[str]:
    return [m for (m,) in con.execute("select message from raw.file_results where rule = ?", [rule]).fetchall()]


def asked(con: duckdb.DuckDBPyConnection) -> list[str]:
    query = "select message from raw.findings where rule = 'cable_changed' order by load_id, row_number"
    return [m for (m,) in con.execute(query).fetchall()]


OLD = ("S1@2024-03-01", "XLPE", "1984-05-01", "2024-03-01")
NEW = ("S1", "EPR", "2024-03-01", None)
ASKED = "section S1 is said to be another cable, a new one or a correction of the register: "
CURE = (
    " The old row is kept; say which it is by changed_cable = 'new' or 'correction' in the mapping or under [intake] "
    "of the settings, or by a row of section_successors, and load the file again"
)


def test_a_cable_replaced_under_its_id_keeps_its_failures(load) -> None:
    con, report = load(section(insulation="EPR", neutral="jacketed", installed_on="2024-03-01"))
    assert fates(report) == (0, 1, 0, 0, 0)
    assert standing(con) == [OLD, NEW, ("S1@2024-03-01",)]
    assert warned(con, "cable_replaced")[0] == (
        "1 row says a new cable under a known id: S1 (insulation XLPE to EPR, neutral "
        "bare to jacketed): 1 failure and 1.45 km-years stay with the old cable, S1@2024-03-01"
    )
    # the old cable is neither missing from its loop nor younger than its failures
    assert con.execute("select rule from raw.findings where load_id = 'b0002'").fetchall() == []
    undo_load(con, report.load_id)
    assert standing(con) == [("S1", "XLPE", "1984-05-01", None), ("S1",)]


def test_a_job_loaded_late_is_led_to_the_old_cable_without_a_warning(tmp_path: Path, load) -> None:
    con, _ = load(section(insulation="EPR", installed_on="2024-03-01"))
    told = [{"old_id": "S0", "new_id": "S2", "kind": "renumbered", "on": "2011-01-01"}]
    late = [
        {**TABLES["jobs"][0], "job_id": "K1", "reported_at": "2017-01-10 10:00", "dug_distance_m": "90"},
        {**TABLES["jobs"][1], "job_id": "K2", "reported_at": "2017-02-10 10:00", "section_id": "S0"},
    ]
    paths = [write_csv(tmp_path / f"{t}.csv", r) for t, r in (("section_successors", told), ("jobs_late", late))]
    load_paths(con, paths, Settings())
    rules = "select rule from raw.findings where load_id = 'b0003' and rule in ('failure_before_installation', "
    assert con.execute(rules + "'section_unknown')").fetchall() == []
    warehouse.build_models(con, "staging")
    assert con.execute("select job_id, section_id from staging.jobs where job_id like 'K%' order by 1").fetchall() == [
        ("K1", "S1@2024-03-01"), ("K2", "S2"),
    ]  # fmt: skip


def test_a_correction_of_the_new_cable_is_one_and_moves_the_end_of_the_old_one(load) -> None:
    con, _ = load(section(insulation="EPR", installed_on="2024-03-01"))
    load(section(insulation="EPR", installed_on="2024-03-09", length_m="112"))
    assert standing(con) == [
        ("S1@2024-03-09", "XLPE", "1984-05-01", "2024-03-09"),
        ("S1", "EPR", "2024-03-09", None),
        ("S1@2024-03-09",),
    ]


def test_a_third_cable_follows_the_second(load) -> None:
    con, _ = load(section(insulation="EPR", installed_on="2019-03-01"))
    load(section(insulation="TRXLPE", installed_on="2024-03-01"))
    assert standing(con) == [
        ("S1@2019-03-01", "XLPE", "1984-05-01", "2019-03-01"),
        ("S1@2024-03-01", "EPR", "2019-03-01", "2024-03-01"),
        ("S1", "TRXLPE", "2024-03-01", None),
        ("S1@2019-03-01",),
    ]


def test_the_old_file_brings_the_old_cable_back_only_as_the_newest(load) -> None:
    con, _ = load(section(insulation="EPR", installed_on="2024-03-01"))
    assert fates(load(section())[1]) == (0, 0, 0, 1, 0)
    assert standing(con) == [OLD, NEW, ("S1@2024-03-01",)]
    assert fates(load(section(), as_newest=True)[1]) == (0, 1, 0, 0, 0)
    assert standing(con) == [("S1", "XLPE", "1984-05-01", None), ("S1",)]
    assert fates(load(section(insulation="EPR", installed_on="2024-03-01"), as_newest=True)[1]) == (0, 1, 0, 0, 0)
    assert standing(con) == [OLD, NEW, ("S1@2024-03-01",)]


def test_another_cable_of_the_same_day_is_asked_for_with_what_each_reading_does(load) -> None:
    con, report = load(section(insulation="EPR"))
    assert fates(report) == (0, 0, 0, 0, 1)
    assert standing(con) == [("S1", "XLPE", "1984-05-01", None), ("S1",)]
    assert asked(con)[0] == (
        f"{ASKED}insulation XLPE to EPR: as a new cable, 1 failure and 1.45 km-years stay with class XLPE/bare/buried, "
        "and its row must say a later "
        f"installed_on; as a correction, they move to class EPR/bare/buried.{CURE}"
    )
    assert fates(load(section(insulation="EPR"), reading="correction")[1]) == (0, 1, 0, 0, 0)
    assert standing(con) == [("S1", "EPR", "1984-05-01", None), ("S1",)]
    assert con.execute("select count(*) from raw.quarantined_rows where released_by is null").fetchone() == (0,)


def test_a_later_day_before_all_failures_is_asked_for_and_taken_as_the_mapping_says(load) -> None:
    con, report = load(section(insulation="EPR", installed_on="2010-01-01"))
    assert fates(report) == (0, 0, 0, 0, 1)
    assert asked(con)[0].removesuffix(CURE) == (
        f"{ASKED}insulation XLPE to EPR, installed_on 1984-05-01 to 2010-01-01: as a new cable, 0 of 1 failure "
        "and 0.55 km-years stay with the old one, "
        "S1@2010-01-01, of class XLPE/bare/buried; as a correction, 1 failure and 0.90 km-years count for class "
        "EPR/bare/buried laid 2010-01-01."
    )
    assert fates(load(section(insulation="EPR", installed_on="2010-01-01"), reading="new")[1]) == (0, 1, 0, 0, 0)
    assert standing(con) == [
        ("S1@2010-01-01", "XLPE", "1984-05-01", "2010-01-01"),
        ("S1", "EPR", "2010-01-01", None),
        ("S1",),
    ]


@pytest.mark.parametrize(
    "cells",
    [
        {"installed_on": "1984-08-01"},
        {"installed_on": "1979-08-01"},
        {"installed_on": "1984"},
        {"length_m": "125", "rejuvenated_on": "2015-05-01"},
        {"conductor": "1/0  al"},
        {"neutral": "unknown"},
        {"retired_on": "2019-05-01"},
    ],
)
def test_what_cannot_be_a_new_cable_is_a_correction(load, cells: dict[str, str]) -> None:
    con, report = load(section(**cells))
    assert fates(report) == (0, 1, 0, 0, 0)
    assert len(standing(con)) == 2 and standing(con)[-1] == ("S1",)


def test_a_cable_laid_after_the_old_one_was_retired_is_new(load) -> None:
    con, _ = load(section(retired_on="2019-05-01", retired_because="failures"))
    load(section(installed_on="2019-06-01"))
    assert standing(con) == [
        ("S1@2019-05-01", "XLPE", "1984-05-01", "2019-05-01"),
        ("S1", "XLPE", "2019-06-01", None),
        ("S1@2019-05-01",),
    ]


def test_the_settings_say_what_a_changed_cable_is_where_the_mapping_does_not(tmp_path: Path, load) -> None:
    con, _ = load(section())
    path = write_csv(tmp_path / "sections.csv", [section(insulation="EPR")])
    load_paths(con, [path], Settings(intake=Intake(changed_cable="correction")))
    assert standing(con) == [("S1", "EPR", "1984-05-01", None), ("S1",)]


def test_two_registers_of_one_load_are_read_in_order(tmp_path: Path) -> None:
    con = open_warehouse(Workspace(tmp_path / "workspace"))
    write_settings(con, Settings())
    later = [section(insulation="EPR", installed_on="2024-03-01"), section(2)]
    paths = [write_csv(tmp_path / f"{t}.csv", TABLES[t]) for t in ("districts", "loops", "jobs")]
    paths += [
        write_csv(tmp_path / "sections_2020.csv", [section(), section(2)]),
        write_csv(tmp_path / "sections_2024.csv", later),
    ]
    report = load_paths(con, paths, Settings())
    assert {f.file: (f.new, f.revised, f.unchanged) for f in report.files if f.table == "sections"} == {
        "sections_2020.csv": (2, 0, 0),
        "sections_2024.csv": (0, 1, 1),
    }
    assert standing(con) == [OLD, NEW, ("S1@2024-03-01",)]


def test_a_part_of_a_split_that_keeps_the_id_begins_on_the_day_stated(tmp_path: Path, load) -> None:
    con, _ = load(section())
    split = [{"old_id": "S1", "new_id": new, "kind": "split", "on": "2019-06-01"} for new in ("S1", "S1b")]
    load_paths(con, [write_csv(tmp_path / "section_successors.csv", split)], Settings())
    load(section(length_m="50"), section(section_id="S1b", length_m="60", position="4"))
    assert standing(con) == [
        ("S1", "XLPE", "1984-05-01", None),
        ("S1@2019-06-01", "XLPE", "1984-05-01", "2019-06-01"),
        ("S1@2019-06-01",),
    ]
    assert warned(con, "cable_replaced")[0].partition(": ")[2] == (
        "S1 (length_m 110.0 to 50.0): 1 failure and 1.45 km-years stay with the old cable, S1@2019-06-01"
    )
    load(section(length_m="51"))
    assert len(standing(con)) == 3  # the statement is used up: this is a correction
