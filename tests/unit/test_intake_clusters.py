"""Jobs that may be one: found whole, joined or separated as decided, with their lineage, and undone."""

from __future__ import annotations

import datetime as dt
import shutil
from pathlib import Path

import duckdb
import pytest

from pipelines import warehouse
from pipelines.intake.load import load_paths
from pipelines.intake.undo import undo_load
from pipelines.validation.clusters import find_clusters, group_jobs
from shared.settings import Settings
from shared.store import Workspace, open_warehouse, write_settings
from tests.cases.small_utility import TABLES, Row, write_csv

CALL = dict(
    TABLES["jobs"][0],
    job_id="J1-B",
    reported_at="2018-01-10 09:52",
    instrument_id="",
    dug_distance_m="",
    estimated_distance_m="",
    crew_id="C1",
)
TOLD = dict(
    TABLES["jobs"][0],
    job_id="J1-C",
    reported_at="2018-01-10 10:06",
    repair_cost="6400",
    dug_distance_m="",
    notes="called again",
)
AGAIN = dict(
    TABLES["jobs"][1],
    job_id="J2-R",
    dug_distance_m="41.9",
    **{c: TABLES["jobs"][1][c].replace("2018-02-1", "2018-02-2") for c in TABLES["jobs"][1] if c.endswith("_at")},
)
FIRST = dict(TABLES["jobs"][0], repair_cost="")


@pytest.fixture(scope="module")
def loaded(tmp_path_factory: pytest.TempPathFactory) -> Workspace:
    """A warehouse with the jobs loaded, made once."""
    space = Workspace(tmp_path_factory.mktemp("loaded"))
    with open_warehouse(space) as con:
        write_settings(con, Settings())
        paths = [write_csv(space.folder / f"{t}.csv", TABLES[t]) for t in ("districts", "loops", "sections")]
        jobs = [FIRST, *TABLES["jobs"][1:], CALL, TOLD, AGAIN]
        load_paths(con, [*paths, write_csv(space.folder / "jobs.csv", jobs)], Settings())
        warehouse.build_models(con, "staging")
    return space


@pytest.fixture
def con(tmp_path: Path, loaded: Workspace) -> duckdb.DuckDBPyConnection:
    for path in (loaded.warehouse, loaded.folder / "jobs.csv"):
        shutil.copy(path, tmp_path / path.name)
    return open_warehouse(Workspace(tmp_path))


def found(con: duckdb.DuckDBPyConnection) -> list[tuple[object, ...]]:
    con.execute(f"create or replace table staging.jobs as {warehouse.models()['staging.jobs'].query}")
    made = find_clusters(con)
    return list(made[["job_id", "joined_with", "likeness", "jobs_in_cluster"]].itertuples(index=False, name=None))


def test_a_crowd_with_one_stamp_is_one_cluster(con: duckdb.DuckDBPyConnection, tmp_path: Path) -> None:
    later = {c: FIRST[c].replace("2018-", "2019-") for c in FIRST if c.endswith("_at")}
    crowd = [dict(FIRST, job_id=f"K{number:03}", **later) for number in range(200)]
    load_paths(con, [write_csv(tmp_path / "jobs.csv", crowd)], Settings())
    of_crowd = [row for row in found(con) if str(row[0]).startswith("K")]
    assert len(of_crowd) == 199
    assert {row[1:] for row in of_crowd} == {("K000", "entered_twice", 200)}


def decide(con: duckdb.DuckDBPyConnection, tmp_path: Path, *decided: tuple[str, str, str]):
    rows: list[Row] = [
        {"job_id": job, "joined_with": with_job, "cluster_decision": word, "grounds": ""}
        for job, with_job, word in decided
    ]
    return load_paths(con, [write_csv(tmp_path / "job_clusters.csv", rows)], Settings())


ALL = [("J1-B", "J1", "entered_twice", 3), ("J1-C", "J1", "entered_twice", 3), ("J2-R", "J2", "opened_again", 2)]


def test_what_hangs_together_is_one_cluster_under_its_lowest() -> None:
    rank = {job: (n, job) for n, job in enumerate("dabce")}
    assert group_jobs([("a", "b"), ("c", "b"), ("d", "c"), ("e", "e")], {**rank, "e": (9, "e")}) == {
        "a": "d",
        "b": "d",
        "c": "d",
        "d": "d",
        "e": "e",
    }


