"""Sections of a loop form one chain at each date the register speaks of, not only today."""

from __future__ import annotations

import pytest

from pipelines.intake.load import load_paths
from shared.settings import Settings
from shared.store import Workspace, open_warehouse
from tests.cases.small_utility import TABLES, Row, write_csv


def section(number: int, **cells: str) -> Row:
    """Position n of loop L1, from T<n> to T<n+1>; records begin on 2005-01-01."""
    return dict(
        TABLES["sections"][0],
        section_id=f"S{number}",
        position=str(number),
        from_terminal_id=f"T{number}",
        to_terminal_id=f"T{number + 1}",
        **cells,
    )


OLD = section(2, retired_on="2012-06-01", retired_because="failures")
NEW = dict(section(2, installed_on="2012-06-01"), section_id="S2-new")


CASES: tuple[tuple[tuple[Row, ...], dict[str, str]], ...] = (
    ((section(1), OLD, NEW, section(3)), {}),
    ((section(1), OLD, NEW | {"installed_on": "2012-06-20"}, section(3)), {}),  # paper: a fortnight and more
    ((section(1), OLD, NEW | {"installed_on": "2012"}, section(3)), {}),  # a year alone
    ((section(1), NEW, section(3)), {"S3": "no section between positions 1 and 3, from 2005-01-01 to 2012-06-01"}),
    ((section(1), NEW | {"installed_on": "1999-06-01"}, section(3)), {}),  # the gap was before records began
    ((section(1), OLD, section(3)), {"S3": "no section between positions 1 and 3, since 2012-06-01"}),
    (
        (section(1), OLD, NEW | {"installed_on": "2009-01-01"}, section(3)),
        {"S2-new": "two sections in service at position 2, from 2009-01-01 to 2012-06-01"},
    ),
    (
        (section(1), OLD, NEW | {"from_terminal_id": "T7"}, section(3)),
        {"S2-new": "position 2 starts at T7, position 1 ends at T2, since 2012-06-01"},
    ),
    ((section(2), section(3)), {"S2": "it begins at position 2"}),
    ((section(1), section(2, installed_on=""), section(3)), {}),  # of unknown age: always there
    ((section(1), section(2), section(3, installed_on="2010-01-01")), {}),  # the loop was lengthened
)


@pytest.fixture(scope="module")
def breaks(tmp_path_factory: pytest.TempPathFactory) -> dict[tuple[str, str], str]:
    """Loop and section to what is said of its chain; each case is a loop of its own, all of one load."""
    folder = tmp_path_factory.mktemp("chains")
    con = open_warehouse(Workspace(folder / "workspace"))
    loops = [dict(TABLES["loops"][0], loop_id=f"L{n}", normal_open_terminal_id="") for n in range(len(CASES))]
    sections = [
        dict(row, loop_id=f"L{n}", section_id=f"L{n}/{row['section_id']}")
        for n, (rows, _) in enumerate(CASES)
        for row in rows
    ]
    tables = {"districts": TABLES["districts"], "loops": loops, "sections": sections}
    load_paths(con, [write_csv(folder / f"{t}.csv", r) for t, r in tables.items()], Settings())
    return {
        tuple(section.split("/")): said
        for section, said in con.execute("""
        select s.section_id, regexp_extract(message, 'at every date: (.*?)\\. A gap', 1) from raw.findings as f
        join raw.sections as s on s.row_number = f.row_number where rule = 'loop_not_one_chain' order by 1
    """).fetchall()
    }


@pytest.mark.parametrize("number", range(len(CASES)))
def test_a_break_is_told_with_its_dates(breaks: dict[tuple[str, str], str], number: int) -> None:
    assert {section: said for (loop, section), said in breaks.items() if loop == f"L{number}"} == CASES[number][1]
