"""Two loops, three sections, five jobs, and only the columns that must be there: every page comes out."""

from __future__ import annotations

from pipelines.load import load
from pipelines.refresh import refresh
from shared.settings import Settings
from shared.store import Workspace, open_warehouse, read_model

FILES = {
    "districts": "district_id,name,timezone,recorded_from\nD1,North,America/Chicago,2010-01-01\n",
    "loops": "loop_id,district_id\nA1,D1\nB1,D1\n",
    "sections": "section_id,loop_id,position,length_m,insulation,installed_on\n"
    "A1-1,A1,1,120,XLPE,1980-05-01\nA1-2,A1,2,90,XLPE,1980-05-01\nB1-1,B1,1,200,EPR,\n",
    "jobs": "job_id,loop_id,section_id,reported_at,restored_at,status,failed_component,cause\n"
    "J1,A1,A1-1,2015-06-01 10:00,2015-06-01 14:00,closed,cable,unknown\n"
    "J2,A1,A1-1,2018-06-01 10:00,2018-06-01 14:00,closed,cable,unknown\n"
    "J3,A1,,2019-06-01 10:00,2019-06-01 14:00,closed,cable,unknown\n"
    "J4,B1,B1-1,2020-06-01 10:00,2020-06-01 14:00,closed,splice,unknown\n"
    "J5,A1,A1-2,2021-06-01 10:00,2021-06-01 14:00,closed,cable,unknown\n",
}


def test_a_tiny_fleet_goes_the_whole_road(tmp_path) -> None:
    files = []
    for name, text in FILES.items():
        files.append(tmp_path / f"{name}.csv")
        files[-1].write_text(text, encoding="utf-8")
    space = Workspace(tmp_path / "workspace")
    load(space, files, Settings())
    refresh(space, Settings())
    with open_warehouse(space, read_only=True) as con:
        loops, sections = read_model(con, "marts.loop_ranking"), read_model(con, "marts.section_ranking")
    assert sorted(loops["rank"]) == [1, 2]
    assert sorted(sections["rank"]) == [1, 2, 3]
    first = loops.set_index("loop_id").loc["A1"]
    # three failures of its sections and one known by loop in eleven years: about as many a year ahead, within limits
    assert first["expected_failures_lo"] < 4 / 11 * 5 < first["expected_failures_hi"]
    assert first["expected_failures"] < 4
    assert loops["multiplier"].between(0.5, 2.0).all()
    pages = {page.name: page.read_text(encoding="utf-8").lower() for page in space.reports.glob("*.html")}
    assert {"index.html", "replacement.html", "restoration.html", "locating.html"} <= set(pages)
    assert not [name for name, text in pages.items() if ">nan<" in text or "<na>" in text]
