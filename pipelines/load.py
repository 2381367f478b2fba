"""One load: files into the warehouse as one load, and the record that it ran."""

from __future__ import annotations

import datetime as dt
import time
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from pipelines.progress import Progress
from pipelines.runs import Call, RunRecord, call_plainly, write_run
from shared.settings import Settings
from shared.store import Workspace, open_warehouse

if TYPE_CHECKING:
    from pipelines.intake.load import LoadReport


def load(
    workspace: Workspace,
    paths: Sequence[Path],
    settings: Settings,
    mapping: Path | None = None,
    call: Call = call_plainly,
    as_newest: bool = False,
) -> LoadReport:
    """Load files or folders as one load: all of it or nothing of it.

    Raises
    ------
    UserError
        A file cannot be read or lacks a required column (it is named), or the workspace is in use.
    """
    from pipelines.intake.load import load_paths

    con = open_warehouse(workspace, settings)
    record = RunRecord("load")
    progress = Progress(workspace)
    started_at, begun = dt.datetime.now(dt.UTC), time.perf_counter()
    fault = "stopped"
    reports: list[LoadReport] = []

    def load_files() -> dict[str, int]:
        report = load_paths(con, paths, settings, mapping, workspace.runs, as_newest)
        reports.append(report)
        return {file.file: file.read for file in report.files}

    try:
        with progress.step("load"), record.step("load") as written:
            written.update(call("load", load_files))
        fault = ""
    except Exception as error:
        fault = str(error) or type(error).__name__
        raise
    finally:
        write_run(con, record, started_at, time.perf_counter() - begun, fault or None)
        con.close()
    return reports[0]
