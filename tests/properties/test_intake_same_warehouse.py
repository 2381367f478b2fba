"""However the same records are sent, the warehouse is the same."""

from __future__ import annotations

import gzip
import itertools
import json
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
from pipelines.intake.sources import LOAD_ORDER
from shared import dictionary
from shared.settings import Settings
from shared.store import Workspace, open_warehouse, write_settings
from tests.cases.small_utility import TABLES, Row, write_csv
from tests.cases.whole_utility import WHOLE

EXAMPLES = 40 if os.environ.get("LOOPWEAR_FULL") == "1" else 3
HOSTILE = [
    "'; drop table raw.jobs; --",
    '"quoted"',
    "a\nb",
    "😀",
    "\u202eabc",
    "{value}",
    "=HYPERLINK(1)",
    "%s",
    "$1",
    "\\",
]
STAGED = tuple(t for t in dictionary.load_tables() if t not in ("job_clusters", "corrections"))
BOOKED = ("job_clusters", "corrections")
LENGTH_UNITS = {"m": 1.0, "km": 1000.0, "ft": 0.3048, "kft": 304.8, "miles": 1609.344}
"""Metres in one: the foot is exact by the agreement of 1959, 5,280 of them are a mile."""
ENCODINGS = ("utf-8", "utf-8-sig", "utf-16", "cp1252")
Contents = dict[str, list[tuple[object, ...]]]


def contents(con: duckdb.DuckDBPyConnection) -> Contents:
    """What staging says, the decisions, the rows set aside and every finding, without where they came from."""
    warehouse.build_models(con, "staging")
    where = "load_id, source_file, row_number"
    found = {t: con.execute(f"select * exclude ({where}) from staging.{t} order by all").fetchall() for t in STAGED} | {
        t: con.execute(f"select * exclude ({where}, load_sequence) from raw.{t} order by all").fetchall()
        for t in BOOKED
    }
    found["findings"] = con.execute(
        'select "table", rule, severity, "column", "value", message from raw.findings order by all'
    ).fetchall()
    found["quarantine"] = con.execute('select "table", key from raw.quarantined_rows order by all').fetchall()
    return found


def load(loads: list[list[Path]], mapping: Path | None = None) -> Contents:
    """A new warehouse after some loads."""
    with tempfile.TemporaryDirectory() as folder:
        con = open_warehouse(Workspace(Path(folder) / "workspace"))
        write_settings(con, Settings())
        for paths in loads:
            load_paths(con, paths, Settings(), mapping)
        found = contents(con)
        con.close()
        return found


@pytest.fixture(scope="module")
def expected(tmp_path_factory) -> Contents:
    folder = tmp_path_factory.mktemp("plain")
    return load([[write_csv(folder / f"{t}.csv", rows) for t, rows in WHOLE.items()]])


def test_the_records_hold_every_table_and_every_fate(expected: Contents) -> None:
    assert set(WHOLE) == set(dictionary.load_tables())
    assert all(expected[t] for t in (*STAGED, *BOOKED))
    assert {t for t, _ in expected["quarantine"]} == {"jobs", "section_pieces", "known_lengths", "corrections"}
    told = {(severity, rule) for _, rule, severity, *_ in expected["findings"]}
    assert {("empty", rule) for rule in ("code_unknown", "value_unreadable", "more_restored_than_interrupted")} <= told
    assert {("warn", "possible_duplicate"), ("warn", "job_unknown")} <= told
    standing = {row[0] for row in expected["jobs"]}
    assert "J4" in standing and not standing & {"J3", "J5", "J21", "J22"}  # cancelled, joined with J4, set aside


def write_parts(folder: Path, shuffle: random.Random, stem: str, rows: list[Row], delimiter: str) -> list[Path]:
    """The rows in any order, in files of any number, each with its columns in an order, a form and an encoding."""
    rows = [dict(row) for row in rows]
    shuffle.shuffle(rows)
    cuts = sorted(shuffle.randint(0, len(rows)) for _ in range(shuffle.randint(0, 4)))
    paths = []
    for number, (start, end) in enumerate(itertools.pairwise([0, *cuts, len(rows)])):
        if start == end:
            continue
        columns = list(rows[0])
        shuffle.shuffle(columns)
        part = [{c: row[c] for c in columns} for row in rows[start:end]]
        form = shuffle.choice(("csv", "csv", "jsonl", "gz"))
        place = folder / f"{stem}_{number}.{form}"
        if form == "jsonl":
            place.write_text("".join(json.dumps(row) + "\n" for row in part), encoding="utf-8")
        elif form == "gz":
            plain = write_csv(folder / "packed" / f"{stem}_{number}.csv", part, delimiter)
            place = folder / f"{stem}_{number}.csv.gz"
            place.write_bytes(gzip.compress(plain.read_bytes()))
            plain.unlink()
        else:
            write_csv(place, part, delimiter, shuffle.choice(ENCODINGS))
        paths.append(place)
    return paths


