"""The commands as a user runs them: results on standard output, faults named, exit codes kept."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import pandas as pd
import pytest
from typer.testing import CliRunner

from pipelines import cli
from pipelines.locating.window import find_dig_window, read_way
from pipelines.locating.window_basis import Asked, read_basis
from pipelines.locating.window_file import answer_readings
from pipelines.ranking.search_sequence import Evidence, plan_loop
from shared import dictionary
from shared.errors import UserError
from shared.settings import Settings
from shared.store import Workspace, open_warehouse, read_model

COMMANDS = (
    "demo", "load", "draft-mapping", "refresh", "status", "quarantine", "dig-window", "search-sequence",
    "known-length", "report", "schedule",
)  # fmt: skip


def run(*arguments: str | Path, cwd: Path | None = None) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-m", "pipelines.cli", *(str(a) for a in arguments)]
    environment = {**os.environ, "COLUMNS": "100"}
    return subprocess.run(command, capture_output=True, text=True, cwd=cwd, env=environment, check=False)


def said(done: subprocess.CompletedProcess[str]) -> str:
    assert "Traceback" not in done.stderr
    return done.stderr


@pytest.fixture
def copied_space(demo_space: Workspace, tmp_path: Path) -> Path:
    """A copy of the demo's workspace that a test may change."""
    return Path(shutil.copytree(demo_space.folder, tmp_path / "space"))


@pytest.mark.parametrize("command", COMMANDS)
def test_help_gives_an_example(command: str) -> None:
    done = run(command, "--help")
    assert done.returncode == 0
    assert f"Example: loopwear {command}" in " ".join(done.stdout.split())


def test_wrong_usage_ends_with_2() -> None:
    done = run("lod")
    assert done.returncode == 2
    assert "No such command 'lod'" in said(done)
    assert run("dig-window", "--class", "XLPE/bare/buried").returncode == 2


def test_every_export_has_the_dictionary_s_columns_in_both_forms(demo_space: Workspace) -> None:
    for stem, table in dictionary.export_tables().items():
        text = pd.read_csv(demo_space.exports / f"{stem}.csv", dtype=str)
        assert tuple(text.columns) == table.columns, stem
        assert (demo_space.exports / f"{stem}.parquet").exists(), stem


def test_exports_equal_the_warehouse(demo_space: Workspace) -> None:
    with open_warehouse(demo_space, read_only=True) as con:
        for stem, table in dictionary.export_tables().items():
            parquet = demo_space.exports / f"{stem}.parquet"
            listed = ", ".join(f'"{c}"' for c in table.columns)
            differing = con.execute(
                f"select count(*) from (select {listed} from {table.name} except all "
                f"select {listed} from read_parquet('{parquet}'))"
            ).fetchone()
            assert differing == (0,), stem
            written = pd.read_csv(demo_space.exports / f"{stem}.csv", dtype=str)
            assert len(written) == len(read_model(con, table.name)), stem


def test_every_contract_table_has_rows_in_the_demo(demo_space: Workspace) -> None:
    with open_warehouse(demo_space, read_only=True) as con:
        empty = [t.name for t in dictionary.export_tables().values() if not len(read_model(con, t.name))]
    # at 150 loops too few digs are foreseen for a back-test of windows; tests/unit/test_locating_coverage.py has them
    # after the first refresh there is no earlier ranking to compare with
    # no job that waits open has a reading in so small a demo; tests/unit/test_intake_revisions.py has some
    # every cable of the demo has an id of its own; tests/sql/test_staging_sections.py has successors proposed
    # nothing is decided or committed in the demo; tests/end_to_end/test_follow_up.py decides and commits
    few = {"marts.window_coverage", "marts.ranking_churn", "marts.open_windows", "marts.proposed_section_successors"}
    few |= {"marts.decisions", "marts.work_done", "marts.programme_follow_up", "marts.follow_up_effect"}
    assert set(empty) <= few


