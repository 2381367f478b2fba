"""Applies the corrections that a person confirmed: a new row in raw beside the old one, with its lineage."""

from __future__ import annotations

from pipelines.intake.share import TableShare
from pipelines.validation.register import latest_sql
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
    loaded again changes nothing; batch, file and row are the correction's. All corrections of a job in one load go
    into one row. Undoing the load takes the corrected row away again.

    Checked by: tests/unit/test_intake_corrections.py
    """
    con = share.con
    facts = dictionary.load_tables()["jobs"]
    con.execute(f"""
        create or replace temp table corrections_to_apply as
        select c.job_id, c."column", c.value_proposed, c.source_file, c.row_number from raw.corrections as c
        where c.batch_id = '{share.batch}' and c.decision = 'apply'
        qualify row_number() over (partition by job_id, "column" order by load_sequence desc) = 1
    """)
    arms = []
    for column in facts.columns:
        if column in ("job_id", "revision", "date_only_columns"):
            arms.append(f'j."{column}"')
            continue
        kind = dictionary.columns()[column].duckdb_type
        arms.append(
            f"case when list_contains(map_keys(c.proposals), '{column}') "
            f"then try_cast(c.proposals['{column}'] as {kind}) else j.\"{column}\" end",
        )
    listed = ", ".join(f'"{c}"' for c in facts.columns)
    row = con.execute(f"""
        insert into raw.jobs ({listed}, batch_id, source_file, row_number, load_sequence, content_hash)
        with by_job as (
            select job_id, map(list("column" order by "column"), list(value_proposed order by "column")) as proposals,
                min(source_file) as source_file, min(row_number) as row_number
            from corrections_to_apply group by job_id
        ),
        latest as ({latest_sql("jobs", (*facts.columns, "content_hash"))})
        select {", ".join(arms)}, '{share.batch}', c.source_file, c.row_number,
            (select coalesce(max(load_sequence), 0) from raw.jobs)
                + row_number() over (order by c.row_number, j.job_id),
            j.content_hash
        from by_job as c join latest as j on j.job_id = c.job_id
    """).fetchone()
    con.execute("drop table corrections_to_apply")
    return row[0] if row else 0