ANY = settings(max_examples=EXAMPLES, deadline=None, suppress_health_check=list(HealthCheck), derandomize=True)


@ANY
@given(st.randoms(use_true_random=False), st.sampled_from(",;\t|"), st.booleans())
def test_order_of_files_rows_and_columns_splits_forms_and_encodings_do_not_matter(
    expected: Contents, shuffle: random.Random, delimiter: str, by_table: bool
) -> None:
    """In one load, or in one load a table in the order in which tables rest on one another."""
    with tempfile.TemporaryDirectory() as folder:
        parts = {t: write_parts(Path(folder), shuffle, t, rows, delimiter) for t, rows in WHOLE.items()}
        paths = [path for part in parts.values() for path in part]
        shuffle.shuffle(paths)
        found = load([parts[t] for t in LOAD_ORDER] if by_table else [paths])
        for table, rows in expected.items():
            assert found[table] == rows, table


def mapping_of(units: dict[str, str], velocity: str) -> str:
    """A mapping that renames every column and states the unit of each length and velocity."""
    blocks = []
    for table, rows in WHOLE.items():
        lines = ["[[table]]", f'to = "{table}"', f'files = "book of {table}[_.]*"']
        if table in BOOKED:
            column = "decision" if table == "corrections" else "cluster_decision"
            lines.append(f'filters = [{{ column = "The {column}", values = [""], keep = false }}]')
        lines.append("[table.columns]")
        for column in rows[0]:
            unit = units.get(column) or (velocity if column == "velocity_setting_pct" else None)
            stated = f', unit = "{unit}"' if unit else ""
            lines.append(f'{column} = {{ from = "The {column}"{stated} }}')
        blocks.append("\n".join(lines))
    return "\n".join(blocks)


def in_unit(text: str, size: float) -> str:
    """A length in another unit, in full; what is no number stays as it is."""
    try:
        return repr(round(float(text) / size, 12)) if text else text
    except ValueError:
        return text


@ANY
@given(st.randoms(use_true_random=False), st.sampled_from(sorted(LENGTH_UNITS)))
def test_any_unit_of_any_length_through_a_mapping_gives_the_same_warehouse(
    expected: Contents, shuffle: random.Random, most: str
) -> None:
    """Of lengths in several units, velocities as fractions, and headings of another name; findings tell other texts."""
    lengths = sorted({c for rows in WHOLE.values() for c in rows[0] if c.endswith("_m")})
    units = {c: shuffle.choice((most, *LENGTH_UNITS)) for c in lengths}
    with tempfile.TemporaryDirectory() as folder:
        paths = []
        for table, rows in WHOLE.items():
            told = [
                {
                    f"The {c}": in_unit(v, LENGTH_UNITS[units[c]])
                    if c in units
                    else in_unit(v, 100.0)
                    if c == "velocity_setting_pct"
                    else v
                    for c, v in row.items()
                }
                for row in rows
            ]
            paths += write_parts(Path(folder), shuffle, f"book of {table}", told, ",")
        shuffle.shuffle(paths)
        mapping = Path(folder) / "units.toml"
        mapping.write_text(mapping_of(units, "fraction"))
        found = load([paths], mapping)
        for table in (*STAGED, *BOOKED, "quarantine"):
            assert found[table] == expected[table], table
        told = {(table, rule, column) for table, rule, _, column, *_ in expected["findings"]}
        assert {(table, rule, column) for table, rule, _, column, *_ in found["findings"]} == told


def test_hostile_texts_arrive_whole_in_every_field(tmp_path: Path) -> None:
    jobs = []
    for number, text in enumerate(HOSTILE):
        jobs.append(
            {
                **TABLES["jobs"][0],
                "job_id": f"J{text}",
                "crew_id": text,
                "notes": text,
                "section_id": "",
                "reported_at": f"2018-01-{number + 1:02d} 06:00",
            }
        )
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
