"""Every flow and task of the workflow engine, a few lines each; the work is in the steps they call."""

import datetime as dt
from collections.abc import Callable
from pathlib import Path

from prefect import flow, task
from prefect.artifacts import create_table_artifact
from prefect.cache_policies import NO_CACHE

from pipelines.intake.load import LoadReport
from pipelines.load import load
from pipelines.refresh import Refresh, refresh
from shared.settings import resolve_settings
from shared.store import Workspace


@task(cache_policy=NO_CACHE, persist_result=False)
def take_step(step: Callable[[], dict[str, int]]) -> dict[str, int]:
    """One step, whichever it is."""
    return step()


def call_as_task(name: str, step: Callable[[], dict[str, int]]) -> dict[str, int]:
    """Call a step as a task run, recorded under the step's name."""
    return take_step.with_options(name=name, task_run_name=name)(step)


@flow(name="load", persist_result=False, validate_parameters=False)
def load_flow(
    workspace: str,
    paths: list[str],
    mapping: str | None = None,
    settings_file: str | None = None,
    as_newest: bool = False,
) -> LoadReport:
    """Files into the warehouse, as one load."""
    space, files, mapped = Workspace(Path(workspace)), [Path(p) for p in paths], Path(mapping) if mapping else None
    settings = resolve_settings(space.folder, Path(settings_file) if settings_file else None)
    report = load(space, files, settings, mapped, call_as_task, as_newest)
    rows = [{str(k): v for k, v in row.items()} for row in report.to_frame().to_dict("records")]
    create_table_artifact(rows, key="rows-by-file", description="Rows of the load by file")
    return report


@flow(name="refresh", persist_result=False, validate_parameters=False)
def refresh_flow(
    workspace: str,
    settings_file: str | None = None,
    as_of: dt.date | None = None,
    horizon: float | None = None,
    budget: float | None = None,
) -> Refresh:
    """What is loaded into figures, models, ranking, exports and reports."""
    space, file = Workspace(Path(workspace)), Path(settings_file) if settings_file else None
    settings = resolve_settings(space.folder, file, as_of=as_of, horizon=horizon, budget=budget)
    run = refresh(space, settings, call_as_task)
    rows = [
        {"step": step, "table": table, "rows": count}
        for step, tables in run.written.items()
        for table, count in tables.items()
    ]
    create_table_artifact(rows, key="rows-by-table", description=f"Rows written, as of {run.settings.general.as_of}")
    return run


def serve_refresh(workspace: Path, cron: str, settings_file: Path | None) -> None:
    """Serve the refresh on a cron expression until stopped; needs a running API (pipelines.run_history.recording)."""
    parameters = {"workspace": str(workspace), "settings_file": str(settings_file) if settings_file else None}
    refresh_flow.serve(name="refresh-on-schedule", cron=cron, parameters=parameters, print_starting_message=False)
