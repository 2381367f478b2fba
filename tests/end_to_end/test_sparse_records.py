"""Records that lack what is not required are refreshed all the same: column by column with LOOPWEAR_FULL=1."""

from __future__ import annotations

import os
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from pipelines.load import load
from pipelines.refresh import refresh
from shared.settings import Settings
from shared.store import Workspace, open_warehouse, read_model

OPTIONAL = {
    "sections": ["neutral", "installation", "conductor", "installed_on", "retired_on", "rejuvenated_on", "customers"],
    "jobs": [
        "section_id",
        "arrived_at",
        "located_at",
        "closed_at",
        "customers_interrupted",
        "cause",
        "failed_component",
        "repair_cost",
    ],
    "loops": ["configuration", "customers"],
}

LACKING = [(f"{table}.{column}",) for table, columns in OPTIONAL.items() for column in columns]
ALL = tuple(name for (name,) in LACKING)

FEW = [("sections.installed_on",), ("sections.customers", "loops.customers"), ALL]
"""No date at all; no customers but those a job interrupted; next to nothing."""


def draw_tables() -> dict[str, pd.DataFrame]:
    """Four loops of eight sections and sixty jobs, each column of OPTIONAL filled now and then."""
    rng = np.random.default_rng(1)
    loop = np.repeat([f"K{i}" for i in range(4)], 8)
    position = np.tile(np.arange(1, 9), 4)
    section = [f"{one}-{place}" for one, place in zip(loop, position, strict=True)]
    year = rng.integers(1985, 2005, 32)
    struck = rng.choice(32, 60, p=np.repeat([0.06, 0.02], [8, 24]) / (8 * 0.06 + 24 * 0.02))
    day = pd.Timestamp("2012-03-01") + pd.to_timedelta(np.sort(rng.integers(0, 4600, 60)), unit="D")

    def after(minutes: int) -> list[str]:
        return (day + pd.Timedelta(minutes=minutes)).strftime("%Y-%m-%d %H:%M").tolist()

    return {
        "districts": pd.DataFrame(
            {"district_id": ["N"], "name": ["North"], "timezone": ["UTC"], "recorded_from": ["2012-01-01"]}
        ),
        "loops": pd.DataFrame(
            {
                "loop_id": [f"K{i}" for i in range(4)],
                "district_id": "N",
                "configuration": ["loop"] * 3 + ["radial"],
                "customers": [61, 75, None, 33],
            }
        ),
        "sections": pd.DataFrame(
            {
                "section_id": section,
                "loop_id": loop,
                "position": position,
                "length_m": rng.integers(60, 240, 32),
                "insulation": rng.choice(["XLPE", "TRXLPE"], 32),
                "neutral": "bare",
                "installation": "buried",
                "conductor": "1/0 AL",
                "installed_on": [f"{y}-06-01" for y in year],
                "retired_on": [None] * 31 + ["2020-05-01"],
                "rejuvenated_on": [None] * 30 + ["2019-05-01", None],
                "customers": [7, None, 9, 8] * 8,
            }
        ),
        "jobs": pd.DataFrame(
            {
                "job_id": [f"J{i}" for i in range(60)],
                "status": "closed",
                "loop_id": loop[struck],
                "section_id": [section[place] for place in struck],
                "reported_at": after(0),
                "arrived_at": after(50),
                "located_at": after(120),
                "restored_at": after(180),
                "closed_at": after(4000),
                "customers_interrupted": rng.integers(5, 60, 60),
                "cause": rng.choice(["insulation_breakdown", "unknown", "dig_in"], 60),
                "failed_component": rng.choice(["cable", "splice"], 60),
                "repair_cost": rng.integers(3000, 9000, 60),
            }
        ),
    }


@pytest.mark.parametrize("lacking", LACKING if os.environ.get("LOOPWEAR_FULL") == "1" else FEW, ids="+".join)
def test_what_is_not_required_may_be_missing(tmp_path: Path, lacking: tuple[str, ...]) -> None:
    tables = draw_tables()
    for name in lacking:
        table, column = name.split(".")
        tables[table] = tables[table].drop(columns=column)
    files = []
    for name, frame in tables.items():
        files.append(tmp_path / f"{name}.csv")
        frame.astype(object).where(frame.notna(), None).to_csv(files[-1], index=False)
    space, settings = Workspace(tmp_path / "space"), Settings()
    load(space, files, settings)
    refresh(space, settings)
    with open_warehouse(space, read_only=True) as con:
        assert len(read_model(con, "marts.loop_ranking")) == 4
        assert con.execute("select count(*) from staging.jobs").fetchone() == (60,)
    page = (space.reports / "replacement.html").read_text(encoding="utf-8")
    assert "K0" in page
    assert "nan" not in page.lower().split("<main")[1].split("<script")[0]
