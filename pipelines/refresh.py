"""The steps of a refresh, in order; they run with or without the workflow engine.

The tables of the warehouse are one transaction: all of one run or, where a step fails, all of the run before. Then
results, exports and reports are made of them as one generation, put in place by one rename (pipelines/publish.py).
"""

from __future__ import annotations

import datetime as dt
import importlib
import time
from collections.abc import Callable
from contextlib import nullcontext, suppress
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

import duckdb

from pipelines import publish, warehouse
from pipelines.progress import Progress
from pipelines.runs import Call, RunRecord, call_plainly, close_killed_runs, reserve_run, write_run
from shared.errors import UserError
from shared.settings import Settings
from shared.store import Workspace, has_table, open_warehouse, roll_back, write_settings

if TYPE_CHECKING:
    from pipelines.ranking.rankings import Facts
    from pipelines.survival.step import FittedFleet


@dataclass
class Refresh:
    """One refresh under way: the open warehouse, the settings, and what each step wrote."""

    con: duckdb.DuckDBPyConnection
    workspace: Workspace
    settings: Settings
    written: dict[str, dict[str, int]] = field(default_factory=dict)
    warnings: list[str] = field(default_factory=list)
    generation: Path = Path()
    fitted: FittedFleet | None = None
    facts: Facts | None = None


def build_core(run: Refresh) -> dict[str, int]:
    """Staging and core, and with them the as-of date that every later step stands on."""
    if not has_table(run.con, "raw.jobs"):
        raise UserError("nothing is loaded yet", str(run.workspace.folder), "run: loopwear load PATH...")
    write_settings(run.con, run.settings)
    built = warehouse.build_models(run.con, "staging")
    if run.settings.general.coordinate_reference_system:
        from pipelines import maps

        maps.locate_terminals(run.con, run.settings)  # a wrong one is said before the minutes of the models
    if run.settings.general.as_of is None:
        run.settings = run.settings.override("general", as_of=find_last_report_day(run.con))
        write_settings(run.con, run.settings)
    return count_rows(run.con, built + warehouse.build_models(run.con, "core"))


def find_last_report_day(con: duckdb.DuckDBPyConnection) -> dt.date:
    """Local day of the last report loaded."""
    day = warehouse.read_query(con, "refresh/last_report_day")["last_report_on"].iloc[0]
    if day != day:  # missing
        raise UserError(
            "no closed job on a known loop is loaded",
            "staging.jobs",
            "load districts, loops, sections and jobs, and look at: loopwear quarantine",
        )
    last: dt.date = day.date()
    return last


def run_topic(topic: str) -> Callable[[Refresh], dict[str, int]]:
    """The step of one topic."""

    def run_step(run: Refresh) -> dict[str, int]:
        step = importlib.import_module(f"pipelines.{topic}.step")
        written: dict[str, int] = step.run(run.con, run.settings)
        return written

    return run_step


def rank_fleet(run: Refresh) -> dict[str, int]:
    """Fit the failure model that ranking, investment and evaluation share, and rank by it."""
    from pipelines.ranking import step
    from pipelines.survival.step import fit_fleet

    run.fitted = fit_fleet(run.con, run.settings)
    written, run.facts = step.run(run.con, run.fitted, run.settings)
    return written


def plan_work(run: Refresh) -> dict[str, int]:
    """Plan under the budget, then let go what only the plan needs: the back-test needs the memory."""
    from pipelines.investment import step

    facts, run.facts = run.facts, None
    return step.run(run.con, facts, run.fitted.model if run.fitted else None, run.settings)


def evaluate_fleet(run: Refresh) -> dict[str, int]:
    """Hold the ranking against the years that followed."""
    from pipelines.evaluation import step

    fitted, run.fitted = run.fitted, None
    return step.run(run.con, fitted, run.settings)


def weigh_corrections(run: Refresh) -> dict[str, int]:
    """The results without the corrections applied, and with those proposed."""
    from pipelines import effects

    return effects.run(run.con, run.settings)


