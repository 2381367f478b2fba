"""What would a load change back, which cables and jobs does it begin or open again, and what does it lack?"""

from collections.abc import Mapping, Sequence
from types import MappingProxyType

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
    return _tell(files, named, rule, identity[0], say=("row says", "rows say"), They=("It is", "They are"))


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
    return _tell(files, rows, rule, "section_id", say=("row says", "rows say"))


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
    return _tell(files, rows, rule, "status", say=("job is", "jobs are"), leave=("leaves", "leave"))


def find_gone_rows(
    con: duckdb.DuckDBPyConnection, table: str, files: Sequence[FileFacts], rule: FileRule, settings: Validation
) -> list[FileResult]:
    """What is missing from files that are whole, and what becomes of it.

    Checked by: tests/unit/test_intake_snapshots.py (through load_paths)
    """
    del settings
    rows = con.execute("select file_no, named, fate from gone where loaded is null order by file_no, named").fetchall()
    fates = {number: {"fate": fate} for number, _, fate in rows}
    what, key = (f"row of {table} is", f"rows of {table} are"), dictionary.load_tables()[table].key[0]
    return _tell(files, [row[:2] for row in rows], rule, key, fates, what=what, They=("It is", "They are"))


def find_missing_rows(
    con: duckdb.DuckDBPyConnection, table: str, files: Sequence[FileFacts], rule: FileRule, settings: Validation
) -> list[FileResult]:
    """What is missing from files that repeat most of what their source gave before; nothing becomes of it.

    Checked by: tests/unit/test_intake_snapshots.py (through load_paths)
    """
    del settings
    rows = con.execute(
        "select file_no, named, loaded from gone where loaded is not null order by file_no, named"
    ).fetchall()
    loaded = {number: {"loaded": count, "table": table} for number, _, count in rows}
    key, are = dictionary.load_tables()[table].key[0], ("is", "are")
    return _tell(files, [row[:2] for row in rows], rule, key, loaded, are=are, them=("it", "them"))


def find_returned_rows(
    con: duckdb.DuckDBPyConnection, table: str, files: Sequence[FileFacts], rule: FileRule, settings: Validation
) -> list[FileResult]:
    """What was closed as missing from a snapshot and stands again.

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
    what = (f"row of {table} is", f"rows of {table} are")
    return _tell(files, rows, rule, key, what=what, they=("It counts", "They count"))


def find_moved_open_points(
    con: duckdb.DuckDBPyConnection, table: str, files: Sequence[FileFacts], rule: FileRule, settings: Validation
) -> list[FileResult]:
    """Loops whose normally open point is another terminal now.

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
    return _tell(files, rows, rule, "normal_open_terminal_id", has=("loop has its", "loops have their"))


def _tell(
    files: Sequence[FileFacts],
    rows: Sequence[tuple[int, str]],
    rule: FileRule,
    column: str,
    of_file: Mapping[int, Mapping[str, object]] = MappingProxyType({}),
    **words: tuple[str, str],
) -> list[FileResult]:
    """What is to be told of each file: rows are numbers of files and texts; words as of one thing and as of several."""
    told: dict[int, list[str]] = {}
    for number, text in rows:
        told.setdefault(number, []).append(text)
    return [
        break_rule(
            file,
            rule,
            len(named),
            column,
            listed=name_some(named),
            **{name: of_one if len(named) == 1 else of_many for name, (of_one, of_many) in words.items()},
            **of_file.get(file.number, {}),
        )
        for file in files
        if (named := told.get(file.number))
    ]


def name_some(things: Sequence[str]) -> str:
    """The first of some things by name, and how many more there are."""
    return "; ".join(things[:NAMED]) + (f" and {len(things) - NAMED} more" if len(things) > NAMED else "")
