"""What the tests share: small warehouses drawn as tables with pipes."""

from __future__ import annotations

import os
import shutil
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import duckdb
import pandas as pd
import pytest

from pipelines import warehouse
from pipelines.intake.raw import ensure_raw_tables
from shared import dictionary
from shared.settings import Settings
from shared.store import Workspace, create_table, has_table, open_warehouse, write_settings


def frame_from_pipes(drawing: str) -> pd.DataFrame:
    """A frame of texts from a table drawn with pipes; an empty cell is missing."""
    lines = [line.strip().strip("|") for line in drawing.strip().splitlines()]
    rows = [[cell.strip() or None for cell in line.split("|")] for line in lines if set(line) - set("|-+ ")]
    return pd.DataFrame(rows[1:], columns=rows[0], dtype="object")


def write_raw(con: duckdb.DuckDBPyConnection, table: str, rows: pd.DataFrame) -> None:
    """Put rows into raw.<table> as intake would have: only the columns given, the others missing."""
    facts = dictionary.tables()[f"raw.{table}"]
    unknown = set(rows.columns) - set(facts.columns)
    assert not unknown, f"{table} has no column {unknown}"
    listed = ", ".join(f'"{c}" {dictionary.columns()[c].duckdb_type}' for c in (*facts.columns, *dictionary.PROVENANCE))
    con.execute(f"create or replace table raw.{table} ({listed})")
    filled = rows.assign(
        load_id="b1",
        source_file=f"{table}.csv",
        row_number=range(2, len(rows) + 2),
        load_sequence=range(1, len(rows) + 1),
        content_hash=[str(n) for n in range(len(rows))],
    )
    names = ", ".join(f'"{c}"' for c in filled.columns)
    con.register("rows_to_write", filled)
    con.execute(f"insert into raw.{table} ({names}) select {names} from rows_to_write")
    con.unregister("rows_to_write")


def warehouse_maker(folder: Path) -> Callable[..., duckdb.DuckDBPyConnection]:
    """A function that makes a warehouse: tables drawn or framed in, staging and core built.

    Call it as make_warehouse({"loops": "...", "jobs": frame}, settings=..., build=("staging", "core")).
    Tables not given are empty. settings.general.as_of should be given.
    """

    def make(
        tables: dict[str, str | pd.DataFrame],
        settings: Settings | None = None,
        build: tuple[str, ...] = ("staging", "core"),
    ) -> duckdb.DuckDBPyConnection:
        con = open_warehouse(Workspace(folder / "workspace"))
        con.begin()  # each statement by itself would wait for the disk
        write_settings(con, settings or Settings())
        ensure_raw_tables(con)
        for stem in dictionary.source_tables():
            given = tables.get(stem, pd.DataFrame())
            write_raw(con, stem, frame_from_pipes(given) if isinstance(given, str) else given)
        for layer in build:
            if layer == "marts":
                for name, facts in dictionary.tables().items():
                    if facts.made_by and facts.layer != "scenarios" and not has_table(con, name):
                        create_table(con, name)
            warehouse.build_models(con, layer)
        con.commit()
        return con

    return make


@pytest.fixture
def make_warehouse(tmp_path: Path) -> Callable[..., duckdb.DuckDBPyConnection]:
    """warehouse_maker in a folder of the test's own."""
    return warehouse_maker(tmp_path)


@pytest.fixture(scope="session")
def demo_space(tmp_path_factory: pytest.TempPathFactory) -> Workspace:
    """The demo at 150 loops, dirt and all, loaded and refreshed once a test session, whichever worker comes first.

    Read from it; whoever wants to change it copies the folder.
    """
    from pipelines.load import load
    from pipelines.refresh import refresh
    from synthetic_data.demo import write_demo

    base = tmp_path_factory.getbasetemp()
    folder = (base.parent if base.name.startswith("popen-") else base) / "demo"
    space, done = Workspace(folder), folder / "done"
    try:
        folder.mkdir()
    except FileExistsError:
        deadline = time.monotonic() + 300
        while not done.exists():
            assert time.monotonic() < deadline, "the other worker did not finish the demo"
            time.sleep(0.2)
        return space
    for paths, mapping in write_demo(folder / "demo", loops=150).loads:
        load(space, list(paths), Settings(), mapping)
    refresh(space, Settings())
    done.touch()
    return space


@pytest.hookimpl(tryfirst=True)
def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Tests that share what their file makes once go to one worker: on two it would be made twice."""
    for item in items:
        fixtures = [each for found in item._fixtureinfo.name2fixturedefs.values() for each in found]
        shares = any(each.scope == "module" and each.baseid.endswith(".py") for each in fixtures)
        if shares and item.get_closest_marker("xdist_group") is None:
            item.add_marker(pytest.mark.xdist_group(item.path.stem))


ARGUMENTS = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--disable-dev-shm-usage",
]


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    """A chromium without a window."""
    program = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
    if program is None:
        if os.environ.get("LOOPWEAR_REQUIRE_BROWSER") == "1":
            pytest.fail("LOOPWEAR_REQUIRE_BROWSER=1, but there is no chromium: apt-get install chromium")
        pytest.skip("no chromium on this machine (apt-get install chromium)")
    from playwright.sync_api import sync_playwright

    with sync_playwright() as play:
        opened = play.chromium.launch(executable_path=program, args=ARGUMENTS)
        yield opened
        opened.close()
