"""Keeps what a load brought: rows in raw, rejected rows in quarantine as received, findings, and the counts."""

import json
from dataclasses import dataclass

from pipelines.intake.quarantined import pack_source
from pipelines.intake.share import TableShare
from pipelines.intake.sorting import DIGEST
from pipelines.intake.text import source_row
from pipelines.validation.quarantine import OWN_COLUMNS, QUARANTINE_ID
from shared.store import quoted


@dataclass(frozen=True)
class FileCount:
    """What became of the rows of one file: read = new + revised + unchanged + superseded + quarantined.

    ``warned`` counts rows kept with a warning, ``emptied`` values taken out of rows kept; ``filtered`` counts rows that
    a mapping's filters left out before.
    """

    table: str
    file: str
    read: int
    new: int
    revised: int
    unchanged: int
    superseded: int
    quarantined: int
    emptied: int
    warned: int
    filtered: int = 0

    @property
    def accounted_for(self) -> int:
        return self.new + self.revised + self.unchanged + self.superseded + self.quarantined


def empty_values(share: TableShare) -> None:
    """Take the values out of ``typed`` that a rule of severity empty found broken; the findings keep them as they came.

    Notes
    -----
    A row's fingerprint stays that of the row as typed, so that the same export loaded again is unchanged.

    Checked by: tests/unit/test_validation_emptied.py (through load_paths)
    """
    broken = share.con.execute("select distinct \"column\" from new_findings where severity = 'empty' order by 1")
    for (column,) in broken.fetchall():
        derived = ", is_install_year_only = false" if column == "installed_on" else ""
        share.con.execute(
            f'update typed set "{column}" = null{derived} where rowid in '
            "(select rid from new_findings where severity = 'empty' and \"column\" = ?)",
            [column],
        )


def keep_rows(share: TableShare) -> None:
    """Append the rows that say something new to raw, numbered in the order they came.

    Notes
    -----
    A row's load_sequence follows from its file and row number, so that nothing as wide as a row has to be sorted;
    numbers are left out where rows are.
    """
    columns = ", ".join(f'"{c}"' for c in share.facts.columns)
    share.con.execute(f"""
        insert into raw.{share.table} ({columns}, load_id, source_file, row_number, load_sequence, content_hash)
        with lengths as (select file_no, max({source_row("row_number")}) as last_row from typed group by file_no),
        places as (
            select file_no, coalesce(sum(last_row) over (
                order by file_no rows between unbounded preceding and 1 preceding
            ), 0) + (select coalesce(max(load_sequence), 0) from raw.{share.table}) as rows_before
            from lengths
        )
        select {columns}, '{share.load_id}', l.file, {source_row("t.row_number")},
            (p.rows_before + {source_row("t.row_number")})::bigint, t.content_hash
        from typed as t
        join ({_labels(share)}) as l on l.file_no = t.file_no
        join places as p on p.file_no = t.file_no
        where t.rowid not in (select rid from rejected) and t.rowid not in (
            select rid from sorted where fate in ('unchanged', 'former')
        )
    """)


def keep_quarantine(share: TableShare) -> None:
    """Let mended rows out of quarantine, then set the rejected rows aside with their findings.

    A row leaves quarantine when a row of its key is accepted, or a later revision, or a row that carries its
    quarantine_id (kept out again, it takes the place of the former), unless the same row was rejected again just now. A
    row already in quarantine is not set aside a second time.
    """
    con, table = share.con, share.table
    con.execute(f"create or replace temp table rejected_rows as {_rejected_sql(share)}")
    if con.execute(
        'select 1 from raw.quarantined_rows where "table" = ? and released_by is null limit 1', [table]
    ).fetchone():
        _release_rows(share)
    for number, file in enumerate(share.files):
        _set_aside(share, number, file.label)
    con.execute(f"""
        insert into raw.findings
        select '{share.load_id}', '{table}', l.file, {source_row("t.row_number")}, n.rule, n.severity, n."column",
            n."value", n.message
        from new_findings as n join typed as t on t.rowid = n.rid join ({_labels(share)}) as l using (file_no)
        where n.rid in (select rid from sorted where fate <> 'unchanged') or (l.file, {source_row("t.row_number")}) in (
            select (file, row_number) from raw.quarantined_rows
            where load_id = '{share.load_id}' and "table" = '{table}'
        )
        order by t.file_no, t.row_number, n.rule, n."column"
    """)
    con.execute("drop table rejected_rows")


