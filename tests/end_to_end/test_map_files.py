"""The map file of the demo against its tables, line by line, read by SQLite and a reader of geometries of its own."""

from __future__ import annotations

import sqlite3

import numpy as np
import pandas as pd
import pytest
import shapely

from shared.store import Workspace, open_results

ENVELOPE = 32
"""Bytes of the box that stands before a line's coordinates in a GeoPackage blob, after 8 of its head."""


def read_layer(space: Workspace, layer: str) -> tuple[pd.DataFrame, np.ndarray]:
    con = sqlite3.connect(space.exports / "loopwear.gpkg")
    rows = pd.read_sql(f"select * from {layer} order by fid", con)
    con.close()
    return rows.drop(columns=["fid", "geom"]), shapely.from_wkb([blob[8 + ENVELOPE :] for blob in rows["geom"]])


@pytest.mark.slow
def test_the_programme_on_the_map_is_the_programme_of_the_table(demo_space: Workspace) -> None:
    table = pd.read_csv(demo_space.exports / "programme.csv")
    assert table["programme_order"].tolist() == list(range(1, len(table) + 1))
    sheet = pd.read_excel(demo_space.exports / "replacement.xlsx", sheet_name="programme", engine="calamine")
    assert sheet.iloc[:, 0].tolist() == table["programme_order"].head(len(sheet)).tolist()
    assert sheet.iloc[:, -1].str.contains("never locate or dig by them").all()
    rows, lines = read_layer(demo_space, "programme")
    placed = table.dropna(subset=["x_from", "y_from", "x_to", "y_to"]).reset_index(drop=True)
    assert len(placed) == len(rows) > 50
    pd.testing.assert_frame_equal(
        rows.drop(columns="caution"), placed[[c for c in rows.columns if c != "caution"]], check_exact=False, rtol=1e-15
    )
    ends = placed[["x_from", "y_from", "x_to", "y_to"]].to_numpy().reshape(-1, 2)
    assert np.array_equal(shapely.get_coordinates(lines), ends)


@pytest.mark.slow
@pytest.mark.parametrize(("layer", "key"), [("sections", "section_id"), ("failures", "job_id")])
def test_sections_and_failures_lie_between_the_terminals_of_their_section(
    demo_space: Workspace, layer: str, key: str
) -> None:
    rows, lines = read_layer(demo_space, layer)
    terminals = pd.read_csv(demo_space.folder / "demo" / "export" / "terminals.csv")
    with open_results(demo_space.results) as con:
        sections = con.execute("select section_id, from_terminal_id, to_terminal_id from staging.sections").df()
    at = terminals.set_index("terminal_id")[["x", "y"]]
    of_row = rows[[key, "section_id"] if key != "section_id" else [key]].merge(sections, on="section_id", how="left")
    assert rows[key].is_unique and len(of_row) == len(rows) > 50
    ends = np.stack([at.loc[of_row[end]].to_numpy() for end in ("from_terminal_id", "to_terminal_id")], axis=1)
    assert np.array_equal(shapely.get_coordinates(lines), ends.reshape(-1, 2))
