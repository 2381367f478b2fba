"""The ledger of rows: for each figure the rows of a file sum to the rows read."""

from __future__ import annotations

from pathlib import Path

from shared.store import open_warehouse


def test_the_ledger_of_the_demo_sums_to_its_files(demo_space) -> None:
    con = open_warehouse(demo_space, read_only=True)
    rows = con.execute("""
        select f.file, f.read, l.figure, sum(l.source_rows)::bigint as accounted_for from raw.files as f
        join marts.row_ledger as l on l.batch = f.load_id and l.file = f.file
        where f."table" = 'jobs' group by all order by all
    """).fetchall()
    assert len(rows) == 6  # two files of jobs, three figures
    assert [(file, figure) for file, read, figure, found in rows if read != found] == []
    counted = dict(
        con.execute(
            "select figure, sum(source_rows)::bigint from marts.row_ledger where is_counted group by 1"
        ).fetchall()
    )
    assert counted["restoration"] == con.execute("select count(*) from core.job_stages").fetchone()[0]
    assert counted["survival"] == con.execute("select count(*) from core.failures where is_counted").fetchone()[0]


def test_proposals_of_the_demo_are_mostly_true(demo_space) -> None:
    """Against the truth that is kept apart: a person who confirms them all is right in most, and one wrong is seen."""
    import pandas as pd

    con = open_warehouse(demo_space, read_only=True)
    proposed = con.execute("select job_id, slip from marts.proposed_corrections").df()
    truth_file = next(Path(demo_space.folder).rglob("errors.csv"), None)
    assert truth_file is not None
    truth = pd.read_csv(truth_file)
    planted = set(zip(truth["key"], truth["kind"], strict=True))
    true = [(job, slip) in planted for job, slip in proposed.itertuples(index=False)]
    assert len(true) >= 10
    assert sum(true) / len(true) > 0.7
