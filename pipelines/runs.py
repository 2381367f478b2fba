"""The record of truth of what ran: one row a run and one a step, in raw.runs and raw.run_steps."""

import datetime as dt
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, nullcontext, suppress
from dataclasses import dataclass, field

import duckdb

Call = Callable[[str, Callable[[], dict[str, int]]], dict[str, int]]
"""How a named step is called: plainly, or as a task of the workflow engine."""


def call_plainly(_name: str, step: Callable[[], dict[str, int]]) -> dict[str, int]:
    """Call a step without the workflow engine."""
    return step()


MAKE = """
create table if not exists raw.runs (
    run_number bigint primary key, command varchar, started_at timestamptz, seconds double,
    outcome varchar, as_of date, failed_step varchar, fault varchar
);
create table if not exists raw.run_steps (
    run_number bigint, step_number bigint, step varchar, seconds double, rows_written bigint
);
"""


@dataclass
class RunRecord:
    """What a run has done so far."""

    command: str
    steps: list[tuple[str, float, int]] = field(default_factory=list)
    failed_step: str | None = None
    as_of: dt.date | None = None

    @contextmanager
    def step(self, name: str) -> Iterator[dict[str, int]]:
        """Time one step; put what it wrote into the dictionary given."""
        written: dict[str, int] = {}
        begun = time.perf_counter()
        self.failed_step = name
        yield written
        self.failed_step = None
        self.steps.append((name, time.perf_counter() - begun, sum(written.values())))


def reserve_run(con: duckdb.DuckDBPyConnection, command: str, started_at: dt.datetime) -> None:
    """Keep the number of a run that is to publish what it wrote; write_run fills it in, a killed run leaves it so."""
    con.execute(MAKE)
    con.execute(
        "insert into raw.runs (run_number, command, started_at, outcome) "
        "select coalesce(max(run_number), 0) + 1, ?, ?, 'running' from raw.runs",
        [command, started_at],
    )


def close_killed_runs(con: duckdb.DuckDBPyConnection) -> None:
    """Say of runs that never ended that they were killed: the warehouse is ours alone by now."""
    con.execute(MAKE)
    con.execute("update raw.runs set outcome = 'stopped', fault = 'it was killed' where outcome = 'running'")


def write_run(
    con: duckdb.DuckDBPyConnection, record: RunRecord, started_at: dt.datetime, seconds: float, fault: str | None
) -> None:
    """Add a run to the record, done or failed.

    Of a run that failed because nothing can be written, this cannot be written either: that is no second fault.
    """
    with suppress(duckdb.Error) if fault else nullcontext():
        _insert_run(con, record, started_at, seconds, fault)


def _insert_run(
    con: duckdb.DuckDBPyConnection, record: RunRecord, started_at: dt.datetime, seconds: float, fault: str | None
) -> None:
    con.execute(MAKE)
    numbers = "coalesce(max(run_number) filter (outcome = 'running'), max(run_number) + 1, 1)"
    number = con.execute(f"select {numbers} from raw.runs").fetchall()[0][0]
    outcome = "failed" if fault else "done"
    con.execute(
        "insert or replace into raw.runs values (?, ?, ?, ?, ?, ?, ?, ?)",  # of its reserved number, in one step
        [
            number,
            record.command,
            started_at,
            seconds,
            outcome,
            record.as_of,
            record.failed_step if fault else None,
            fault,
        ],
    )
    for place, (step, took, rows) in enumerate(record.steps, start=1):
        con.execute("insert into raw.run_steps values (?, ?, ?, ?, ?)", [number, place, step, took, rows])
