"""What each row is against what stood before it: new, revised, unchanged, superseded or rejected."""

from pipelines.intake.share import TableShare
from pipelines.intake.text import source_row

DIGEST = "count(*) || '-' || sum(hash(content_hash))"
"""SQL of a file's fingerprint: the same for the same rows in any order, form or name."""


def set_known_apart(share: TableShare) -> None:
    """Make ``exempt`` (rows that stand in raw as they are), ``repeats`` (keys twice in one file) and ``judged``.

    Notes
    -----
    A row is exempt when it says what raw last said under its key, and, unless the load is taken as the newest, when it
    says what raw said under its key before that: an older export loaded again does not bring the older state back. A
    snapshot does bring back what one of an earlier day closed as missing.

    Checked by: tests/unit/test_intake_revisions.py (through load_paths)
    """
    con = share.con
    con.execute("create or replace temp table exempt (rid BIGINT, is_former BOOLEAN)")
    if share.has_rows():
        key = ", ".join(share.key)
        days = [(n, f.source.taken_on) for n, f in enumerate(share.files) if f.source.snapshot and f.source.taken_on]
        taken_on = " ".join(f"when {n} then date '{day}'" for n, day in days)
        closed_on = "try_cast(regexp_extract(r.newest_hash, '-gone-(.*)$', 1) as date)"
        is_back = f"coalesce(case t.file_no {taken_on} end > {closed_on}, false)" if days else "false"
        con.execute(f"""
            insert into exempt
            with said as (
                select {key}, content_hash, row_number() over newest > 1 as is_former,
                    first_value(content_hash) over newest as newest_hash
                from raw.{share.table} window newest as (partition by {key} order by load_sequence desc)
            )
            select t.rowid, bool_and(r.is_former) from typed as t
            join said as r on {share.same("r", "t", share.key)} and r.content_hash = t.content_hash
            where not (r.is_former and {"true" if share.as_newest else is_back}) group by all
        """)
    _find_repeats(share)
    con.execute("""
        create or replace temp view judged as
        select t.rowid as rid, t.*, r.repeats_row from typed as t
        left join (select rid, repeats_row from repeats where not is_same) as r on r.rid = t.rowid
        where t.rowid not in (select rid from exempt)
    """)


def latest_by_key(share: TableShare) -> str:
    """SQL of the content last kept under each whole key, revision included."""
    key = ", ".join(share.key)
    return (
        f"select {key}, content_hash from raw.{share.table} "
        f"qualify row_number() over (partition by {key} order by load_sequence desc) = 1"
    )


def _find_repeats(share: TableShare) -> None:
    """Rows whose key stands earlier in the same file; the narrow key is grouped first, which is quick."""
    key = ", ".join(share.key)
    whole = " and ".join(f"{c} is not null" for c in share.key if c.strip('"') in share.facts.required)
    share.con.execute(f"""
        create or replace temp table repeats as
        with twice as (
            select {key}, file_no from typed where {whole} group by all having count(*) > 1
        ),
        rows_twice as (
            select t.rowid as rid, t.file_no, t.row_number, t.content_hash, {", ".join(f"t.{c}" for c in share.key)}
            from typed as t join twice as r on {share.same("r", "t", share.key)} and r.file_no = t.file_no
        ),
        in_order as (
            select rid, row_number, content_hash,
                first_value(row_number) over place as first_row, first_value(content_hash) over place as first_hash
            from rows_twice
            window place as (partition by {key}, file_no order by row_number)
        )
        select rid, {source_row("first_row")} as repeats_row, content_hash = first_hash as is_same
        from in_order where row_number <> first_row
    """)


def sort_rows(share: TableShare) -> None:
    """Make ``sorted``: the fate of every row that was not rejected.

    Notes
    -----
    unchanged: raw, or an earlier row of this load, says the same. superseded: a higher revision stands; the row is
    kept in raw all the same. former: the row would change its key back to what it was, so it is not taken, and counted
    as superseded. revised: the thing was known and this is now the last word on it. new: it was not.

    Checked by: tests/unit/test_intake_revisions.py (through load_paths)
    """
    key, identity = ", ".join(share.key), ", ".join(share.identity)
    if not share.has_rows() and _keys_are_single(share):
        share.con.execute(
            "create or replace temp table sorted as select t.rowid as rid, t.file_no, t.row_number, 'new' as fate "
            "from typed as t where t.rowid not in (select rid from rejected)"
        )
        return
    share.con.execute(f"""
        create or replace temp table sorted as
        with told as (select distinct {identity} from typed where rowid not in (select rid from exempt)),
        accepted as (
            select t.rowid as rid, t.file_no, t.row_number, t.content_hash, {", ".join(f"t.{c}" for c in share.key)},
                {share.rank} as revision_rank
            from typed as t where t.rowid not in (select rid from rejected)
                and t.rowid not in (select rid from exempt where is_former)
                and exists (from told as n where {share.same("n", "t", share.identity)})
        ),
        in_order as (
            select *,
                lag(content_hash) over (partition by {key} order by file_no, row_number) as before,
                max(revision_rank) over (partition by {identity}) as top_here,
                row_number() over (partition by {identity} order by revision_rank desc, file_no, row_number) as place
            from accepted
        ),
        prior as (
            select {identity}, max({share.rank}) as top from raw.{share.table} group by all
        )
        select t.rid, t.file_no, t.row_number, case
            when t.content_hash = coalesce(t.before, k.content_hash) then 'unchanged'
            when t.revision_rank < greatest(t.top_here, coalesce(p.top, -1)) then 'superseded'
            when p.top is not null or t.place > 1 then 'revised'
            else 'new'
        end as fate
        from in_order as t
        left join ({latest_by_key(share)}) as k on {share.same("k", "t", share.key)}
        left join prior as p on {share.same("p", "t", share.identity)}
        union all
        -- where no row of a thing says anything new, nothing has to be put in order
        select e.rid, t.file_no, t.row_number, if(e.is_former, 'former', 'unchanged')
        from exempt as e join typed as t on t.rowid = e.rid
        where e.is_former or not exists (from told as n where {share.same("n", "t", share.identity)})
    """)


def _keys_are_single(share: TableShare) -> bool:
    """Whether no thing is spoken of twice among the typed rows."""
    identity = ", ".join(share.identity)
    row = share.con.execute(f"select 1 from typed group by {identity} having count(*) > 1 limit 1").fetchone()
    return row is None
