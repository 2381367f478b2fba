"""The store: one writer at a time, named; tables just as the dictionary says."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pandas as pd
import pytest

from shared import dictionary
from shared.errors import UserError
from shared.settings import Settings
from shared.store import Workspace, open_warehouse, read_model, write_settings, write_table

HOLD = """
import sys
from pathlib import Path
from shared.store import Workspace, open_warehouse
con = open_warehouse(Workspace(Path(sys.argv[1])))
print("held", flush=True)
sys.stdin.read()
"""


@pytest.mark.parametrize("read_only", [False, True])
def test_a_workspace_in_use_names_who_holds_it(tmp_path: Path, read_only: bool) -> None:
    command = [sys.executable, "-c", HOLD, str(tmp_path)]
    holder = subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE)
    try:
        assert holder.stdout is not None and holder.stdout.readline() == b"held\n"
        with pytest.raises(UserError) as caught:
            open_warehouse(Workspace(tmp_path), read_only=read_only)
        assert f"the workspace is in use by process {holder.pid} (" in caught.value.what
        assert caught.value.where == str(tmp_path / "warehouse.duckdb")
        assert caught.value.remedy == "wait until it has finished, or stop that process, then try again"
    finally:
        holder.communicate(b"")


def test_reading_where_nothing_is_loaded_says_what_to_run(tmp_path: Path) -> None:
    with pytest.raises(UserError) as caught:
        open_warehouse(Workspace(tmp_path), read_only=True)
    assert str(caught.value) == (
        f"nothing is loaded here yet\n  where: {tmp_path / 'warehouse.duckdb'}\n"
        "  to do: run: loopwear load PATH... (or: loopwear demo)"
    )
    assert not (tmp_path / "warehouse.duckdb").exists()


def test_a_file_that_is_no_warehouse_is_named(tmp_path: Path) -> None:
    (tmp_path / "warehouse.duckdb").write_text("not a database, and longer than a few bytes " * 100)
    with pytest.raises(UserError, match="the warehouse cannot be opened"):
        open_warehouse(Workspace(tmp_path))


def test_a_place_that_is_a_file_is_named(tmp_path: Path) -> None:
    place = tmp_path / "workspace"
    place.write_text("in the way")
    with pytest.raises(UserError, match="the workspace cannot be written"):
        open_warehouse(Workspace(place))


def test_a_table_is_written_with_the_dictionary_s_types_and_comments(tmp_path: Path) -> None:
    con = open_warehouse(Workspace(tmp_path))
    frame = pd.DataFrame(
        {
            "mcf_hi": [3, 2],
            "mcf_lo": [1.0, 1.0],
            "mcf_per_km": [2, 1.5],
            "at_risk_km": [4.0, 4.0],
            "age_years": [9, 8],
            "cable_class": ["XLPE", "XLPE"],
        }
    )
    assert write_table(con, "marts.mean_cumulative_failures", frame) == 2
    assert list(read_model(con, "marts.mean_cumulative_failures")["age_years"]) == [8, 9]
    described = con.execute(
        "select column_name, data_type, comment from duckdb_columns() where table_name = 'mean_cumulative_failures'"
    ).fetchall()
    assert [(name, kind) for name, kind, _ in described] == [
        ("cable_class", "VARCHAR"),
        ("age_years", "DOUBLE"),
        ("at_risk_km", "DOUBLE"),
        ("mcf_per_km", "DOUBLE"),
        ("mcf_lo", "DOUBLE"),
        ("mcf_hi", "DOUBLE"),
    ]
    assert described[1][2] == dictionary.columns()["age_years"].meaning


def test_a_frame_with_other_columns_is_refused(tmp_path: Path) -> None:
    con = open_warehouse(Workspace(tmp_path))
    frame = pd.DataFrame(columns=["cable_class", "age_years", "at_risk_km", "mcf_per_km", "mcf_lo", "more"])
    with pytest.raises(ValueError, match=r"lacks \['mcf_hi'\], has unlisted \['more'\]"):
        write_table(con, "marts.mean_cumulative_failures", frame)


def test_settings_are_one_row_that_sql_can_read(tmp_path: Path) -> None:
    con = open_warehouse(Workspace(tmp_path))
    write_settings(con, Settings())
    query = "select restoration_sustained_min, general_as_of from settings.current"
    assert con.execute(query).fetchall() == [(5.0, None)]


def test_columns_read_as_categories_hold_the_same_values(tmp_path: Path) -> None:
    with open_warehouse(Workspace(tmp_path)) as con:
        frame = pd.DataFrame(
            {"loop_id": ["L3", "L1", "L2", "L4"], "configuration": ["loop", None, "it's", "loop"]}
        ).reindex(columns=list(dictionary.tables()["staging.loops"].columns))
        write_table(con, "staging.loops", frame)
        text = read_model(con, "staging.loops")
        levels = read_model(con, "staging.loops", categories=["configuration", "district_id"])
    assert levels["configuration"].dtype == "category"
    assert levels["district_id"].isna().all()  # a column without a value has no levels to be made of
    assert levels.astype(text.dtypes.to_dict()).equals(text)
