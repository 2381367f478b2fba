"""A test on a run of known length, entered by one command."""

from __future__ import annotations

import csv
import datetime as dt
from pathlib import Path

import pytest
from typer.testing import CliRunner

from pipelines import cli, warehouse
from pipelines.intake.load import load_paths
from shared.errors import UserError
from shared.settings import Settings
from shared.store import Workspace, open_warehouse, write_settings
from tests.cases.small_utility import TABLES

GIVEN = ("--length", "250", "--displayed", "256.3", "--instrument", "R1", "--velocity", "53", "--on", "2018-06-01")


@pytest.fixture
def space(tmp_path: Path) -> Workspace:
    """A workspace with a register and jobs loaded."""
    made = Workspace(tmp_path / "workspace")
    with open_warehouse(made) as con:
        for table in ("districts", "loops", "terminals", "sections", "instruments", "jobs"):
            file = tmp_path / f"{table}.csv"
            with file.open("w", encoding="utf-8", newline="") as out:
                csv.DictWriter(out, list(TABLES[table][0])).writerows(
                    [{name: name for name in TABLES[table][0]}, *TABLES[table]]
                )
            load_paths(con, [file], Settings())
    return made


def enter(space: Workspace, *arguments: str) -> str:
    done = CliRunner().invoke(
        cli.app, ["known-length", *arguments, "--workspace", str(space.folder)], catch_exceptions=True
    )
    if isinstance(done.exception, UserError):
        raise done.exception
    assert done.exit_code == 0, done.output
    return done.output


def readings(space: Workspace) -> list[tuple[object, ...]]:
    with open_warehouse(space) as con:
        write_settings(con, Settings())
        for layer in ("staging", "core"):
            warehouse.build_models(con, layer, commented=False)
        return con.execute("""
            select readings.cable_class, readings.true_length_m, readings.displayed_distance_m, readings.is_usable,
                known.source_file, known.row_number
            from core.locating_readings as readings
            inner join staging.known_lengths as known on known.instrument_id = readings.instrument_id
                and known.reading_m = readings.displayed_distance_m
            where readings.reading_kind = 'known_length' order by readings.displayed_distance_m
        """).fetchall()


def test_a_test_of_a_class_or_of_a_section_enters_the_fit_and_is_kept_as_a_file(space: Workspace) -> None:
    first = enter(space, *GIVEN, "--class", "XLPE/bare/buried")
    (file,) = (space.folder / "entered").glob("*.csv")
    assert first.splitlines()[-2:] == [f"entered: {file}", "figures and reports follow with: loopwear refresh"]
    of_section = tuple("112.5" if value == "256.3" else value for value in GIVEN[2:])
    enter(space, *of_section, "--section", "S1")  # its length is that of the register
    rows = readings(space)
    assert [row[:4] for row in rows] == [("XLPE/bare/buried", 110, 112.5, True), ("XLPE/bare/buried", 250, 256.3, True)]
    assert rows[1][4:] == (file.name, 2)
    assert file.read_text(encoding="utf-8").splitlines()[1] == "R1,2018-06-01,,XLPE/bare/buried,250.0,256.3,53.0"


def test_the_same_test_twice_changes_nothing(space: Workspace) -> None:
    enter(space, *GIVEN, "--class", "XLPE/bare/buried")
    again = enter(space, *GIVEN, "--class", "XLPE/bare/buried")
    assert "entered before, nothing changed: " in again
    assert len(list((space.folder / "entered").iterdir())) == 1
    assert len(readings(space)) == 1
    with open_warehouse(space, read_only=True) as con:
        assert con.execute("select count(*) from raw.known_lengths").fetchone() == (1,)
        counted = con.execute("select read, new, unchanged from raw.files where \"table\" = 'known_lengths'").fetchall()
    assert counted == [(1, 1, 0), (1, 0, 1)]


def test_a_wrong_test_is_told_and_leaves_nothing(space: Workspace) -> None:
    with pytest.raises(UserError, match=r"^velocity_setting_pct = '0.53' is outside 30 to 80 % of c"):
        enter(space, *("0.53" if value == "53" else value for value in GIVEN), "--class", "XLPE/bare/buried")
    with pytest.raises(UserError, match="cable_class = 'XLPE/bare/burried' is the class of no section of the register"):
        enter(space, *GIVEN, "--class", "XLPE/bare/burried")
    with open_warehouse(space, read_only=True) as con:
        for table in ("known_lengths", "quarantined_rows", "findings"):
            assert con.execute(f"select count(*) from raw.{table} where load_id > 'b0006'").fetchone() == (0,), table
    assert list((space.folder / "entered").iterdir()) == []
    assert "warning: instrument_id = 'R9' is not in the register" in enter(
        space, *("R9" if value == "R1" else value for value in GIVEN), "--section", "S1"
    )


def test_a_slip_of_the_pen_is_told_with_its_cure(space: Workspace) -> None:
    told = enter(space, *("25.63" if value == "256.3" else value for value in GIVEN), "--class", "XLPE/bare/buried")
    assert "warning: displayed 25.63 m on a run of 250 m; to take it back: loopwear load --undo b0007" in told


@pytest.mark.parametrize("run", [(), ("--class", "XLPE/bare/buried", "--section", "S1")])
def test_a_run_is_named_by_its_section_or_its_class(space: Workspace, run: tuple[str, ...]) -> None:
    done = CliRunner().invoke(cli.app, ["known-length", *GIVEN, *run, "--workspace", str(space.folder)])
    assert done.exit_code == 2
    assert "give --section or --class" in done.output


def test_nothing_is_entered_into_an_empty_place(tmp_path: Path) -> None:
    with pytest.raises(UserError, match="nothing is loaded here yet"):
        cli.known_length(256.3, "R1", 53.0, dt.datetime(2018, 6, 1), section="S1", workspace=tmp_path)
    assert list(tmp_path.iterdir()) == []
