"""Export shapes of an invented utility, drafted and loaded: the small form of the study beside it."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from tests.simulated import export_shapes_study as study

SMALL = (
    "workbook, titles and units", "tickets and dig sheet", "log of events", "shots in columns", "two ids in one text",
    "nested JSON", "SQLite", "minutes after the report",
)  # fmt: skip
SHAPES = [s for s in study.SHAPES if s.name in SMALL or os.environ.get("LOOPWEAR_FULL")]


@pytest.fixture(scope="module")
def canonical() -> study.Tables:
    return study.make_canonical(loops=24, seed=20260420)


@pytest.fixture(scope="module")
def loaded(canonical: study.Tables, tmp_path_factory: pytest.TempPathFactory) -> study.Tables:
    return study.load_canonical(canonical, tmp_path_factory.mktemp("canonical") / "files")


@pytest.mark.slow
@pytest.mark.parametrize("shape", SHAPES, ids=lambda s: s.name)
def test_a_shape_is_drafted_and_loads_as_the_canonical_tables_do(
    shape: study.Shape, canonical: study.Tables, loaded: study.Tables, tmp_path: Path
) -> None:
    outcome = study.try_shape(shape, canonical, loaded, tmp_path / "shape")
    assert outcome.differences == ()
    assert outcome.rows == sum(map(len, canonical.values()))


@pytest.mark.slow
def test_the_open_files_are_drafted_from_their_own_headings(tmp_path: Path) -> None:
    data = study.find_open_data()
    if data is None:
        pytest.skip("the open data are not here: name their folder in LOOPWEAR_OPEN_DATA")
    outcome = study.try_open_data(data, tmp_path / "open")
    assert outcome.differences == ()
    assert outcome.edited <= 29  # of 49 lines; what the headings of water mains cannot say of cable


def test_what_differs_is_told(loaded: study.Tables) -> None:
    other = {t: f.copy() for t, f in loaded.items()}
    other["jobs"].loc[0, "cause"] = "animal"
    other["jobs"].loc[1, "customers_interrupted"] = None
    other["loops"] = other["loops"][1:]
    told = study.compare(other, loaded)
    assert len(told) == 3
    assert told[0] == "loops: 24 rows for 25"
    assert told[1].startswith("jobs.customers_interrupted: 1 differ, such as ")
    assert told[2].startswith("jobs.cause: 1 differ, such as 'animal' for ")
