"""Sections of a loop form one chain at each date the register speaks of, not only today."""

from __future__ import annotations

from pathlib import Path

import pytest

from pipelines.intake.load import load_paths
from shared.settings import Settings
from shared.store import Workspace, open_warehouse
from tests.cases.small_utility import TABLES, Row, write_csv


def section(number: int, **cells: str) -> Row:
    """Position n of loop L1, from T<n> to T<n+1>; records begin on 2005-01-01."""
    return dict(TABLES["sections"][0], section_id=f"S{number}", position=str(number), from_terminal_id=f"T{number}",
                to_terminal_id=f"T{number + 1}", **cells)


@pytest.fixture
def breaks(tmp_path: Path):
    def load(*rows: Row) -> dict[str, str]:
        con = open_warehouse(Workspace(tmp_path / "workspace"))
        tables = {"districts": TABLES["districts"], "loops": TABLES["loops"], "sections": list(rows)}
        load_paths(con, [write_csv(tmp_path / f"{t}.csv", r) for t, r in tables.items()], Settings())
        return dict(con.execute("""
            select s.section_id, regexp_extract(message, 'at every date: (.*?)\\. A gap', 1) from raw.findings as f
            join raw.sections as s on s.row_number = f.row_number where rule = 'loop_not_one_chain' order by 1
        """).fetchall())

    return load


OLD = section(2, retired_on="2012-06-01", retired_because="failures")
NEW = dict(section(2, installed_on="2012-06-01"), section_id="S2-new")


@pytest.mark.parametrize(("rows", "expected"), [
    ((section(1), OLD, NEW, section(3)), {}),
    ((section(1), OLD, NEW | {"installed_on": "2012-06-20"}, section(3)), {}),  # paper: a fortnight and more
    ((section(1), OLD, NEW | {"installed_on": "2012"}, section(3)), {}),  # a year alone
    ((section(1), NEW, section(3)), {"S3": "no section between positions 1 and 3, from 2005-01-01 to 2012-06-01"}),
    ((section(1), NEW | {"installed_on": "1999-06-01"}, section(3)), {}),  # the gap was before records began
    ((section(1), OLD, section(3)), {"S3": "no section between positions 1 and 3, since 2012-06-01"}),
    ((section(1), OLD, NEW | {"installed_on": "2009-01-01"}, section(3)),
     {"S2-new": "two sections in service at position 2, from 2009-01-01 to 2012-06-01"}),
    ((section(1), OLD, NEW | {"from_terminal_id": "T7"}, section(3)),
     {"S2-new": "position 2 starts at T7, position 1 ends at T2, since 2012-06-01"}),
    ((section(2), section(3)), {"S2": "it begins at position 2"}),
    ((section(1), section(2, installed_on=""), section(3)), {}),  # of unknown age: always there
    ((section(1), section(2), section(3, installed_on="2010-01-01")), {}),  # the loop was lengthened
])
def test_a_break_is_told_with_its_dates(breaks, rows: tuple[Row, ...], expected: dict[str, str]) -> None:
    assert breaks(*rows) == expected
