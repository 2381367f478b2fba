"""What corrections would move, held against what they do move once they are loaded, and back."""

from __future__ import annotations

import shutil
from pathlib import Path

import duckdb
import pandas as pd
import pytest

from pipelines import effects, warehouse
from pipelines.intake.load import load_paths
from pipelines.locating import step as locating
from shared.settings import Settings
from shared.store import Workspace, open_warehouse, read_model


def values(con: duckdb.DuckDBPyConnection, scenario: str) -> dict[tuple[str, str], float]:
    frame = read_model(con, "marts.correction_effects").dropna(subset=[scenario])
    return frame.set_index(["answer", "group_name"])[scenario].to_dict()


def test_all_proposals_applied_move_the_answers_as_foretold(demo_space: Workspace, tmp_path: Path) -> None:
    space = Workspace(tmp_path / "workspace")
    space.make()
    shutil.copy(demo_space.warehouse, space.warehouse)
    con = open_warehouse(space)
    as_of = con.execute("select general_as_of from settings.current").fetchone()[0]
    settings = Settings().override("general", as_of=as_of)
    before, foretold = values(con, "value_standing"), values(con, "value_with_slips")
    assert foretold != before
    assert values(con, "value_without_applied") == {}

    proposed = pd.read_csv(demo_space.exports / "proposed_corrections.csv", dtype=str, keep_default_na=False)
    in_use = {job for (job,) in con.execute("select job_id from raw.jobs").fetchall()}
    chosen = proposed.sort_values(
        ["likelihood", "slip"],
        ascending=[False, True],
        key=lambda c: pd.to_numeric(c).fillna(-1) if c.name == "likelihood" else c,
    ).drop_duplicates(["job_id", "column"])
    chosen = chosen[chosen["job_id"].isin(in_use)].assign(decision="apply")
    chosen.to_csv(tmp_path / "corrections.csv", index=False)
    report = load_paths(con, [tmp_path / "corrections.csv"], settings)
    assert report.files[0].quarantined == 0
    warehouse.build_models(con, "staging")
    warehouse.build_models(con, "core")
    locating.run(con, settings)
    effects.run(con, settings)
    assert values(con, "value_standing") == pytest.approx(foretold, rel=1e-9)
    assert values(con, "value_without_applied") == pytest.approx(before, rel=1e-9)
    databases = con.execute("select database_name from duckdb_databases() where not internal").fetchall()
    assert databases == [("warehouse",)]
    assert list(space.runs.glob("as_if*")) == []
    effects.run(con, settings.override("validation", weigh_corrections=False))
    assert values(con, "value_standing") == pytest.approx(foretold, rel=1e-9)
    assert values(con, "value_without_applied") == {}
