"""What a load prints of a restored file, a replaced cable, a lost loop, deleted jobs and a job open again."""

from __future__ import annotations

from pathlib import Path

import pytest
from typer.testing import CliRunner

from pipelines.cli import app
from tests.cases.small_utility import TABLES, Row, write_csv, write_utility


@pytest.fixture
def load(tmp_path: Path):
    """Load a table and give the warnings printed; first the whole utility."""
    space = ["--workspace", str(tmp_path / "workspace")]

    def run(table: str, rows: list[Row], *options: str, keys: str = "") -> str:
        paths = [str(write_csv(tmp_path / f"{table}.csv", rows))]
        if keys:
            columns = "\n".join(f'{c} = "{c}"' for c in rows[0])
            (tmp_path / "m.toml").write_text(f'[[table]]\nto = "{table}"\n{keys}\n[table.columns]\n{columns}\n')
            paths += ["--mapping", str(tmp_path / "m.toml")]
        done = CliRunner().invoke(app, ["load", *paths, *options, *space])
        assert done.exit_code == 0, done.output
        return "\n".join(x.removeprefix("warning: ") for x in done.output.splitlines() if x.startswith("warning: "))

    folder = write_utility(tmp_path / "whole")
    assert CliRunner().invoke(app, ["load", str(folder), *space]).exit_code == 0
    return run


NEW = TABLES["sections"][0] | {"insulation": "EPR", "installed_on": "2019-03-01"}
WHOLE = 'snapshot = true\ngone = "close"\ntaken_on = "2025-06-30"'


def test_a_replaced_cable_and_the_older_file_restored(load) -> None:
    assert load("sections", [NEW]) == (
        "sections.csv: 1 row says a new cable under a known id: S1 (insulation XLPE "
        "to EPR): 1 failure and 1.45 km-years stay with the old cable, S1@2019-03-01 [cable_replaced]"
    )
    assert load("sections", TABLES["sections"]) == (
        "sections.csv: 1 row says again what was loaded before and has changed since: S1 (insulation EPR to "
        "XLPE, installed_on 2019-03-01 to 1984-05-01). It is not taken; if the files are the newest, load them with "
        "--as-newest [older_state]"
    )
    assert load("sections", TABLES["sections"], "--as-newest") == ""
    assert load("sections", TABLES["sections"]) == ""


def test_a_lost_loop(load) -> None:
    assert load("loops", TABLES["loops"][1:], keys="snapshot = true") == (
        'loops.csv: 1 row of loops is missing from a snapshot: L1. It is kept; say gone = "close" or "keep" in '
        "the mapping [gone_from_snapshot]"
    )
    assert load("loops", TABLES["loops"][1:], keys=WHOLE) == (
        "loops.csv: 1 row of loops is missing from a snapshot: L1. It is closed: its sections are retired on "
        "2025-06-30 [gone_from_snapshot]"
    )


def test_deleted_jobs(load) -> None:
    assert load("jobs", TABLES["jobs"][:1], keys=WHOLE) == (
        "jobs.csv: 2 rows of jobs are missing from a snapshot: J2; J3. They are closed: cancelled [gone_from_snapshot]"
    )


def test_a_job_open_again(load) -> None:
    opened = TABLES["jobs"][0] | {"revision": "2", "status": "open"}
    assert load("jobs", [opened]) == (
        "jobs.csv: 1 job is open again and leaves the figures until closed: J1 [job_reopened]"
    )
