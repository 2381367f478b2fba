"""The steps of a refresh, in order; they run with or without the workflow engine.

A refresh is one transaction of the warehouse: its tables are all of one run or, where a step fails,
all of the run before. Exports and reports are replaced only after every step before them is done.
"""

from __future__ import annotations

import datetime as dt
import importlib
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from functools import partial
from typing import TYPE_CHECKING

import duckdb

from pipelines import warehouse
from pipelines.progress import Progress
from pipelines.runs import Call, RunRecord, call_plainly, write_run
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
    fitted: FittedFleet | None = None
    facts: Facts | None = None


def build_core(run: Refresh) -> dict[str, int]:
    """Staging and core, and with them the as-of date that every later step stands on."""
    if not has_table(run.con, "raw.jobs"):
        raise UserError("nothing is loaded yet", str(run.workspace.folder), "run: loopwear load PATH...")
    write_settings(run.con, run.settings)
    built = warehouse.build_models(run.con, "staging")
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


def write_exports(run: Refresh) -> dict[str, int]:
    """The export tables as CSV and Parquet."""
    from pipelines import exports

    return exports.write_exports(run.con, run.workspace.exports)


def write_reports(run: Refresh) -> dict[str, int]:
    """The pages and, beside them, a workbook for each person."""
    from reports.site import write_reports as write_pages
    from reports.workbooks import writing_workbooks

    with writing_workbooks(run.con, run.settings, run.workspace.exports) as books:
        pages = write_pages(run.con, run.settings, run.workspace.reports)
    return {path.name: 1 for path in (*pages, *books)}


STEPS: dict[str, Callable[[Refresh], dict[str, int]]] = {
    "core": build_core,
    **{topic: run_topic(topic) for topic in ("restoration", "locating", "survival")},
    "ranking": rank_fleet,
    "investment": plan_work,
    "evaluation": evaluate_fleet,
    "validation": run_topic("validation"),
    "effects": weigh_corrections,
    "marts": build_marts,
    "exports": write_exports,
    "reports": write_reports,
}


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
        Nothing is loaded, the workspace is in use, or a check failed. The warehouse, the exports
        and the reports are then those of the last good run, and raw.runs names the step.
    """
    con = open_warehouse(workspace, settings)
    run = Refresh(con, workspace, settings)
    record = RunRecord("refresh")
    progress = Progress(workspace)
    started_at, begun = dt.datetime.now(dt.UTC), time.perf_counter()
    fault = "stopped"
    con.begin()
    try:
        for name, step in STEPS.items():
            with progress.step(name), record.step(name) as written:
                written.update(call(name, partial(step, run)))
                run.written[name] = written
        con.commit()
        fault = ""
    except Exception as error:
        fault = str(error) or type(error).__name__
        raise
    finally:
        if fault:
            roll_back(con)
        record.as_of = run.settings.general.as_of
        write_run(con, record, started_at, time.perf_counter() - begun, fault or None)
        con.close()
    return run