def build_marts(run: Refresh) -> dict[str, int]:
    """The tables that are exported, then the checks that must return no row."""
    built = count_rows(run.con, warehouse.build_models(run.con, "marts"))
    for check in warehouse.run_checks(run.con):
        if check.rows and check.severity == "fail":
            raise UserError(
                f"the check {check.name} found {check.rows} rows that must not be there",
                f"sql/checks/{check.name}.sql",
                "this is a fault of the product: report it with that name",
            )
        if check.rows:
            run.warnings.append(f"{check.name}: {check.rows} rows")
    return built


def write_results(run: Refresh) -> dict[str, int]:
    """The tables that are exported or read by pages, in a database of their own."""
    return publish.write_results(run.con, run.generation / "results.duckdb", run.settings)


def write_exports(run: Refresh) -> dict[str, int]:
    """The export tables as CSV and Parquet, and the map files."""
    from pipelines import exports, maps

    results, folder = run.generation / "results.duckdb", run.generation / "exports"
    return exports.write_exports(results, folder) | maps.write_maps(results, folder, run.settings)


def write_reports(run: Refresh) -> dict[str, int]:
    """The pages and, beside them, a workbook for each person."""
    from reports.results import Results
    from reports.standing import write_reports as write_pages
    from reports.workbooks import writing_workbooks

    file = run.generation / "results.duckdb"
    with writing_workbooks(file, run.settings, run.generation / "exports") as books, Results(file) as results:
        pages = write_pages(results, run.generation / "reports", run.workspace.reports)
    return {path.name: 1 for path in (*pages, *books)}


STEPS: dict[str, Callable[[Refresh], dict[str, int]]] = {
    "core": build_core,
    **{topic: run_topic(topic) for topic in ("restoration", "locating", "survival")},
    "ranking": rank_fleet,
    "investment": plan_work,
    "validation": run_topic("validation"),
    "evaluation": evaluate_fleet,
    "effects": weigh_corrections,
    "marts": build_marts,
}
"""Steps that rebuild the warehouse, in order, in one transaction."""

PUBLISHING: dict[str, Callable[[Refresh], dict[str, int]]] = {
    "results": write_results,
    "exports": write_exports,
    "reports": write_reports,
}
"""Steps that make a generation of what the warehouse holds."""


def count_rows(con: duckdb.DuckDBPyConnection, tables: list[str]) -> dict[str, int]:
    counts = {}
    for table in tables:
        found = con.execute(f"select count(*) from {table}").fetchone()
        counts[table] = found[0] if found else 0
    return counts


def refresh(workspace: Workspace, settings: Settings, call: Call = call_plainly) -> Refresh:
    """Rebuild figures, models, ranking, exports and reports from what is loaded.

    Raises
    ------
    UserError
        Nothing is loaded, the workspace is in use, or a check failed. The warehouse and the published generation are
        then those of the last good run; where the fault came while publishing, the warehouse is already the new
        run's. raw.runs and runs/last_attempt.json name the step.
    """
    con = open_warehouse(workspace, settings)
    run = Refresh(con, workspace, settings)
    record = RunRecord("refresh")
    progress = Progress(workspace)
    started_at, begun = dt.datetime.now(dt.UTC), time.perf_counter()
    attempt = {"started": publish.moment()}
    fault = "stopped"

    def take(steps: dict[str, Callable[[Refresh], dict[str, int]]]) -> None:
        for name, step in steps.items():
            publish.note_attempt(workspace, outcome="running", failed_step=name, **attempt)
            with progress.step(name), record.step(name) as written:
                written.update(call(name, partial(step, run)))
                run.written[name] = written

    close_killed_runs(con)
    con.begin()
    try:
        take(STEPS)
        reserve_run(con, record.command, started_at)
        con.commit()
        with publish.generation(workspace, settings.general.generations_kept) as run.generation:
            take(PUBLISHING)
        fault = ""
    except Exception as error:
        fault = str(error) or type(error).__name__
        raise
    finally:
        if fault:
            roll_back(con)
        record.as_of = run.settings.general.as_of
        write_run(con, record, started_at, time.perf_counter() - begun, fault or None)
        outcome = "stopped" if fault == "stopped" else "failed" if fault else "done"
        failed = record.failed_step if fault else None
        attempt |= {"ended": publish.moment(), "outcome": outcome}
        with suppress(OSError) if fault else nullcontext():  # a full disk is no second fault
            publish.note_attempt(workspace, failed_step=failed, message=fault or None, **attempt)
        con.close()
    return run
