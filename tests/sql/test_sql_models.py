"""House rules of the SQL models: honest headers, explicit columns, and each model as the dictionary lists it."""

from __future__ import annotations

import ast
import graphlib
import os
import re
import subprocess
import sys
from pathlib import Path

import pytest

from pipelines import warehouse
from shared import dictionary
from shared.units import DAYS_PER_YEAR

ROOT = Path(__file__).resolve().parents[2]
WRITTEN = warehouse.models() | warehouse.queries()
HEADER = ("-- One row is ", "-- Reads: ", "-- Key: ", "-- Units: ", "-- Why: ")


@pytest.fixture
def whole(make_warehouse):
    return make_warehouse({}, build=("staging", "core", "marts"))


def test_every_model_builds_on_empty_tables_with_the_dictionary_s_columns_and_types(whole) -> None:
    for name in warehouse.models():
        rows = whole.execute(f"describe {name}").fetchall()
        built = [(row[0], row[1].replace(" WITH TIME ZONE", "TZ")) for row in rows]
        said = [(c, dictionary.columns()[c].duckdb_type) for c in dictionary.tables()[name].columns]
        assert built == said, name


def test_the_header_says_what_the_query_reads(whole) -> None:
    for model in WRITTEN.values():
        named = whole.get_table_names(model.query, qualified=True)
        read = {name.replace('"', "").partition(" AS ")[0] for name in named}
        assert read == set(model.reads), model.table


def test_every_query_runs_on_empty_tables_and_has_the_key_that_its_header_says(whole) -> None:
    whole.execute("create temp table class_rates (cable_class varchar, rate double)")
    whole.execute("create temp table planned (section_id varchar)")
    whole.execute("create temp table forecasts (section_id varchar, expected_failures double, origin timestamp)")
    whole.execute(
        "create temp table clusters_found as select *, '' as likeness, 1 as jobs_in_cluster from raw.job_clusters"
    )
    whole.execute(f"create temp table jobs_standing as {warehouse.queries()['validation/jobs_standing'].query}")
    sections = "select *, 0 as newness, 0 as file_no, 0 as place from raw.sections"
    whole.execute(f"create temp table sections_together as {sections}")
    whole.execute("create temp table known_loops as from raw.loops")
    whole.execute("create temp table known_districts as from raw.districts")
    for name, query in warehouse.queries().items():
        key = set(query.key.replace('"', "").split(", "))
        assert key <= set(warehouse.read_query(whole, name).columns), name


@pytest.mark.parametrize("name", sorted(WRITTEN))
def test_headers_and_habits(name: str) -> None:
    query = WRITTEN[name].query
    lines = query.splitlines()
    assert [line for line, start in zip(lines, HEADER, strict=False) if not line.startswith(start)] == [], name
    code = re.sub(r"--.*", "", query).lower()
    assert "group by 1" not in code, name
    assert not re.search(r"select\s+distinct", code), f"{name}: distinct hides a join that multiplies"
    assert not re.search(r"order by[^()]*$", code), f"{name}: a model has no order"


def test_every_check_returns_nothing_on_empty_tables(whole) -> None:
    assert [r for r in warehouse.run_checks(whole) if r.rows] == []


def test_every_check_says_its_severity() -> None:
    for path in sorted((warehouse.SQL / "checks").glob("*.sql")):
        assert path.read_text(encoding="utf-8").splitlines()[0] in ("-- fail", "-- warn"), path.name
        assert "__" in path.stem, path.name


def test_macros_hold_their_assertions(whole) -> None:
    day = whole.execute("select years_between(date '2020-01-01', date '2020-01-02')").fetchone()
    assert day == (1 / DAYS_PER_YEAR,)
    for path in sorted((warehouse.SQL / "macros").glob("*.sql")):
        _, marker, assertions = path.read_text(encoding="utf-8").partition("-- assert")
        assert marker, f"{path.name}: no '-- assert' below the formula"
        for query in filter(str.strip, assertions.split(";")):
            assert whole.execute(query).fetchone() == (True,), f"{path.name}: {query}"


@pytest.mark.parametrize(
    ("layer", "forbidden"),
    [
        ("shared", ("pipelines", "reports", "synthetic_data")),
        ("synthetic_data", ("pipelines", "reports")),
        ("pipelines", ("reports", "synthetic_data")),
        ("reports", ("synthetic_data", "pipelines.cli", "pipelines.flows", "pipelines.refresh", "pipelines.load")),
    ],
)
def test_nothing_imports_upwards(layer: str, forbidden: tuple[str, ...]) -> None:
    entry_points = {"cli.py", "flows.py", "refresh.py", "load.py"}
    below = {
        "restoration": set(), "locating": set(), "validation": set(), "intake": {"validation"}, "survival": set(),
        "ranking": {"survival"}, "investment": {"survival", "ranking"},
        "evaluation": {"survival", "ranking", "investment"},
    }  # fmt: skip
    assert {p.parent.name for p in (ROOT / "pipelines").glob("*/step.py")} <= set(below)
    for path in sorted((ROOT / layer).rglob("*.py")):
        if layer == "pipelines" and path.parent.name == "pipelines" and path.name in entry_points:
            continue
        imported = re.findall(r"^\s*(?:from|import)\s+([\w.]+)", path.read_text(encoding="utf-8"), re.MULTILINE)
        for name in imported:
            assert not name.startswith(forbidden), f"{path}: {name}"
            parts = name.split(".")
            if layer == "pipelines" and path.parent.name in below and parts[0] == "pipelines" and len(parts) > 1:
                assert parts[1] in below[path.parent.name] | {path.parent.name, "warehouse"}, f"{path}: {name}"


def test_no_modules_import_in_a_circle() -> None:
    """Imports inside functions and under TYPE_CHECKING count too: what they put off is still one knot."""
    paths = [p for layer in ("pipelines", "reports", "shared", "synthetic_data") for p in (ROOT / layer).rglob("*.py")]
    modules = {".".join(p.relative_to(ROOT).with_suffix("").parts).removesuffix(".__init__"): p for p in paths}
    reads = {}
    for name, path in modules.items():
        named = set()
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.ImportFrom):
                inner = {f"{node.module}.{a.name}" for a in node.names} & set(modules)
                named |= inner or {node.module}
            elif isinstance(node, ast.Import):
                named |= {a.name for a in node.names}
        reads[name] = (named & set(modules)) - {name}
    assert sum(map(len, reads.values())) > len(modules), "the imports were not found"
    # Raises CycleError, which names the modules of the circle.
    graphlib.TopologicalSorter(reads).prepare()


def test_help_needs_none_of_the_heavy_libraries() -> None:
    heavy = ("pandas", "duckdb", "prefect", "plotly", "scipy")
    code = f"import sys, pipelines.cli; print([m for m in {heavy} if m in sys.modules])"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


def test_linear_algebra_is_told_to_take_one_thread() -> None:
    """Before numpy is imported, which reads it then; a user's own number stands."""
    code = (
        "import os, sys; from pipelines import cli; cli.app = lambda: print('numpy' in sys.modules, "
        "os.environ['OPENBLAS_NUM_THREADS'], os.environ['OMP_NUM_THREADS']); cli.main()"
    )
    given = {k: v for k, v in os.environ.items() if k != "OPENBLAS_NUM_THREADS"} | {"OMP_NUM_THREADS": "3"}
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True, env=given)
    assert done.stdout.split() == ["False", "1", "3"]
