"""The work list: what a person who plans the work finds beside each section."""

from __future__ import annotations

from collections.abc import Callable

import duckdb
import pandas as pd

from pipelines.investment.step import add_places


def test_work_has_its_district_cable_terminals_and_coordinates(
    make_warehouse: Callable[..., duckdb.DuckDBPyConnection],
) -> None:
    con = make_warehouse(
        {
            "districts": "district_id | timezone\nOB | UTC",
            "loops": "loop_id | district_id\nL1 | OB",
            "terminals": "terminal_id | x | y | loop_id\nT1 | 1000.1 | 50.25 | L1\nT2 | 1100.3 | 60.5 | L1\nT3 || | L1",
            "sections": """
                section_id | loop_id | position | from_terminal_id | to_terminal_id | length_m | insulation | neutral
                S1         | L1      | 1        | T1               | T2             | 110      | XLPE       | bare
                S2         | L1      | 2        | T2               | T3             | 90       | XLPE       | bare
                """,
        }
    )
    work = add_places(con, pd.DataFrame({"section_id": ["S2", "S1"], "programme_order": [1, 2]}))
    assert work["programme_order"].tolist() == [1, 2]
    assert work["district_id"].tolist() == ["OB", "OB"]
    assert work["cable_class"].tolist() == ["XLPE/bare/unknown"] * 2
    assert work[["from_terminal_id", "to_terminal_id"]].to_numpy().tolist() == [["T2", "T3"], ["T1", "T2"]]
    assert work[["x_from", "y_from", "x_to", "y_to"]].loc[1].tolist() == [1000.1, 50.25, 1100.3, 60.5]
    assert work.loc[0, "x_from"] == 1100.3 and work.loc[0, ["x_to", "y_to"]].isna().all()
    assert work["caution"].str.contains("never locate or dig by them").all()
    assert len(add_places(con, work[["section_id"]].iloc[:0])) == 0
