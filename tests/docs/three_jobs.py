"""Follows three jobs of the demo from their row in jobs.csv to their point in a chart, by hand.

`python -m tests.docs.three_jobs` makes the demo of 150 loops anew and writes the section of DEVELOPERS.md.
The left figures are worked out from the exported files alone with a spreadsheet's means, the right ones read from
the warehouse's exports; tests/docs/test_docs_three_jobs.py holds the two together and the section up to date.
"""

from __future__ import annotations

import csv
import datetime as dt
import tempfile
from pathlib import Path
from typing import Any

from shared.store import Workspace

DEVELOPERS = Path(__file__).resolve().parents[2] / "DEVELOPERS.md"

Row = dict[str, str]


def read_rows(path: Path) -> list[Row]:
    with path.open(newline="", encoding="utf-8") as file:
        return list(csv.DictReader(file))


def minutes_between(start: str, end: str) -> float:
    """Minutes between two local stamps on one side of a clock change."""
    first, last = (dt.datetime.strptime(stamp, "%Y-%m-%d %H:%M") for stamp in (start, end))
    return (last - first).total_seconds() / 60.0


def choose_jobs(space: Workspace) -> list[str]:
    """The first three jobs of jobs.csv that reach all three answers."""
    export = space.folder / "demo" / "export"
    jobs = {row["job_id"] for row in read_rows(export / "jobs.csv") if row["revision"] == "1"}
    stepped = {row["job_id"] for row in read_rows(export / "restoration_steps.csv")}
    located = {r["job_id"] for r in read_rows(space.exports / "locating_errors.csv") if r["corrected_error_m"]}
    return sorted(jobs & stepped & located)[:3]


def follow_job(space: Workspace, job_id: str) -> dict[str, Any]:
    """One job: its row in the file, the figures by hand from the files, and the same in the warehouse."""
    from shared.store import open_warehouse

    export = space.folder / "demo" / "export"
    number, row = next((n, r) for n, r in enumerate(read_rows(export / "jobs.csv"), start=2) if r["job_id"] == job_id)
    steps = [r for r in read_rows(export / "restoration_steps.csv") if r["job_id"] == job_id]
    by_hand = {
        "time_to_locate_min": minutes_between(row["arrived_at"], row["located_at"]),
        "customer_minutes": sum(
            int(s["customers_restored"]) * minutes_between(row["reported_at"], s["step_at"]) for s in steps
        ),
        "error_m": float(row["estimated_distance_m"]) - float(row["dug_distance_m"]),
    }
    with open_warehouse(space, read_only=True) as con:
        stages = con.execute(
            """
            select stages.arrive_to_locate_min, stages.customer_minutes, jobs.source_file, jobs.row_number
            from core.job_stages as stages
            join staging.jobs as jobs on jobs.job_id = stages.job_id
            where stages.job_id = ?
        """,
            [job_id],
        ).fetchone()
        failure = con.execute(
            "select section_id, is_counted, why_not from core.failures where job_id = ?", [job_id]
        ).fetchone()
    reading = next(r for r in read_rows(space.exports / "locating_errors.csv") if r["job_id"] == job_id)
    assert stages is not None and failure is not None
    return {
        "job_id": job_id,
        "row": number,
        "file_row": row,
        "steps": steps,
        "by_hand": by_hand,
        "reading": reading,
        "product": {
            "time_to_locate_min": stages[0],
            "customer_minutes": stages[1],
            "error_m": float(reading["error_m"]),
        },
        "came_from": (stages[2], stages[3]),
        "failure": failure,
    }


def write_section(space: Workspace) -> str:
    """The section of DEVELOPERS.md."""
    lines = [
        "## Three jobs, from file to chart",
        "",
        "Made by `python -m tests.docs.three_jobs` from the demo of 150 loops (`loopwear demo --loops 150`)",
        "and held to it by `tests/docs/test_docs_three_jobs.py`. Each figure can be redone with a pencil.",
    ]
    for job_id in choose_jobs(space):
        told = follow_job(space, job_id)
        row, reading, by_hand = told["file_row"], told["reading"], told["by_hand"]
        section, counted, why_not = told["failure"]
        steps = " + ".join(
            f"{step['customers_restored']} x {minutes_between(row['reported_at'], step['step_at']):.0f}"
            for step in told["steps"]
        )
        fate = f"counts as a failure of {section}" if counted else f"does not count as a failure ({why_not})"
        corrected = f"{float(reading['corrected_distance_m']):.1f} m ({float(reading['corrected_error_m']):+.1f} m)"
        lines.append(f"""
**{job_id}**, `jobs.csv` row {told["row"]} (`raw.jobs`, then `staging.jobs`):

* arrived {row["arrived_at"]}, located {row["located_at"]}: {by_hand["time_to_locate_min"]:.0f} minutes to locate
  (`core.job_stages.arrive_to_locate_min`);
* customer-minutes from its steps: {steps} = {by_hand["customer_minutes"]:.0f}
  (`core.job_stages.customer_minutes`), in the bars of restoration.html;
* shown {row["estimated_distance_m"]} m, dug {row["dug_distance_m"]} m: error {by_hand["error_m"]:+.1f} m;
  corrected {corrected} with the fit of {reading["cable_class"]} and {reading["instrument_id"]}
  (`marts.locating_errors`), a point on locating.html;
* {fate} (`core.failures`), in the class curves and the ranking of replacement.html.""")
    return "\n".join(lines) + "\n"


def main() -> None:
    from pipelines.load import load
    from pipelines.refresh import refresh
    from shared.settings import Settings
    from synthetic_data.demo import write_demo

    with tempfile.TemporaryDirectory() as folder:
        space = Workspace(Path(folder))
        for paths, mapping in write_demo(space.folder / "demo", loops=150).loads:
            load(space, list(paths), Settings(), mapping)
        refresh(space, Settings())
        before, _, after = DEVELOPERS.read_text(encoding="utf-8").partition("## Three jobs")
        after = after[after.index("## ") :]
        DEVELOPERS.write_text(f"{before}{write_section(space)}\n{after}", encoding="utf-8")


if __name__ == "__main__":
    main()
