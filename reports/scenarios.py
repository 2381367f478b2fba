"""Scenarios: settings files laid over a run's settings and planned beside it, kept under scenarios/NAME/.

    scenarios/NAME/scenario_comparison.csv, .parquet, scenario_sections.csv, .parquet, scenarios.html

They rest on the published results alone: nothing of the run is touched, and a load under way is in no way.
"""

from __future__ import annotations

import os
import re
import shutil
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import TYPE_CHECKING

import duckdb

from pipelines.exports import write_files
from pipelines.investment import scenarios
from pipelines.investment.programme import nothing_printed
from pipelines.investment.step import plan_again, read_outcome
from reports.choice import EVERYTHING
from reports.links import NOWHERE
from reports.page import render, shared_files
from reports.pages.scenarios import build
from reports.render import frame_of
from shared import dictionary
from shared.errors import UserError
from shared.settings import load_settings
from shared.store import write_tables

if TYPE_CHECKING:
    from reports.results import Results
    from shared.settings import Say, Settings

NAME = re.compile(r"[\w-][\w.-]{0,79}")
"""What a scenario, and the folder of several, may be called."""

AT_ONCE = 4
"""Plans made at a time at most: each holds the failures of every section, year by year."""


def read_scenarios(base: Settings, files: list[Path], say: Say) -> dict[str, Settings]:
    """Settings of each file laid over those of the base, by the file's name.

    Raises
    ------
    UserError
        A file cannot be read as settings, two have one name or that of the base, or a setting changes what is read.
    """
    found: dict[str, Settings] = {}
    for file in files:
        name = file.stem
        if name in found or name == scenarios.BASE or not NAME.fullmatch(name):
            why = "is that of another file" if name in found else "cannot name a scenario"
            raise UserError(f"the name '{name}' {why}", str(file), "rename the file: letters, digits, - and _")
        found[name] = load_settings(file, say, over=base)
        moved = {*scenarios.find_changes(base, found[name])} & scenarios.RECORDS
        moved |= {"intake_classes"} if found[name].intake.classes != base.intake.classes else set()
        if moved:
            key = min(moved).replace("_", ".", 1)
            raise UserError(
                f"setting {key} changes how records are read, on which every plan rests: it cannot be compared",
                str(file),
                f"remove it there; or copy the workspace, then: loopwear refresh --workspace COPY --settings {file}",
            )
    return found


def write_comparison(
    results: Results, home: Path, given: dict[str, Settings], name: str, say: Say
) -> tuple[Path, scenarios.Comparison, dict[str, list[str]]]:
    """Compare scenarios with the run that is published, and write tables and page.

    Parameters
    ----------
    home
        Folder of all comparisons.
    given
        By read_scenarios.
    name
        Of this comparison's folder; one of the same name is written anew.
    say
        Takes a line for each plan that is made.

    Returns
    -------
    tuple
        The page, the comparison, and by scenario the settings that the plan does not follow.

    Raises
    ------
    UserError
        The name is none, or the run has no section in service.

    Notes
    -----
    Same results and settings, same bytes.

    Checked by: tests/end_to_end/test_compare.py
    """
    if not NAME.fullmatch(name):
        raise UserError(f"'{name}' is no name of a folder", "--to", "give letters, digits, - and _")
    base, before = results.settings, read_outcome(results.con)
    n_sections = int(before.figures.get("sections_in_service", 0))
    if not n_sections:
        raise UserError(
            "the run has no section in service, and so no plan", str(results.file), "load sections and jobs"
        )
    again = plan_again(results.con, base)

    def plan(said: str, settings: Settings) -> scenarios.Outcome:
        say(f"planning: {said}")
        return again(settings)

    # most of a plan's time is the solver's, which lets other threads run; what it prints is held back around them all,
    # for each gives back what it found
    with nothing_printed(), ThreadPoolExecutor(min(os.cpu_count() or 1, AT_ONCE)) as pool:
        found = scenarios.compare_scenarios(base, before, given, lambda wanted: pool.map(plan, wanted, wanted.values()))
    idle = {
        scenario: [
            key.replace("_", ".", 1) for key in scenarios.find_changes(base, own) if not scenarios.moves_plan(key)
        ]
        for scenario, own in given.items()
    }
    page = build(found, idle, n_sections, base)
    folder, unfinished = home / name, home / f".{name}.unfinished"
    shutil.rmtree(unfinished, ignore_errors=True)
    unfinished.mkdir(parents=True)
    with duckdb.connect() as con:
        con.execute("create schema scenarios")
        tables = {"scenarios.scenario_comparison": found.rows, "scenarios.scenario_sections": found.sections}
        write_tables(con, tables)
        for table in tables:
            said = f"run: '{results.run}', as_of: '{base.general.as_of}'"
            write_files(con, dictionary.tables()[table], unfinished, said)
    pages = {"scenarios.html": render(page, frame_of(results, EVERYTHING, NOWHERE)).encode()}
    for file, content in (pages | shared_files()).items():
        (unfinished / file).write_bytes(content)
    shutil.rmtree(folder, ignore_errors=True)
    unfinished.replace(folder)
    return folder / "scenarios.html", found, idle