def test_clusters_are_found_with_the_job_that_would_stand(con) -> None:
    assert found(con) == ALL
    grounds = find_clusters(con)["grounds"].tolist()
    assert grounds[0] == (
        "reported 8 minutes apart from J1; the same section: true, the same crew: true, dug unknown m apart"
    )
    assert grounds[2].startswith("reported 10 days apart from J2")


def test_joined_jobs_become_one_with_the_first_report_and_what_was_missing(con, tmp_path: Path) -> None:
    report = decide(con, tmp_path, ("J1-B", "J1", "join"), ("J1-C", "J1", "join"))
    assert (report.files[0].new, report.files[0].quarantined) == (2, 0)
    assert found(con) == [ALL[2]]
    row = con.execute(
        "select reported_at::varchar, repair_cost, dug_distance_m, notes, source_file, row_number from staging.jobs "
        "where job_id = 'J1'"
    ).fetchone()
    assert row == ("2018-01-10 15:52:00+00", 6100.0, 40.0, "called again", "job_clusters.csv", 2)
    lineage = con.execute(
        "select job_id, status, source_file, row_number from raw.jobs where load_id = ? order by load_sequence",
        [report.load_id],
    ).fetchall()
    assert lineage == [
        ("J1", "closed", "job_clusters.csv", 2),
        ("J1-B", "cancelled", "job_clusters.csv", 2),
        ("J1-C", "cancelled", "job_clusters.csv", 3),
    ]


def test_the_ledger_says_that_a_job_was_joined(con, tmp_path: Path) -> None:
    decide(con, tmp_path, ("J1-B", "J1", "join"))
    write_settings(con, Settings().override("general", as_of=dt.date(2019, 1, 1)))
    warehouse.build_models(con, "staging")
    warehouse.build_models(con, "core")
    ledger = con.execute(
        f"select figure, sum(source_rows)::bigint, sum(source_rows) filter (reason like 'joined with%')::bigint "
        f"from ({warehouse.models()['marts.row_ledger'].query}) group by figure"
    ).fetchall()
    assert sorted(ledger) == [("locating", 6, 1), ("restoration", 6, 1), ("survival", 6, 1)]


def test_separated_jobs_are_both_kept_and_not_shown_again(con, tmp_path: Path) -> None:
    decide(con, tmp_path, ("J1-B", "J1", "separate"), ("J2-R", "J2", "separate"))
    assert [row[:2] for row in found(con)] == [("J1-C", "J1")]
    assert con.execute("select count(*) from staging.jobs").fetchone() == (6,)


def test_the_export_and_the_decisions_loaded_again_change_nothing(con, tmp_path: Path) -> None:
    decide(con, tmp_path, ("J1-B", "J1", "join"))
    before = con.execute("select count(*) from raw.jobs").fetchone()
    report = load_paths(con, [tmp_path / "jobs.csv", tmp_path / "job_clusters.csv"], Settings())
    assert [(f.new, f.revised, f.quarantined) for f in report.files] == [(0, 0, 0), (0, 0, 0)]
    assert con.execute("select count(*) from raw.jobs").fetchone() == before


def test_undoing_a_join_brings_the_jobs_back(con, tmp_path: Path) -> None:
    report = decide(con, tmp_path, ("J1-B", "J1", "join"))
    undo_load(con, report.load_id)
    assert found(con) == ALL


def test_a_join_that_cannot_stand_is_kept_out_with_its_reason(con, tmp_path: Path) -> None:
    decide(con, tmp_path, ("J1-B", "J1", "join"))
    report = decide(
        con, tmp_path, ("J1-C", "J1-B", "join"), ("J77", "J1", "join"), ("J2", "J2", "join"), ("J1-B", "J3", "join")
    )
    assert report.files[0].quarantined == 4
    said = [
        m.partition(";")[0]
        for (m,) in con.execute(
            "select message from raw.findings where rule = 'cluster_stale' order by row_number"
        ).fetchall()
    ]
    assert said == [
        "J1-B is joined with another job itself",
        "job J77 is not loaded",
        "J2 cannot be joined with itself",
        "J1-B is cancelled already",
    ]


def test_the_export_can_be_filled_in_and_loaded_as_it_is(con, tmp_path: Path) -> None:
    made = find_clusters(con)
    made.loc[made["job_id"] == "J2-R", "cluster_decision"] = "join"
    made.to_csv(tmp_path / "job_clusters.csv", index=False)
    report = load_paths(con, [tmp_path / "job_clusters.csv"], Settings())
    assert (report.files[0].new, report.files[0].filtered) == (1, 2)
    assert report.broken == ()
    assert [row[0] for row in found(con)] == ["J1-B", "J1-C"]
