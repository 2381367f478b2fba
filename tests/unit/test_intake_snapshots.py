"""Files that are whole: what is missing from them is listed, and closed or kept as the mapping says."""

from __future__ import annotations

from pathlib import Path

import duckdb
import pytest

from pipelines import warehouse
from pipelines.intake.load import LoadReport, load_paths
from pipelines.intake.mapping_file import parse_mapping_text
from pipelines.intake.undo import undo_load
from shared.errors import UserError
from shared.settings import Settings
from shared.store import Workspace, open_warehouse, write_settings
from tests.cases.small_utility import TABLES, Row, write_csv


@pytest.fixture
def con(tmp_path: Path) -> duckdb.DuckDBPyConnection:
    con = open_warehouse(Workspace(tmp_path / "workspace"))
    write_settings(con, Settings())
    tables = ("districts", "loops", "terminals", "sections", "instruments", "jobs")
    load_paths(con, [write_csv(tmp_path / f"{t}.csv", TABLES[t]) for t in tables], Settings())
    return con


def load_whole(con, tmp_path: Path, table: str, rows: list[Row], *keys: str, name: str = "") -> LoadReport:
    """Load rows as a snapshot."""
    columns = "\n".join(f'{c} = "{c}"' for c in rows[0])
    mapping = tmp_path / "mapping.toml"
    said = "\n".join(("snapshot = true", *keys))
    mapping.write_text(f'[[table]]\nto = "{table}"\nfiles = "{table}*"\n{said}\n[table.columns]\n{columns}\n')
    return load_paths(con, [write_csv(tmp_path / f"{name or table}.csv", rows)], Settings(), mapping)


def said(report: LoadReport) -> list[str | None]:
    return [r.message for r in report.broken if r.rule == "gone_from_snapshot"]


def counted(con) -> tuple[int, ...]:
    warehouse.build_models(con, "staging")
    rows = con.execute("""
        select (select count(*) from staging.jobs), (select count(*) from staging.sections where retired_on is null)
    """).fetchone()
    return tuple(rows)


CLOSE = ('gone = "close"', 'taken_on = "2025-06-30"')


def test_what_is_missing_is_listed_and_kept_where_nothing_is_said(con, tmp_path: Path) -> None:
    report = load_whole(con, tmp_path, "jobs", TABLES["jobs"][:1], name="jobs_2025")
    assert said(report) == [
        '2 rows of jobs are missing from a snapshot: J2; J3. They are kept; say gone = "close" or "keep" in the mapping'
    ]
    assert counted(con) == (3, 5)
    report = load_whole(con, tmp_path, "jobs", TABLES["jobs"][:2], 'gone = "keep"')
    assert said(report) == ["1 row of jobs is missing from a snapshot: J3. It is kept"]


def test_deleted_jobs_are_cancelled_where_the_mapping_says_so_and_come_back_by_undoing(con, tmp_path: Path) -> None:
    report = load_whole(con, tmp_path, "jobs", TABLES["jobs"][:1], *CLOSE)
    assert said(report) == ["2 rows of jobs are missing from a snapshot: J2; J3. They are closed: cancelled"]
    assert [(f.read, f.unchanged, f.accounted_for) for f in report.files] == [(1, 1, 1)]
    assert counted(con) == (1, 5)
    assert said(load_whole(con, tmp_path, "jobs", TABLES["jobs"][:1], *CLOSE)) == []  # closed already
    undo_load(con, "b0003")
    undo_load(con, report.load_id)
    assert counted(con) == (3, 5)


def test_a_section_that_is_gone_is_retired_on_the_day_of_the_snapshot(con, tmp_path: Path) -> None:
    report = load_whole(con, tmp_path, "sections", TABLES["sections"][:4], *CLOSE)
    assert said(report) == ["1 row of sections is missing from a snapshot: S5. It is closed: retired on 2025-06-30"]
    assert counted(con) == (3, 4)
    row = con.execute("select retired_on::varchar, retired_because, source_file from staging.sections where "
                      "section_id = 'S5'").fetchone()  # fmt: skip
    assert row == ("2025-06-30", "unknown", "missing from sections.csv")


