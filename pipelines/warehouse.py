"""Builds the SQL models in the order they read one another, reads the queries beside them, then runs the checks.

A model is one file under sql/ holding one select; its path is its table's name (sql/core/failures.sql
is core.failures, sql/marts/locating/locating_errors.sql is marts.locating_errors). The header's
`-- Reads:` line gives the order. A query under sql/queries/<topic>/ has the same header and makes no table.
"""

from __future__ import annotations

import graphlib
import re
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING

import duckdb

from shared import dictionary
from shared.store import comment_on

if TYPE_CHECKING:
    from collections.abc import Collection

    import pandas as pd

SQL = Path(__file__).resolve().parents[1] / "sql"

HEADER = re.compile(r"^-- Reads: (.+)\n-- Key: (.+)$", re.MULTILINE)


@dataclass(frozen=True)
class Model:
    """One SQL model or query: its name, its file, and the tables its header says it reads."""

    table: str
    path: Path
    reads: tuple[str, ...]
    key: str

    @property
    def query(self) -> str:
        return self.path.read_text(encoding="utf-8")


@dataclass(frozen=True)
class CheckResult:
    """What a query of sql/checks found: rows that must not be there."""

    name: str
    severity: str
    rows: int


@cache
def models() -> dict[str, Model]:
    """Every model by table name."""
    paths = [path for layer in ("staging", "core", "marts") for path in sorted((SQL / layer).rglob("*.sql"))]
    return {m.table: m for m in (_read(path, f"{path.relative_to(SQL).parts[0]}.{path.stem}") for path in paths)}


@cache
def queries() -> dict[str, Model]:
    """Every query that a step reads without a table being made of it, by topic/name."""
    paths = sorted((SQL / "queries").rglob("*.sql"))
    return {m.table: m for m in (_read(path, f"{path.parent.name}/{path.stem}") for path in paths)}


def _read(path: Path, name: str) -> Model:
    header = HEADER.search(path.read_text(encoding="utf-8"))
    if header is None:
        raise ValueError(f"{path}: the header has no '-- Reads:' line and '-- Key:' line")
    return Model(name, path, tuple(read.strip() for read in header.group(1).split(",")), header.group(2))


def read_query(con: duckdb.DuckDBPyConnection, name: str, **frames: pd.DataFrame) -> pd.DataFrame:
    """What a query of sql/queries finds, in the order of its key; frames are tables it reads, by their names."""
    query = queries()[name]
    for table, frame in frames.items():
        con.register(table, frame)
    try:
        return con.execute(f"select * from ({query.query}\n) order by {query.key}").df()
    finally:
        for table in frames:
            con.unregister(table)


def build_order(layers: tuple[str, ...]) -> list[Model]:
    """Models of some layers, each after those it reads."""
    wanted = {name: model for name, model in models().items() if name.partition(".")[0] in layers}
    graph = {name: [r for r in model.reads if r in wanted] for name, model in wanted.items()}
    return [wanted[name] for name in graphlib.TopologicalSorter(graph).static_order()]


def load_macros(con: duckdb.DuckDBPyConnection) -> None:
    """Define the formulas of sql/macros; the assertions below each are run by the tests."""
    for path in sorted((SQL / "macros").glob("*.sql")):
        con.execute(path.read_text(encoding="utf-8").partition("-- assert")[0])


def build_models(
    con: duckdb.DuckDBPyConnection, *layers: str, commented: bool = True, only: Collection[str] | None = None
) -> list[str]:
    """Build the models of some layers, with the dictionary's comments or without; returns the tables, in order."""
    load_macros(con)
    built = []
    for model in build_order(layers):
        if only is not None and model.table not in only:
            continue
        con.execute(f"create or replace table {model.table} as\n{model.query}")
        if commented and model.table in dictionary.tables():
            comment_on(con, model.table)
        built.append(model.table)
    return built


def run_checks(con: duckdb.DuckDBPyConnection) -> list[CheckResult]:
    """Run every query of sql/checks; each must return no row."""
    results = []
    for path in sorted((SQL / "checks").glob("*.sql")):
        query = path.read_text(encoding="utf-8")
        severity = query.splitlines()[0].removeprefix("--").strip()
        row = con.execute(f"select count(*) from ({query}\n)").fetchone()
        results.append(CheckResult(path.stem, severity, row[0] if row else 0))
    return results
