"""What would a load change back, which cables and jobs does it begin or open again, and what does it lack?"""

from collections.abc import Iterator, Sequence

import duckdb

from pipelines.validation.file_results import FileFacts, FileResult, break_rule
from pipelines.validation.file_rules import FileRule
from pipelines.validation.register import latest_sql
from shared import dictionary
from shared.settings import Validation

NAMED = 10
"""Things listed by name in one message; the others are counted."""


def find_older_states(
    con: duckdb.DuckDBPyConnection, table: str, files: Sequence[FileFacts], rule: FileRule, settings: Validation
) -> list[FileResult]:
    """Rows of each file that say a former state of their key, with what they would change; they are not taken.

    Left out are those of which the same load says more, and those below a higher revision: they would change nothing.

    Checked by: tests/unit/test_intake_revisions.py (through load_paths)
    """
    del settings
    if con.execute("select 1 from exempt where is_former limit 1").fetchone() is None:
        return []
    facts = dictionary.load_tables()[table]
    identity = [c for c in facts.key if c != "revision"]
    rank = "coalesce({}.revision, -1)" if "revision" in facts.key else "0"
    same = " and ".join(f'o."{c}" is not distinct from s."{c}"' for c in identity)
    changes = ", ".join(
        f'case when o."{c}" is distinct from s."{c}" then '
        f"concat('{c} ', coalesce(s.\"{c}\"::varchar, 'empty'), ' to ', coalesce(o.\"{c}\"::varchar, 'empty')) end"
        for c in facts.source_columns
        if c not in facts.key
    )
    rows = con.execute(f"""
        with said as (
            select t.*, coalesce(e.is_former, false) as is_former,
                bool_and(coalesce(e.is_former, false)) over (partition by {", ".join(f't."{c}"' for c in identity)})
                    as is_last_word
            from typed as t left join exempt as e on e.rid = t.rowid
        ),
        standing as ({latest_sql(table, facts.columns)})
        select o.file_no, concat_ws(' / ', {", ".join(f'o."{c}"' for c in identity)}), concat_ws(', ', {changes})
        -- one row stands for a key
        from said as o join standing as s on {same}
        where o.is_former and o.is_last_word and {rank.format("o")} >= {rank.format("s")}
        order by o.file_no, o.row_number
    """).fetchall()
    named = [(number, f"{key} ({change or 'nothing'})") for number, key, change in rows]
    found = []
    for file, ours in _share_out(files, named):
        say, they = ("row says", "It is") if len(ours) == 1 else ("rows say", "They are")
        found.append(break_rule(file, rule, len(ours), identity[0], listed=name_some(ours), say=say, They=they))
    return found


def find_new_cables(
    con: duckdb.DuckDBPyConnection, table: str, files: Sequence[FileFacts], rule: FileRule, settings: Validation
) -> list[FileResult]:
    """Sections that have a new cable under their id, with what stays with the old one.

    Checked by: tests/unit/test_intake_cables.py (through load_paths)
    """
    del table, settings
    rows = con.execute("""
        select t.file_no, v.told from cable_changes as v join typed as t on t.rowid = v.rid
        where v.verdict = 'new' order by t.file_no, t.row_number
    """).fetchall()
    found = []
    for file, told in _share_out(files, rows):
        say = "row says" if len(told) == 1 else "rows say"
        found.append(break_rule(file, rule, len(told), "section_id", say=say, listed=name_some(told)))
    return found


def find_reopened_jobs(
    con: duckdb.DuckDBPyConnection, table: str, files: Sequence[FileFacts], rule: FileRule, settings: Validation
) -> list[FileResult]:
    """Jobs that were loaded before and are open again.

    Checked by: tests/unit/test_intake_revisions.py (through load_paths)
    """
    del table, settings
    rows = con.execute("""
        select distinct j.file_no, j.job_id from judged as j
        where j.status = 'open' and j.job_id in (select job_id from open_again) order by all
    """).fetchall()
    found = []
    for file, named in _share_out(files, rows):
        say, leave = ("job is", "leaves") if len(named) == 1 else ("jobs are", "leave")
        found.append(break_rule(file, rule, len(named), "status", say=say, leave=leave, listed=name_some(named)))
    return found


