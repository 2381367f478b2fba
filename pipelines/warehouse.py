"""Builds the SQL models in the order they read one another, then runs the checks.

A model is one file under sql/ holding one select; its path is its table's name (sql/core/failures.sql
is core.failures, sql/marts/locating/locating_errors.sql is marts.locating_errors). The header's
`-- Reads:` line gives the order.
"""

from __future__ import annotations

import graphlib
import re
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import duckdb

from shared import dictionary
from shared.store import comment_on

SQL = Path(__file__).resolve().parents[1] / "sql"

READS = re.compile(r"^-- Reads:\s*(.+)$", re.MULTILINE)


@dataclass(frozen=True)
class Model:
    """One SQL model: its table, its file, and the tables its header says it reads."""

    table: str
    path: Path
    reads: tuple[str, ...]

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
    found = {}
    for layer in ("staging", "core", "marts"):
        for path in sorted((SQL / layer).rglob("*.sql")):
            header = READS.search(path.read_text(encoding="utf-8"))
            if header is None:
                raise ValueError(f"{path}: the header has no '-- Reads:' line")
            reads = tuple(name.strip() for name in header.group(1).split(","))
            found[f"{layer}.{path.stem}"] = Model(f"{layer}.{path.stem}", path, reads)
    return found


def build_order(layers: tuple[str, ...]) -> list[Model]:
    """Models of some layers, each after those it reads."""
    wanted = {name: model for name, model in models().items() if name.partition(".")[0] in layers}
    graph = {name: [r for r in model.reads if r in wanted] for name, model in wanted.items()}
    return [wanted[name] for name in graphlib.TopologicalSorter(graph).static_order()]


def load_macros(con: duckdb.DuckDBPyConnection) -> None:
    """Define the formulas of sql/macros; the assertions beneath each are run by the tests."""
    for path in sorted((SQL / "macros").glob("*.sql")):
        con.execute(path.read_text(encoding="utf-8").partition("-- assert")[0])


def build_models(con: duckdb.DuckDBPyConnection, *layers: str, commented: bool = True) -> list[str]:
    """Build the models of some layers, with the dictionary's comments or without; returns the tables, in order."""
    load_macros(con)
    built = []
    for model in build_order(layers):
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