def test_status_tells_what_is_loaded_and_what_ran(demo_space: Workspace) -> None:
    done = run("status", "--workspace", demo_space.folder)
    assert done.returncode == 0
    for heading in ("loaded", "jobs by status", "findings", "last runs", "where the time of the last run went"):
        assert heading in done.stdout


def test_quarantine_lists_and_exports(demo_space: Workspace, tmp_path: Path) -> None:
    listed = run("quarantine", "--workspace", demo_space.folder)
    assert listed.returncode == 0
    assert "rows kept out, in quarantine" in listed.stdout
    exported = run("quarantine", "--workspace", demo_space.folder, "--export", tmp_path / "mend")
    assert exported.returncode == 0, exported.stderr
    assert "rows written to" in exported.stdout
    assert list((tmp_path / "mend").iterdir())


def test_a_drafted_mapping_loads_its_file(demo_space: Workspace, copied_space: Path, tmp_path: Path) -> None:
    book = demo_space.folder / "demo" / "export" / "fault_book.csv"
    drafted = run("draft-mapping", book, "--workspace", copied_space, "--to", tmp_path / "drafted.toml")
    assert drafted.returncode == 0, drafted.stderr
    loaded = run("load", book, "--mapping", tmp_path / "drafted.toml", "--workspace", copied_space)
    assert loaded.returncode == 0, loaded.stderr
    again = run("draft-mapping", book, "--to", tmp_path / "drafted.toml")
    assert again.returncode == 1
    assert "that file exists already" in said(again)


def test_the_last_load_can_be_taken_back(copied_space: Path) -> None:
    with open_warehouse(Workspace(copied_space), read_only=True) as con:
        before = con.execute("select count(*) from raw.jobs where load_id = 'b0001'").fetchone()
    undone = run("load", "--undo", "b0002", "--workspace", copied_space)
    assert undone.returncode == 0, undone.stderr
    assert "load b0002 is undone" in undone.stdout
    with open_warehouse(Workspace(copied_space), read_only=True) as con:
        assert con.execute("select count(*) from raw.jobs").fetchone() == before
    assert run("load", "--undo", "b0009", "--workspace", copied_space).returncode == 1


def test_dig_window_answers_by_terminals_and_by_class_with_the_caution(demo_space: Workspace) -> None:
    with open_warehouse(demo_space, read_only=True) as con:
        classes = con.execute("select cable_class from marts.velocity_by_class order by readings desc").fetchall()
        start, toward = con.execute(
            "select from_terminal_id, to_terminal_id from staging.sections where retired_on is null and position = 1 "
            "order by all"
        ).fetchone()
        basis = read_basis(con)
    first, second = classes[0][0], classes[1][0]
    asked = ("dig-window", "--workspace", demo_space.folder, "--distance", "140", "--velocity", "53")
    reading = Asked(distance_m=140.0, velocity_pct=53.0)
    for options, ours in (
        (("--class", first), replace(reading, classes=read_way([first]))),
        (("--class", f"{first}=60", "--class", second), replace(reading, classes=read_way([f"{first}=60", second]))),
        (("--from", start, "--toward", toward), replace(reading, from_terminal=start, toward_terminal=toward)),
    ):
        done = run(*asked, *options)
        assert done.returncode == 0, done.stderr
        assert f"\n{find_dig_window(basis, ours, 0.8).describe()}\n\n" in done.stdout
        assert "A distance is no permission to dig." in done.stdout
    lacking = run(*asked, "--class", first, "--class", second)
    assert lacking.returncode == 1
    assert "give all classes but the last as CLASS=METRES" in lacking.stderr
    # one way to ask at a time
    for options in ((), ("--from", start, "--class", first), ("--from", start, "--file", "x.csv"), ("--file", "x.csv")):
        assert run(*asked, *options).returncode == 2, options


