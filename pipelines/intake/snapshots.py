"""What stood and is missing from files that are whole: listed, and closed or kept as the mapping says.

What a mapping does not call a snapshot is taken for whole where it holds most of what its source gave before: what it
lacks is then told, and stays as it is.
"""

from pipelines.intake.mapping import TableSource
from pipelines.intake.mapping_state import CLOSABLE
from pipelines.intake.share import TableShare
from pipelines.intake.sources import fits
from pipelines.validation.quarantine import QUARANTINE_ID
from pipelines.validation.register import latest_sql
from shared import dictionary
from shared.store import quoted

STANDS = {
    "sections": "retired_on is null",
    "jobs": "coalesce(status, 'closed') = 'closed'",
    "loops": "loop_id in (select loop_id from ({}) where retired_on is null)",
}
"""SQL of what is not closed already, by table."""


def find_gone(share: TableShare) -> None:
    """Make ``gone``: what stands from the files of a block and is in none of those loaded now.

    ``fate`` says in words what becomes of what a snapshot lacks, ``closed_on`` the day on which :func:`close_gone`
    closes it; of files that are no snapshot ``loaded`` says of how many it is. Nothing is closed where a row's key
    cannot be read: the row might be the one that seems missing.

    Checked by: tests/unit/test_intake_snapshots.py (through load_paths)
    """
    share.con.execute(
        "create or replace temp table gone (file_no BIGINT, place BIGINT, named VARCHAR, fate VARCHAR, closed_on DATE, "
        "loaded BIGINT)"
    )
    blocks = [f.source for n, f in enumerate(share.files) if f.source not in [g.source for g in share.files[:n]]]
    for block in blocks:
        numbers = [n for n, f in enumerate(share.files) if f.source == block]
        mended = any(QUARANTINE_ID in share.reads[n].headers for n in numbers)
        if block.snapshot or (share.table in CLOSABLE and not mended):
            _find_gone_of(share, block, numbers)


def _find_gone_of(share: TableShare, block: TableSource, numbers: list[int]) -> None:
    table, key = share.table, share.identity
    listed = ", ".join(str(n) for n in numbers)
    empty = " or ".join(f"{c} is null" for c in key if c.strip('"') in share.facts.required)
    lost = share.con.execute(f"select count(*) from typed where file_no in ({listed}) and ({empty})").fetchone()
    unread = lost[0] if lost else 0
    is_closed = block.gone == "close" and not unread
    if unread and block.gone == "close":
        said = "row of the files has no readable key" if unread == 1 else "rows of the files have no readable key"
        fate = f"kept, since {unread} {said}"
    elif is_closed:
        fate = {"jobs": "cancelled"}.get(table, f"retired on {block.taken_on}")
        fate = f"closed: its sections are retired on {block.taken_on}" if table == "loops" else f"closed: {fate}"
    else:
        fate = "kept" if block.gone == "keep" else 'kept; say gone = "close" or "keep" in the mapping'
    closed_on = f"date '{block.taken_on}'" if is_closed else "null"
    labels = [
        label
        for (label,) in share.con.execute(f"select distinct source_file from raw.{table}").fetchall()
        if label in [share.files[n].label for n in numbers] or (block.is_mapped and _is_of(label, block.pattern))
    ]
    if not labels:
        return
    where = STANDS.get(table, "true").format(latest_sql("sections", ("loop_id", "retired_on")))
    named = f"concat_ws(' / ', {', '.join(f's.{c}' for c in key)})"
    loaded, most = "null", ""
    if not block.snapshot:
        loaded, most = "loaded", "and here * 2 >= loaded"
        if table == "jobs":  # an export of some months lacks no job of others
            ours = f"from typed where file_no in ({listed})"
            where += f" and s.reported_at between (select min(reported_at) {ours}) and (select max(reported_at) {ours})"
    share.con.execute(
        f"""
        insert into gone
        with known as (
            select s.place, {named} as named, exists (
                from typed as t where t.file_no in ({listed}) and {share.same("t", "s", key)}
            ) as is_here
            from ({latest_sql(table, (*dictionary.load_tables()[table].columns, "rowid as place"))}) as s
            where {where} and exists (
                from raw.{table} as r where r.source_file in (select unnest(?)) and {share.same("r", "s", key)}
            )
        )
        select {numbers[0]}, place, named, {quoted(fate)}, {closed_on}, {loaded}
        from known, (select count(*) as loaded, count(*) filter (is_here) as here from known)
        where not is_here {most}
    """,
        [labels],
    )


def _is_of(label: str, pattern: str) -> bool:
    """Whether a file once loaded, by what messages call it, is one that a mapping's block is for."""
    name = label.partition(", sheet ")[0].rpartition("/")[2].casefold()
    return any(fits(n, pattern) for n in (name, name.removesuffix(".gz")))


def close_gone(share: TableShare) -> None:
    """Append the rows that close what is gone: sections retired, jobs cancelled, the sections of loops retired.

    The day stands in their fingerprints too: a snapshot of a later day brings them back.
    """
    if not share.con.execute("select 1 from gone where closed_on is not null limit 1").fetchone():
        return
    table = "sections" if share.table == "loops" else share.table
    columns = dictionary.load_tables()[table].columns
    # two blocks may miss the same thing: it is closed once, on the earlier day
    days = "(select place, min(closed_on) as closed_on from gone where closed_on is not null group by place)"
    source = f"raw.{table} as s join {days} as g on g.place = s.rowid"
    if share.table == "loops":
        source = (
            f"({latest_sql('sections', (*columns, 'content_hash'))}) as s join raw.loops as l "
            f"on l.loop_id = s.loop_id and s.retired_on is null join {days} as g on g.place = l.rowid"
        )
    closed = {
        "retired_on": "greatest(g.closed_on, s.installed_on)",
        "retired_because": "coalesce(s.retired_because, 'unknown')",
        "status": "'cancelled'",
    }
    listed = ", ".join(f'"{c}"' for c in columns)
    values = ", ".join(closed.get(c, f's."{c}"') for c in columns)
    label = quoted(f"missing from {share.files[0].label}")
    share.con.execute(f"""
        insert into raw.{table} ({listed}, load_id, source_file, load_sequence, content_hash)
        select {values}, '{share.load_id}', {label},
            (select coalesce(max(load_sequence), 0) from raw.{table}) + row_number() over (order by s."{columns[0]}"),
            concat(s.content_hash, '-gone-', g.closed_on)
        from {source}
    """)