def test_each_snapshot_closes_on_its_own_day(con, tmp_path: Path) -> None:
    parts = {"north": TABLES["sections"][:3], "south": TABLES["sections"][3:]}
    columns = "\n".join(f'{c} = "{c}"' for c in TABLES["sections"][0])
    days = {"north": "2025-06-30", "south": "2024-03-31"}
    mapping = tmp_path / "mapping.toml"
    mapping.write_text(
        "".join(
            f'[[table]]\nto = "sections"\nfiles = "{name}*"\nsnapshot = true\ngone = "close"\ntaken_on = "{day}"\n'
            f"[table.columns]\n{columns}\n"
            for name, day in days.items()
        )
    )
    load_paths(con, [write_csv(tmp_path / f"{n}.csv", rows) for n, rows in parts.items()], Settings(), mapping)
    # said again with a change, so that they came from these files
    changed = {n: [dict(row, customers="7") for row in rows] for n, rows in parts.items()}
    load_paths(con, [write_csv(tmp_path / f"{n}.csv", rows) for n, rows in changed.items()], Settings(), mapping)
    fewer = [write_csv(tmp_path / f"{n}.csv", rows[1:]) for n, rows in changed.items()]
    load_paths(con, fewer, Settings(), mapping)
    warehouse.build_models(con, "staging")
    assert con.execute(
        "select section_id, retired_on::varchar from staging.sections where retired_on is not null order by 1"
    ).fetchall() == [("S1", "2025-06-30"), ("S4", "2024-03-31")]


def test_the_sections_of_a_lost_loop_are_retired(con, tmp_path: Path) -> None:
    report = load_whole(con, tmp_path, "loops", TABLES["loops"][:1], *CLOSE)
    assert said(report) == [
        "1 row of loops is missing from a snapshot: L2. It is closed: its sections are retired on 2025-06-30"
    ]
    assert counted(con) == (3, 3)
    assert said(load_whole(con, tmp_path, "loops", TABLES["loops"][:1], *CLOSE)) == []


def test_what_came_from_other_files_is_not_missing(con, tmp_path: Path) -> None:
    other = [{**TABLES["jobs"][0], "job_id": "K1", "reported_at": "2017-05-05 10:00"}]
    load_paths(con, [write_csv(tmp_path / "jobs_of_the_south.csv", other)], Settings())
    mapping = tmp_path / "north.toml"
    columns = "\n".join(f'{c} = "{c}"' for c in other[0])
    mapping.write_text(
        f'[[table]]\nto = "jobs"\nfiles = "jobs.csv"\nsnapshot = true\n[table.columns]\n{columns}\n', encoding="utf-8"
    )
    report = load_paths(con, [write_csv(tmp_path / "jobs.csv", TABLES["jobs"][1:])], Settings(), mapping)
    assert [m.split(": ")[1] for m in said(report) if m] == [
        'J1. It is kept; say gone = "close" or "keep" in the mapping'
    ]


def test_nothing_is_closed_where_a_row_has_no_readable_key(con, tmp_path: Path) -> None:
    rows = [TABLES["jobs"][0], {**TABLES["jobs"][1], "job_id": ""}]
    report = load_whole(con, tmp_path, "jobs", rows, *CLOSE)
    assert said(report)[0] == (
        "2 rows of jobs are missing from a snapshot: J2; J3. They are kept, since 1 row of the files has no readable "
        "key"
    )
    assert counted(con) == (3, 5)


def test_a_row_in_quarantine_is_not_missing(con, tmp_path: Path) -> None:
    rows = [*TABLES["jobs"][:2], {**TABLES["jobs"][2], "restored_at": "2017-01-01 10:00"}]
    assert said(load_whole(con, tmp_path, "jobs", rows, *CLOSE)) == []


def test_what_was_closed_comes_back_only_as_the_newest(con, tmp_path: Path) -> None:
    load_whole(con, tmp_path, "jobs", TABLES["jobs"][:1], *CLOSE)
    report = load_paths(con, [write_csv(tmp_path / "jobs.csv", TABLES["jobs"])], Settings())
    assert report.broken[0].message == (
        "2 rows say again what was loaded before and has changed since: J2 (status cancelled to closed); J3 (status "
        "cancelled to closed). They are not taken; if the files are the newest, load them with --as-newest"
    )
    load_paths(con, [tmp_path / "jobs.csv"], Settings(), as_newest=True)
    assert counted(con) == (3, 5)