def test_dig_window_answers_a_file_of_readings(demo_space: Workspace, tmp_path: Path) -> None:
    with open_warehouse(demo_space, read_only=True) as con:
        basis = read_basis(con)
    rows = pd.DataFrame(
        {"reading_id": ["r1", "r2"], "displayed_distance_m": ["84,5", ""], "velocity_setting_pct": "53"}
    ).assign(cable_class=basis.effects.classes[0])
    rows.to_csv(tmp_path / "readings.csv", index=False)
    file, to = tmp_path / "readings.csv", tmp_path / "answers.csv"
    done = run("dig-window", "--workspace", demo_space.folder, "--file", file, "--to", to)
    assert done.returncode == 0, done.stderr
    assert done.stdout.startswith(f"1 of 2 readings answered in {to}\n\n")
    caution = dictionary.caveats()["no_permission_to_dig"]
    pd.testing.assert_frame_equal(pd.read_csv(to), answer_readings(basis, rows, caution), check_dtype=False)
    assert caution in done.stdout
    over = run("dig-window", "--workspace", demo_space.folder, "--file", file, "--to", file)
    assert over.returncode == 1 and "would overwrite the readings" in said(over)


def test_search_sequence_answers_with_the_caution(demo_space: Workspace) -> None:
    with open_warehouse(demo_space, read_only=True) as con:
        strip = con.execute(
            "select * from marts.loop_strips where normal_open is not null or position = 1 order by loop_id, position"
        ).df()
        loop = strip.loc[strip["loop_id"].duplicated(), "loop_id"].iloc[0]
        rows, terminals = (
            read_model(con, table, only=("loop_id", [loop])) for table in ("marts.loop_strips", "staging.terminals")
        )
    asked, opened = ("search-sequence", loop, "--workspace", demo_space.folder), rows["to_terminal_id"].iloc[0]
    whole = run(*asked)
    assert whole.returncode == 0, whole.stderr
    planned = plan_loop(rows, terminals, Settings())
    assert [part.chain.half_loop_id for part in planned] == [f"{loop}/A", f"{loop}/B"]
    assert "\n\n".join(part.describe() for part in planned) in whole.stdout
    assert whole.stdout.endswith("Fault indicators may be wrong.\n")
    for words in ("no permission to open or close anything", "backfeed", "closing onto a fault", "after a surge"):
        assert words in whole.stdout
    known = run(*asked, "--half", "A", "--not-tripped", opened, "--by", "customer_minutes")
    assert known.returncode == 0, known.stderr
    evidence = Evidence(not_tripped=(opened,))
    (one,) = plan_loop(rows, terminals, Settings(), half="A", evidence=evidence, by="customer_minutes")
    assert one.describe() in known.stdout and f"{loop}/B" not in known.stdout
    assert "there is no loop 'L-nowhere'" in said(run("search-sequence", "L-nowhere", *asked[2:]))
    source = rows["from_terminal_id"].iloc[0]
    reading = ("--from", source[-3:], "--toward", opened, "--distance", "100", "--velocity", "52")
    read = run(*asked, "--half", "A", *reading)
    assert read.returncode == 0, read.stderr
    with open_warehouse(demo_space, read_only=True) as con:
        found = find_dig_window(read_basis(con), Asked(100.0, source, opened, velocity_pct=52.0), 0.8)
    evidence = Evidence(window=(source, opened, *found.windows[1][1:]))
    (one,) = plan_loop(rows, terminals, Settings(), half="A", evidence=evidence)
    assert found.describe() in read.stdout and one.describe() in read.stdout
    assert dictionary.caveats()["no_permission_to_dig"] in read.stdout
    assert run(*asked, *reading[:4]).returncode == 2
    lacking = run(*asked, "--distance-window", f"{opened},5,6")
    assert lacking.returncode == 1 and "give FROM,TOWARD,LO,HI" in said(lacking)


def test_the_same_refresh_writes_the_same_bytes(demo_space: Workspace, copied_space: Path) -> None:
    done = run("refresh", "--workspace", copied_space, "--no-history")
    assert done.returncode == 0, done.stderr
    assert done.stderr == ""
    for folder in ("exports", "reports"):
        for path in sorted((demo_space.folder / folder).rglob("*")):
            if path.is_file():
                again = copied_space / path.relative_to(demo_space.folder)
                assert again.read_bytes() == path.read_bytes(), path.name


