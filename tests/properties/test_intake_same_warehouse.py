"""However the same records are sent, the warehouse is the same."""

from __future__ import annotations

import os
import random
import tempfile
from pathlib import Path

import duckdb
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from pipelines import warehouse
from pipelines.intake.load import load_paths
from shared.settings import Settings
from shared.store import Workspace, open_warehouse, write_settings
from tests.cases.small_utility import TABLES, Row, write_csv

EXAMPLES = 40 if os.environ.get("LOOPWEAR_FULL") == "1" else 3
HOSTILE = [
    "'; drop table raw.jobs; --", '"quoted"', "a\nb", "😀", "\u202eabc", "{value}", "=HYPERLINK(1)", "%s", "$1", "\\",
]
STAGED = ("districts", "loops", "sections", "jobs", "restoration_steps")


def staged(con: duckdb.DuckDBPyConnection) -> dict[str, list[tuple[object, ...]]]:
    """What the staging models say, without where it came from."""
    warehouse.build_models(con, "staging")
    return {
        t: con.execute(f"select * exclude (batch_id, source_file, row_number) from staging.{t} order by all").fetchall()
        for t in STAGED
    }


def load(paths: list[Path], mapping: Path | None = None) -> dict[str, list[tuple[object, ...]]]:
    with tempfile.TemporaryDirectory() as folder:
        con = open_warehouse(Workspace(Path(folder) / "workspace"))
        write_settings(con, Settings())
        load_paths(con, paths, Settings(), mapping)
        found = staged(con)
        con.close()
        return found


@pytest.fixture(scope="module")
def expected(tmp_path_factory) -> dict[str, list[tuple[object, ...]]]:
    folder = tmp_path_factory.mktemp("plain")
    return load([write_csv(folder / f"{t}.csv", TABLES[t]) for t in STAGED])


@settings(max_examples=EXAMPLES, deadline=None, suppress_health_check=list(HealthCheck), derandomize=True)
@given(st.randoms(use_true_random=False), st.sampled_from(["utf-8", "utf-8-sig", "utf-16", "cp1252"]),
       st.sampled_from(",;\t|"))
def test_order_of_files_rows_and_columns_splits_and_encodings_do_not_matter(
    expected, shuffle: random.Random, encoding: str, delimiter: str,
) -> None:
    with tempfile.TemporaryDirectory() as folder:
        paths = []
        for table in STAGED:
            rows: list[Row] = [dict(row) for row in TABLES[table]]
            shuffle.shuffle(rows)
            columns = list(rows[0])
            shuffle.shuffle(columns)
            rows = [{c: row[c] for c in columns} for row in rows]
            cut = shuffle.randint(0, len(rows))
            for number, part in enumerate((rows[:cut], rows[cut:])):
                if part:
                    paths.append(write_csv(Path(folder) / f"{table}_{number}.csv", part, delimiter, encoding))
        shuffle.shuffle(paths)
        assert load(paths) == expected


def test_feet_through_a_mapping_give_the_same_warehouse(expected, tmp_path: Path) -> None:
    feet = [dict(row) for row in TABLES["sections"]]
    for row in feet:
        row["length_m"] = repr(round(float(row["length_m"]) / 0.3048, 9))
    paths = [write_csv(tmp_path / f"{t}.csv", TABLES[t]) for t in STAGED if t != "sections"]
    columns = "\n".join(
        f'{c} = {{ from = "{c}", unit = "ft" }}' if c == "length_m" else f'{c} = "{c}"' for c in feet[0]
    )
    mapping = tmp_path / "feet.toml"
    mapping.write_text(f'[[table]]\nto = "sections"\nfiles = "cable*.csv"\n[table.columns]\n{columns}\n')
    assert load([*paths, write_csv(tmp_path / "cable book.csv", feet)], mapping) == expected


def test_hostile_texts_arrive_whole_in_every_field(tmp_path: Path) -> None:
    jobs = []
    for number, text in enumerate(HOSTILE):
        jobs.append({**TABLES["jobs"][0], "job_id": f"J{text}", "crew_id": text, "notes": text, "section_id": "",
                     "reported_at": f"2018-01-{number + 1:02d} 06:00"})
    paths = [write_csv(tmp_path / f"{t}.csv", TABLES[t]) for t in ("districts", "loops")]
    con = open_warehouse(Workspace(tmp_path / "workspace"))
    load_paths(con, [*paths, write_csv(tmp_path / "jobs.csv", jobs)], Settings())
    found = con.execute("select job_id, crew_id, notes from raw.jobs order by row_number").fetchall()
    assert found == [(f"J{t}", t, t) for t in HOSTILE]
    bad = [{**row, "loop_id": text, "cause": text} for row, text in zip(jobs, HOSTILE, strict=True)]
    report = load_paths(con, [write_csv(tmp_path / "jobs_bad.csv", bad)], Settings())
    assert report.files[0].quarantined == len(HOSTILE)
    values = con.execute("select distinct value from raw.findings where rule = 'loop_unknown' order by 1").fetchall()
    assert sorted(v for (v,) in values) == sorted(HOSTILE)


def test_a_cell_of_five_megabytes_is_kept_whole(tmp_path: Path) -> None:
    big = "x" * 5_000_000
    paths = [write_csv(tmp_path / f"{t}.csv", TABLES[t]) for t in ("districts", "loops")]
    jobs = [{**TABLES["jobs"][0], "notes": big}, {**TABLES["jobs"][1], "notes": big + "\nand more"}]
    con = open_warehouse(Workspace(tmp_path / "workspace"))
    load_paths(con, [*paths, write_csv(tmp_path / "jobs.csv", jobs)], Settings())
    lengths = con.execute("select length(notes) from raw.jobs order by row_number").fetchall()
    assert lengths == [(5_000_000,), (5_000_009,)]