def _set_aside(share: TableShare, number: int, label: str) -> None:
    """Put the rejected rows of a file into quarantine, unless the same row lies there already.

    Notes
    -----
    The file's rows, which may be wide, run past the narrow list of those wanted: nothing as wide is held or sorted.
    """
    read_as = quoted(pack_source(share.files[number].source, share.settings.intake.insulations))
    share.con.execute(f"""
        insert into raw.quarantined_rows
        with wanted as materialized (
            select row_number, row_hash, key from rejected_rows as q
            where file_no = {number} and not exists (
                from raw.quarantined_rows as o
                where o."table" = '{share.table}' and o.row_hash = q.row_hash and o.released_by is null
            )
        )
        select '{share.load_id}', '{share.table}', {quoted(label)}, {source_row("w.row_number")}, w.row_hash, w.key,
            {_headers_sql(share, number)}, {_cells_sql(share, number)}, null, {read_as}
        from {share.reads[number].name} as r join wanted as w on w.row_number = r.row_number
    """)


def _release_rows(share: TableShare) -> None:
    """Mark rows as released whose key, or whose record in a later revision, came in now."""
    key = ", ".join(f"t.{c}::varchar" for c in share.key)
    share.con.execute(f"""
        update raw.quarantined_rows as q set released_by = '{share.load_id}'
        where q."table" = '{share.table}' and q.released_by is null
            and q.row_hash not in (select row_hash from rejected_rows)
            and (
                (q.key <> '' and q.key in (
                    select concat_ws(' / ', {key}) from typed as t join sorted as s on s.rid = t.rowid
                    where s.fate <> 'former'
                )) or q.row_hash in ({_ids_sql(share)}){_revised_sql(share)}
            )
    """)


def _revised_sql(share: TableShare) -> str:
    """SQL that is true of a quarantined row (alias q) whose record came in now in a later revision."""
    if share.key == share.identity:
        return ""
    record = ", ".join(f"t.{c}::varchar" for c in share.identity)
    # one equality and one bound, so that the two are joined by hash and not row by row
    return f"""
        or exists (
            select 1 from (
                select concat_ws(' / ', {record}) as record, max({share.rank}) as rank
                from typed as t join sorted as s on s.rid = t.rowid where s.fate <> 'former' group by 1
            ) as a
            where a.record = coalesce(nullif(regexp_extract(q.key, '^(.*) / -?[0-9]+$', 1), ''), q.key)
                and a.rank > coalesce(try_cast(regexp_extract(q.key, ' / (-?[0-9]+)$', 1) as bigint), -1)
        )"""


