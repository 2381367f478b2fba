"""Applies what a person decided, corrections and joins: new rows in raw beside the old ones, with their lineage."""

import duckdb

from pipelines.intake.share import TableShare
from pipelines.validation.register import latest_sql, says_sql
from shared import dictionary


def apply_corrections(share: TableShare) -> int:
    """Append a corrected row for each job with corrections to apply among those just kept.

    Returns
    -------
    int
        Jobs corrected.

    Notes
    -----
    The corrected row keeps the job's revision and the fingerprint of what the source said, so that the same export
    loaded again changes nothing; load, file and row are the correction's. All corrections of a job in one load go
    into one row. Undoing the load takes the corrected row away again.

    Checked by: tests/unit/test_intake_corrections.py (through load_paths)
    """
    share.con.execute(f"""
        create or replace temp table corrections_to_apply as
        select c.job_id, c."column", c.value_proposed, c.source_file, c.row_number from raw.corrections as c
        where c.load_id = '{share.load_id}' and c.decision = 'apply'
        qualify row_number() over (partition by job_id, "column" order by load_sequence desc) = 1
    """)
    return insert_corrected(share.con, share.load_id)


def renew_decisions(share: TableShare) -> None:
    """Apply what was decided earlier again to the jobs just kept: a source that says its row anew does not undo it.

    Notes
    -----
    A correction is applied again only where the job says once more what the correction was made for.

    Checked by: tests/unit/test_intake_corrections.py (through load_paths)
    """
    kept = f"select job_id from raw.jobs where load_id = '{share.load_id}'"
    if share.con.execute("select 1 from raw.corrections limit 1").fetchone():
        share.con.execute(f"""
            create or replace temp table corrections_to_apply as
            with decided as (
                select * from raw.corrections where job_id in ({kept})
                qualify row_number() over (partition by job_id, "column" order by load_sequence desc) = 1
            )
            select c.job_id, c."column", c.value_proposed, c.source_file, c.row_number
            from decided as c join ({latest_sql("jobs", dictionary.load_tables()["jobs"].columns)}) as j
            on j.job_id = c.job_id
            where c.decision = 'apply' and {says_sql("c.value_now")}
        """)
        insert_corrected(share.con, share.load_id)
    if share.con.execute("select 1 from raw.job_clusters limit 1").fetchone():
        share.con.execute(f"""
            create or replace temp table joins_decided as
            with decided as (
                select * from raw.job_clusters where job_id in ({kept}) or joined_with in ({kept})
                qualify row_number() over (partition by job_id order by load_sequence desc) = 1
            )
            select job_id, joined_with, source_file, row_number from decided where cluster_decision = 'join'
        """)
        insert_joined(share.con, share.load_id)


def insert_corrected(con: duckdb.DuckDBPyConnection, load_id: str) -> int:
    """Append the corrected row of each job of the temporary table ``corrections_to_apply``, and drop that table."""
    facts = dictionary.load_tables()["jobs"]
    arms = []
    for column in facts.columns:
        if column in ("job_id", "revision", "date_only_columns"):
            arms.append(f'j."{column}"')
            continue
        kind = dictionary.columns()[column].duckdb_type
        arms.append(
            f"case when list_contains(map_keys(c.proposals), '{column}') "
            f"then try_cast(c.proposals['{column}'] as {kind}) else j.\"{column}\" end"
        )
    listed = ", ".join(f'"{c}"' for c in facts.columns)
    row = con.execute(f"""
        insert into raw.jobs ({listed}, load_id, source_file, row_number, load_sequence, content_hash)
        with by_job as (
            select job_id, map(list("column" order by "column"), list(value_proposed order by "column")) as proposals,
                min(source_file) as source_file, min(row_number) as row_number
            from corrections_to_apply group by job_id
        ),
        latest as ({latest_sql("jobs", (*facts.columns, "content_hash"))})
        select {", ".join(arms)}, '{load_id}', c.source_file, c.row_number,
            (select coalesce(max(load_sequence), 0) from raw.jobs)
                + row_number() over (order by c.row_number, j.job_id),
            j.content_hash
        from by_job as c join latest as j on j.job_id = c.job_id
    """).fetchone()
    con.execute("drop table corrections_to_apply")
    return row[0] if row else 0


NOT_COMPLETED = ("job_id", "revision", "status", "loop_id", "reported_at", "date_only_columns")


def join_jobs(share: TableShare) -> int:
    """Join jobs as decided among the rows just kept: one stands, completed from the others, which are cancelled.

    Returns
    -------
    int
        Jobs joined away.

    Notes
    -----
    The job that stands takes the earliest report of them all, since the interruption began with it, and wherever it
    says nothing the first value that one of the others gives (a date without an hour is not taken); what it says itself
    is left alone. New rows keep the
    revisions and fingerprints of the old ones, so that the same export loaded again changes nothing; load, file and
    row are the decision's. Undoing the load takes them away again.

    Checked by: tests/unit/test_intake_clusters.py (through load_paths)
    """
    share.con.execute(f"""
        create or replace temp table joins_decided as
        select c.job_id, c.joined_with, c.source_file, c.row_number from raw.job_clusters as c
        where c.load_id = '{share.load_id}' and c.cluster_decision = 'join'
        qualify row_number() over (partition by job_id order by load_sequence desc) = 1
    """)
    return insert_joined(share.con, share.load_id)


def insert_joined(con: duckdb.DuckDBPyConnection, load_id: str) -> int:
    """Append the rows that the temporary table ``joins_decided`` makes of its jobs, and drop that table."""
    facts = dictionary.load_tables()["jobs"]
    listed = ", ".join(f'"{c}"' for c in facts.columns)
    completed = [f'j."{c}"' if c in NOT_COMPLETED else f'coalesce(j."{c}", g."{c}") as "{c}"' for c in facts.columns]
    given = ", ".join(
        f'(list(o."{c}" order by o.reported_at, o.job_id) filter (o."{c}" is not null and '
        f"contains(coalesce(o.date_only_columns, ''), '{c}') is not true))[1] as \"{c}\""
        for c in facts.columns
        if c not in NOT_COMPLETED
    )
    con.execute(f"""
        insert into raw.jobs ({listed}, load_id, source_file, row_number, load_sequence, content_hash)
        with latest as ({latest_sql("jobs", (*facts.columns, "content_hash"))}),
        gone as (
            select d.joined_with, d.source_file, d.row_number, j.*
            -- a job is decided on once, and stands once
            from joins_decided as d join latest as j on j.job_id = d.job_id
        ),
        given as (
            select joined_with, min(reported_at) as first_report, min(source_file) as source_file,
                min(row_number) as row_number, {given}
            from gone as o group by joined_with
        ),
        rows_new as (
            select j.content_hash, g.source_file, g.row_number, 0 as is_gone,
                {", ".join(completed).replace('j."reported_at"', "least(j.reported_at, g.first_report) as reported_at")}
            from given as g join latest as j on j.job_id = g.joined_with
            union all by name
            select * exclude (joined_with, status), 'cancelled' as status, 1 as is_gone from gone
        )
        select {listed}, '{load_id}', source_file, row_number,
            (select coalesce(max(load_sequence), 0) from raw.jobs) + row_number() over (order by is_gone, job_id),
            content_hash
        from rows_new
    """)
    joined = con.execute("select count(*) from joins_decided").fetchone()
    con.execute("drop table joins_decided")
    return joined[0] if joined else 0