def test_what_a_later_snapshot_holds_again_comes_back_and_what_an_earlier_one_holds_does_not(
    con, tmp_path: Path
) -> None:
    for table, keys in (("jobs", "J2; J3"), ("sections", "S2; S3; S4; S5")):
        load_whole(con, tmp_path, table, TABLES[table][:1], *CLOSE)
        assert counted(con)[table == "sections"] == 1
        for day in ("2025-06-30", "2024-12-31"):
            (older,) = load_whole(con, tmp_path, table, TABLES[table], f'taken_on = "{day}"').broken
            assert older.rule == "older_state" and counted(con)[table == "sections"] == 1
        (back,) = load_whole(con, tmp_path, table, TABLES[table], 'taken_on = "2025-12-31"').broken
        assert (back.rule, back.message) == (
            "closed_returned",
            f"{keys.count(';') + 1} rows of {table} are back after being closed as missing: {keys}. They count again",
        )
    assert counted(con) == (3, 5)
    again = load_whole(con, tmp_path, "sections", TABLES["sections"][:4], *CLOSE[:1], 'taken_on = "2026-03-31"')
    assert said(again) == ["1 row of sections is missing from a snapshot: S5. It is closed: retired on 2026-03-31"]
    (row,) = load_paths(
        con, [write_csv(tmp_path / "sections.csv", [{**TABLES["sections"][4], "customers": "7"}])], Settings()
    ).broken
    assert row.message == "1 row of sections is back after being closed as missing: S5. It counts again"


def test_what_a_file_that_is_no_snapshot_lacks_is_told_and_stays(con, tmp_path: Path) -> None:
    def lacking(table: str, rows: list[Row]) -> list[str | None]:
        report = load_paths(con, [write_csv(tmp_path / "new" / f"{table}.csv", rows)], Settings())
        return [r.message for r in report.broken if r.rule == "rows_missing"]

    said = "; snapshot = true in a mapping, with gone and taken_on, would close "
    assert lacking("sections", TABLES["sections"][:3]) == [
        f"2 of the 5 sections loaded from this source before are not in this file: S4; S5{said}them"
    ]
    assert lacking("loops", TABLES["loops"][:1]) == [
        f"1 of the 2 loops loaded from this source before is not in this file: L2{said}it"
    ]
    assert lacking("jobs", [TABLES["jobs"][0], TABLES["jobs"][2]]) == [
        f"1 of the 3 jobs loaded from this source before is not in this file: J2{said}it"
    ]
    assert counted(con) == (3, 5)
    assert lacking("sections", TABLES["sections"][:2]) == []  # a part of the register
    assert lacking("jobs", TABLES["jobs"][1:]) == []  # later months
    assert lacking("jobs", [{**TABLES["jobs"][0], "job_id": ""}, TABLES["jobs"][2]]) == []  # it may be the one
    assert lacking("terminals", TABLES["terminals"][:5]) == []  # none could be closed
    load_whole(con, tmp_path, "sections", [{**r, "customers": "9"} for r in TABLES["sections"]], name="sections_2024")
    mapping = tmp_path / "mapping.toml"
    mapping.write_text(mapping.read_text().replace("snapshot = true", ""))
    path = write_csv(tmp_path / "sections_2025.csv", TABLES["sections"][:4])
    (missing,) = [r for r in load_paths(con, [path], Settings(), mapping).broken if r.rule == "rows_missing"]
    assert (missing.file, missing.rows) == ("sections_2025.csv", 1)


@pytest.mark.parametrize(
    ("block", "what"),
    [
        ('to = "jobs"\nsnapshot = true\ngone = "drop"', "gone = 'drop' is neither close nor keep"),
        ('to = "jobs"\ngone = "keep"', "gone is said of files that are no snapshot"),
        ('to = "terminals"\nsnapshot = true\ngone = "close"', 'gone = "close" means nothing for terminals'),
        ('to = "jobs"\nsnapshot = true\ngone = "close"', 'gone = "close" without the day on which they were taken'),
        ('to = "jobs"\nsnapshot = true\ntaken_on = "June"', "taken_on = 'June' is no day"),
        ('to = "jobs"\nchanged_cable = "new"', "changed_cable means nothing for jobs"),
        ('to = "sections"\nchanged_cable = "old"', "changed_cable = 'old' is no reading of a changed cable"),
    ],
)
def test_what_a_block_cannot_mean_is_refused(block: str, what: str) -> None:
    with pytest.raises(UserError) as caught:
        parse_mapping_text(f"[[table]]\n{block}\n", Path("mapping.toml"))
    assert caught.value.what == what