def find_gone_rows(
    con: duckdb.DuckDBPyConnection, table: str, files: Sequence[FileFacts], rule: FileRule, settings: Validation
) -> list[FileResult]:
    """What is missing from files that are whole, and what becomes of it.

    Checked by: tests/unit/test_intake_snapshots.py (through load_paths)
    """
    del settings
    rows = con.execute("select file_no, named, fate from gone where loaded is null order by file_no, named").fetchall()
    fates = {number: fate for number, _, fate in rows}
    found = []
    for file, named in _share_out(files, [row[:2] for row in rows]):
        what, they = (f"row of {table} is", "It is") if len(named) == 1 else (f"rows of {table} are", "They are")
        key, listed = dictionary.load_tables()[table].key[0], name_some(named)
        found.append(
            break_rule(file, rule, len(named), key, what=what, listed=listed, They=they, fate=fates[file.number])
        )
    return found


def find_missing_rows(
    con: duckdb.DuckDBPyConnection, table: str, files: Sequence[FileFacts], rule: FileRule, settings: Validation
) -> list[FileResult]:
    """What is missing from files that repeat most of what their source gave before; nothing becomes of it.

    Notes
    -----
    Checked by: tests/unit/test_intake_snapshots.py (through load_paths)
    """
    del settings
    rows = con.execute(
        "select file_no, named, loaded from gone where loaded is not null order by file_no, named"
    ).fetchall()
    loaded = {number: count for number, _, count in rows}
    found = []
    for file, named in _share_out(files, [row[:2] for row in rows]):
        are, them = ("is", "it") if len(named) == 1 else ("are", "them")
        words = {"loaded": loaded[file.number], "table": table, "are": are, "them": them, "listed": name_some(named)}
        found.append(break_rule(file, rule, len(named), dictionary.load_tables()[table].key[0], **words))
    return found


def find_returned_rows(
    con: duckdb.DuckDBPyConnection, table: str, files: Sequence[FileFacts], rule: FileRule, settings: Validation
) -> list[FileResult]:
    """What was closed as missing from a snapshot and stands again.

    Notes
    -----
    Checked by: tests/unit/test_intake_snapshots.py (through load_paths)
    """
    del settings
    key = dictionary.load_tables()[table].key[0]
    closed = {"sections": "j.retired_on is not null", "jobs": "j.status = 'cancelled'"}[table]
    rows = con.execute(f"""
        select distinct j.file_no, j.{key} from judged as j
        join ({latest_sql(table, (key, "content_hash"))}) as s on s.{key} = j.{key}  -- one row stands for a key
        where contains(s.content_hash, '-gone') and not coalesce({closed}, false)
            and j.rid not in (select rid from new_findings where severity = 'reject')
        order by all
    """).fetchall()
    found = []
    for file, named in _share_out(files, rows):
        what, they = (f"row of {table} is", "It counts") if len(named) == 1 else (f"rows of {table} are", "They count")
        found.append(break_rule(file, rule, len(named), key, what=what, they=they, listed=name_some(named)))
    return found


def find_moved_open_points(
    con: duckdb.DuckDBPyConnection, table: str, files: Sequence[FileFacts], rule: FileRule, settings: Validation
) -> list[FileResult]:
    """Loops whose normally open point is another terminal now.

    Notes
    -----
    Checked by: tests/unit/test_intake_revisions.py (through load_paths)
    """
    del table, settings
    rows = con.execute(f"""
        select j.file_no, concat(j.loop_id, ' (', s.normal_open_terminal_id, ' to ', j.normal_open_terminal_id, ')')
        from judged as j join ({latest_sql("loops", ("loop_id", "normal_open_terminal_id"))}) as s
        on s.loop_id = j.loop_id  -- one row stands for a loop
        where s.normal_open_terminal_id <> j.normal_open_terminal_id
            and j.rid not in (select rid from new_findings where severity = 'reject')
        order by j.file_no, j.row_number
    """).fetchall()
    found = []
    for file, named in _share_out(files, rows):
        has = "loop has its" if len(named) == 1 else "loops have their"
        found.append(break_rule(file, rule, len(named), "normal_open_terminal_id", has=has, listed=name_some(named)))
    return found


def _share_out(files: Sequence[FileFacts], rows: Sequence[tuple[int, str]]) -> Iterator[tuple[FileFacts, list[str]]]:
    """Each file of which something is to be told, with what: rows are numbers of files and texts."""
    told: dict[int, list[str]] = {}
    for number, text in rows:
        told.setdefault(number, []).append(text)
    yield from ((file, told[file.number]) for file in files if file.number in told)


def name_some(things: Sequence[str]) -> str:
    """The first of some things by name, and how many more there are."""
    return "; ".join(things[:NAMED]) + (f" and {len(things) - NAMED} more" if len(things) > NAMED else "")
