"""The sheets of one loop, section, job or instrument."""

from __future__ import annotations

import datetime as dt
from typing import TYPE_CHECKING

import pytest

from reports.marts import Marts
from reports.pages import instrument_sheet, job_sheet, loop_sheet, section_sheet
from shared.errors import UserError
from shared.settings import Settings
from shared.store import Workspace, open_warehouse
from tests.report_marts import write_small_marts

if TYPE_CHECKING:
    from collections.abc import Iterator

SETTINGS = Settings().override("general", as_of=dt.date(2025, 12, 31))
SHEETS = {"loop": loop_sheet, "section": section_sheet, "job": job_sheet, "instrument": instrument_sheet}


@pytest.fixture(scope="module")
def marts(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Marts]:
    con = open_warehouse(Workspace(tmp_path_factory.mktemp("sheets")))
    write_small_marts(con, loops=40)
    yield Marts(con)
    con.close()


@pytest.mark.parametrize("kind", SHEETS)
def test_an_id_that_is_not_there_is_refused_by_its_kind_and_name(marts: Marts, kind: str) -> None:
    with pytest.raises(UserError, match=f"there is no {kind} 'nowhere'"):
        SHEETS[kind].build(marts, SETTINGS, "nowhere")