def count_files(share: TableShare) -> list[FileCount]:
    """Count every file's rows, prove that none is lost, and write the counts into the books.

    Raises
    ------
    RuntimeError
        Rows are not accounted for: a fault of ours, and nothing of the load is kept.
    """
    con = share.con
    fates = {(n, f): c for n, f, c in con.execute("select file_no, fate, count(*) from sorted group by all").fetchall()}
    rejected = _by_file(
        share, "select t.file_no, count(*) from rejected as j join typed as t on t.rowid = j.rid group by 1"
    )
    warned = _by_file(
        share,
        "select t.file_no, count(distinct n.rid) from new_findings as n join typed as t on t.rowid = n.rid "
        "where n.severity = 'warn' and n.rid in (select rid from sorted where fate <> 'unchanged') group by 1",
    )
    emptied = _by_file(
        share,
        'select file_no, count(distinct (rid, n."column")) from new_findings as n join typed as t on t.rowid = n.rid '
        "where n.severity = 'empty' and rid in (select rid from sorted where fate <> 'unchanged') group by 1",
    )
    typed = _by_file(share, "select file_no, count(*) from typed group by 1")
    digests = dict(con.execute(f"select file_no, {DIGEST} from typed group by file_no").fetchall())
    counts = []
    for number, (file, read) in enumerate(zip(share.files, share.reads, strict=True)):
        filtered = read.rows - typed.get(number, 0)
        count = FileCount(
            table=share.table,
            file=file.label,
            read=read.rows - filtered,
            new=fates.get((number, "new"), 0),
            revised=fates.get((number, "revised"), 0),
            unchanged=fates.get((number, "unchanged"), 0),
            superseded=fates.get((number, "superseded"), 0) + fates.get((number, "former"), 0),
            quarantined=rejected.get(number, 0),
            emptied=emptied.get(number, 0),
            warned=warned.get(number, 0),
            filtered=filtered,
        )
        if count.accounted_for != count.read or filtered < 0 or (filtered and not file.source.filters):
            raise RuntimeError(f"{file.label}: {read.rows} rows in the file, {count} accounted for")
        counts.append(count)
        con.execute(
            "insert into raw.files values (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
            [
                share.load_id,
                number,
                share.table,
                file.label,
                file.path.stat().st_size,
                digests.get(number),
                count.read,
                count.new,
                count.revised,
                count.unchanged,
                count.superseded,
                count.quarantined,
                count.warned,
                filtered,
                count.emptied,
            ],
        )
    return counts


def _by_file(share: TableShare, query: str) -> dict[int, int]:
    return dict(share.con.execute(query).fetchall())


def _labels(share: TableShare) -> str:
    """SQL of the files of the share: number, name, and headers as a JSON list."""
    rows = ", ".join(
        f"({number}, {quoted(file.label)}, {quoted(json.dumps(read.headers, ensure_ascii=False))})"
        for number, (file, read) in enumerate(zip(share.files, share.reads, strict=True))
    )
    return f"select * from (values {rows}) as v(file_no, file, headers)"


def _headers_sql(share: TableShare, number: int) -> str:
    """SQL of a file's headers as a JSON list, without those that an export from quarantine added."""
    return quoted(json.dumps([h for h in share.reads[number].headers if h not in OWN_COLUMNS], ensure_ascii=False))


def _cells_sql(share: TableShare, number: int) -> str:
    """SQL of the cells of a file's row (alias r) as received, as a JSON list."""
    headers = share.reads[number].headers
    listed = ", ".join(f"coalesce(r.c{i}, '')" for i, h in enumerate(headers, start=1) if h not in OWN_COLUMNS)
    return f"coalesce(r.cells, to_json([{listed}])::varchar)"


def _rejected_sql(share: TableShare) -> str:
    """SQL of the rejected rows: file, row number, hash of the cells as received, and key."""
    key = ", ".join(f"t.{c}::varchar" for c in share.key)
    parts = []
    for number, read in enumerate(share.reads):
        parts.append(
            f"select k.file_no, k.row_number, k.key, "
            f"md5({_headers_sql(share, number)} || {_cells_sql(share, number)}) as row_hash "
            f"from {read.name} as r join keys as k on k.file_no = {number} and k.row_number = r.row_number"
        )
    return (
        f"with keys as materialized (select t.file_no, t.row_number, concat_ws(' / ', {key}) as key "
        f"from typed as t where t.rowid in (select rid from rejected)) {' union all '.join(parts)}"
    )


def _ids_sql(share: TableShare) -> str:
    """SQL of the quarantine ids that rows carry, whether they are accepted now or kept out in another form."""
    parts = [
        f"select r.c{read.headers.index(QUARANTINE_ID) + 1} from {read.name} as r where r.row_number not in "
        f"(select row_number from sorted where file_no = {number} and fate = 'former')"
        for number, read in enumerate(share.reads)
        if QUARANTINE_ID in read.headers
    ]
    return " union all ".join(parts) or "select null::varchar where false"