def test_refresh_takes_its_options(copied_space: Path) -> None:
    done = run(
        "refresh",
        "--workspace",
        copied_space,
        "--no-history",
        "--as-of",
        "2022-06-30",
        "--horizon",
        "3",
        "--budget",
        "250000",
    )
    assert done.returncode == 0, done.stderr
    assert "refreshed as of 2022-06-30" in done.stdout
    programme = pd.read_csv(copied_space / "exports" / "programme.csv")
    # The budget is a year's; the plan has several.
    assert (programme.groupby("plan_year")["cost"].sum() <= 250_000).all()
    assert list(programme.columns[:8]) == [
        "loop_id",
        "section_id",
        "length_m",
        "cost",
        "avoided_failures",
        "avoided_customer_minutes",
        "net_benefit",
        "programme_order",
    ]


def test_refresh_of_nothing_says_what_to_run(tmp_path: Path) -> None:
    done = run("refresh", "--workspace", tmp_path / "none", "--no-history")
    assert done.returncode == 1
    assert said(done) == (
        f"loopwear: nothing is loaded here yet\n  where: {tmp_path / 'none'}\n"
        "  to do: run: loopwear load PATH... (or: loopwear demo)\n"
    )


def test_a_missing_file_is_named(tmp_path: Path) -> None:
    done = run("load", tmp_path / "jobs.csv", "--workspace", tmp_path / "w")
    assert done.returncode == 1
    assert said(done) == (
        f"loopwear: there is no such file or folder\n  where: {tmp_path / 'jobs.csv'}\n  to do: check the path\n"
    )
    assert not (tmp_path / "w").exists()


def test_a_misspelt_setting_is_named(copied_space: Path, tmp_path: Path) -> None:
    settings = tmp_path / "settings.toml"
    settings.write_text("[general]\nhorizon_yeers = 5\n")
    done = run("refresh", "--workspace", copied_space, "--settings", settings, "--no-history")
    assert done.returncode == 1
    assert said(done) == (
        f"loopwear: unknown setting general.horizon_yeers\n  where: {settings}\n"
        "  to do: did you mean 'horizon_years'?\n"
    )


def test_every_command_reads_the_settings_of_the_workspace(copied_space: Path) -> None:
    own, book = copied_space / "settings.toml", copied_space / "demo" / "export" / "fault_book.csv"
    own.write_text("[general]\nhorizon_yeers = 5\n")
    dig = ("dig-window", "--class", "XLPE/bare/buried", "--distance", "84")
    for command in (
        ("demo",), ("load", str(book)), ("load", "--undo", "b0002"), ("draft-mapping", str(book)), ("refresh",), dig,
        ("search-sequence", "L1"), ("schedule",),
    ):  # fmt: skip
        fault = CliRunner().invoke(cli.app, [*command, "--workspace", str(copied_space)]).exception
        assert isinstance(fault, UserError), command
        assert str(fault) == (
            f"unknown setting general.horizon_yeers\n  where: {own}\n  to do: did you mean 'horizon_years'?"
        )
    own.write_text("[locating]\nwindow_level = 0.6\n")
    done = run(*dig, "--workspace", copied_space)
    assert "\n60% window " in done.stdout
    assert done.stdout.startswith(
        f"warning: setting locating.window_level is now locating.window_coverage: rename it in {own}\nsettings: {own}\n"
    )


def test_a_workspace_in_use_says_who_holds_it(copied_space: Path) -> None:
    with open_warehouse(Workspace(copied_space)):
        done = run("status", "--workspace", copied_space)
    assert done.returncode == 1
    assert f"the workspace is in use by process {os.getpid()}" in said(done)
    assert done.stdout.startswith("last refresh: done, begun ")  # what needs no warehouse is said all the same
    assert "\npublished: generation " in done.stdout


def test_the_demo_never_mixes_with_other_data(copied_space: Path) -> None:
    shutil.rmtree(copied_space / "demo")
    done = run("demo", "--workspace", copied_space, "--no-history")
    assert done.returncode == 1
    assert "already holds loaded data that is not the demo's" in said(done)
