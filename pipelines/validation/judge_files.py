"""Puts the rules of whole files to the files of a table's share of a load and keeps what was measured."""

from __future__ import annotations

import difflib
from collections.abc import Sequence
from typing import Any

import duckdb
import numpy as np
import pandas as pd

from pipelines.validation.file_measures import ks_by_chance, ks_distance, name_factor
from pipelines.validation.file_results import FileFacts, FileResult, break_rule, weigh_rule
from pipelines.validation.file_rules import FileRule
from pipelines.validation.number_marks import find_assumed_thousands, find_unread_decimals
from pipelines.validation.quarantine import OWN_COLUMNS
from pipelines.validation.states import (
    find_gone_rows,
    find_missing_rows,
    find_moved_open_points,
    find_new_cables,
    find_older_states,
    find_reopened_jobs,
    find_returned_rows,
)
from shared import dictionary
from shared.dictionary.aliases import header_score
from shared.errors import UserError
from shared.settings import Validation

SAMPLE = 20_000
"""Values compared at most, chosen by their rows' fingerprints: more would not move a distance by one hundredth."""
EXPECTED_VALUES = 10
NOT_COMPARED = ("revision", "year", "position", "shot_no", "x", "y")
"""Numbers whose distribution means nothing: they count rows, or lie where the district lies."""


def judge_files(
    con: duckdb.DuckDBPyConnection,
    load_id: str,
    table: str,
    files: Sequence[FileFacts],
    rules: Sequence[FileRule],
    settings: Validation,
) -> list[FileResult]:
    """Judge the files of one table and keep the results in ``raw.file_results``.

    Reads the temporary view ``judged`` (rows that say something new, rejected ones included), the register drawn for
    the row rules, and what earlier loads kept in raw.

    Returns
    -------
    list of FileResult
        Those of rules that are broken.

    Raises
    ------
    UserError
        A rule of severity reject is broken: nothing of the load is kept.

    Notes
    -----
    Checked by: tests/unit/test_validation_file_rules.py (through load_paths)
    """
    results: list[FileResult] = []
    counted = con.execute("select file_no from judged group by file_no having count(*) >= ?", [settings.file_min_rows])
    full = {number for (number,) in counted.fetchall()}
    for rule in rules:
        ours = [file for file in files if file.number in full or rule.name in OF_READING]
        if ours:
            results += MEASURES[rule.name](con, table, ours, rule, settings)
    broken = [r for r in results if r.message is not None]
    for result in broken:
        if result.severity == "reject":
            raise UserError(
                str(result.message),
                result.file,
                f'correct the file; or let it pass with a warning: [validation.severities] {result.rule} = "warn"',
            )
    if results:
        _keep(con, load_id, table, results)
    return broken


def _keep(con: duckdb.DuckDBPyConnection, load_id: str, table: str, results: list[FileResult]) -> None:
    con.executemany(
        "insert into raw.file_results values (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
        [
            [load_id, table, r.file, r.rule, r.severity, r.column, r.year, r.rows, r.measured, r.allowed, r.message]
            for r in results
        ],
    )


# ------------------------------------------------------------------ how the file was read


def _find_unknown_columns(
    con: duckdb.DuckDBPyConnection, table: str, files: Sequence[FileFacts], rule: FileRule, settings: Validation
) -> list[FileResult]:
    del settings
    known = dictionary.load_tables()[table].source_columns
    found = []
    for file in files:
        if file.is_mapped:
            continue
        given = {h.casefold() for h in file.headers}
        for place, header in enumerate(file.headers, start=1):
            if header.casefold() in known or header in OWN_COLUMNS:
                continue
            rows = _values_under(con, file, place)
            if not header and not rows:
                continue
            nearest = _nearest(header, [c for c in known if c not in given], place)
            found.append(break_rule(file, rule, rows, header, table=table, nearest=nearest))
    return found


def _nearest(header: str, free: list[str], place: int) -> str:
    """The columns a heading may mean: by its letters, else by the words of the trade."""
    if not header:
        return f"it is the file's column {place} and has no heading: give it one"
    near = (
        difflib.get_close_matches(header.casefold(), free, n=2, cutoff=0.75)
        or [c for c in free if header_score(header, c) >= 0.6][:2]
    )
    if near:
        return "did you mean " + " or ".join(f"'{c}'" for c in near) + "?"
    return "no column is called nearly so: leave it, or map it (loopwear draft-mapping FILE)"


def _find_repeated_columns(
    con: duckdb.DuckDBPyConnection, table: str, files: Sequence[FileFacts], rule: FileRule, settings: Validation
) -> list[FileResult]:
    del settings
    known = dictionary.load_tables()[table].source_columns
    found = []
    for file in files:
        names = [h.casefold() for h in file.headers]
        for name in dict.fromkeys(n for n in names if names.count(n) > 1 and (file.is_mapped or n in known) and n):
            places = [i for i, n in enumerate(names, start=1) if n == name][1:]
            rows = sum(_values_under(con, file, place) for place in places)
            found.append(break_rule(file, rule, rows, name))
    return found


def _values_under(con: duckdb.DuckDBPyConnection, file: FileFacts, place: int) -> int:
    row = con.execute(f"select count(nullif(trim(c{place}), '')) from {file.view}").fetchone()
    return row[0] if row else 0


def _find_assumed_encodings(
    con: duckdb.DuckDBPyConnection, table: str, files: Sequence[FileFacts], rule: FileRule, settings: Validation
) -> list[FileResult]:
    del con, table, settings
    found = []
    for file in files:
        if file.encoding and file.encoding[1]:
            name, characters, sample, differing = file.encoding
            otherwise = f"; Latin-1 would read {differing} of them otherwise" if differing else ""
            found.append(break_rule(file, rule, characters, encoding=name, sample=sample, otherwise=otherwise))
    return found


def _find_assumed_delimiters(
    con: duckdb.DuckDBPyConnection, table: str, files: Sequence[FileFacts], rule: FileRule, settings: Validation
) -> list[FileResult]:
    del con, table, settings
    found = []
    for file in files:
        if file.delimiter:
            delimiter, headings, other = file.delimiter
            found.append(break_rule(file, rule, headings, delimiter=delimiter, other=other))
    return found


def _find_unjoined(
    con: duckdb.DuckDBPyConnection, table: str, files: Sequence[FileFacts], rule: FileRule, settings: Validation
) -> list[FileResult]:
    del con, table, settings
    return [
        break_rule(file, rule, join.unmatched, join.column, other=join.label, sample=join.sample)
        for file in files
        for join in file.joins
        if join.unmatched
    ]


def _find_unread_beside(
    con: duckdb.DuckDBPyConnection, table: str, files: Sequence[FileFacts], rule: FileRule, settings: Validation
) -> list[FileResult]:
    del con, table, settings
    return [
        break_rule(file, rule, join.unread, other=join.label, sample=join.first_unread)
        for file in files
        for join in file.joins
        if join.unread
    ]


# ------------------------------------------------------------------ against the register and earlier loads


def _measure_orphans(
    con: duckdb.DuckDBPyConnection, table: str, files: Sequence[FileFacts], rule: FileRule, settings: Validation
) -> list[FileResult]:
    del table
    if con.execute("select 1 from known_sections limit 1").fetchone() is None:
        return []
    counted = con.execute(
        """
        select j.file_no, year(j.reported_at) as year, count(*) as rows,
            count(*) filter (s.section_id is null) / count(*) as share
        -- the register holds a section once
        from judged as j left join known_sections as s on s.section_id = j.section_id
        where j.section_id is not null and j.reported_at is not null
        group by all having count(*) >= ? order by all
    """,
        [settings.file_min_rows],
    ).fetchall()
    ours, allowed = {file.number: file for file in files}, settings.orphan_share_limit
    return [
        weigh_rule(ours[number], rule, "section_id", rows, share, allowed, is_broken=share > allowed, year=year)
        for number, year, rows, share in counted
        if number in ours
    ]


def _count_given(
    con: duckdb.DuckDBPyConnection, table: str, columns: Sequence[str], by: str = ""
) -> list[tuple[int, ...]]:
    """Rows, and values given of each column; with `by`, its value before them, a tuple each."""
    counts = ", ".join(("count(*)", *(f'count("{c}")' for c in columns)))
    if by:
        return con.execute(f"select {by}, {counts} from {table} group by {by} order by {by}").fetchall()
    return con.execute(f"select {counts} from {table}").fetchall()


def _find_absent_columns(
    con: duckdb.DuckDBPyConnection, table: str, files: Sequence[FileFacts], rule: FileRule, settings: Validation
) -> list[FileResult]:
    columns = dictionary.load_tables()[table].source_columns
    rows_before, *before = _count_given(con, f"raw.{table}", columns)[0]
    if rows_before < settings.file_min_rows:
        return []
    usual = [c for c, n in zip(columns, before, strict=True) if n >= rows_before / 2]
    results = []
    for file in files:
        absent = [c for c in usual if c not in file.columns]
        if absent:
            said = rule.message.format(rows=len(absent), column=", ".join(absent))
            results.append(FileResult(file.label, rule.name, rule.severity, rows=len(absent), message=said))
    return results


def _measure_emptied_columns(
    con: duckdb.DuckDBPyConnection, table: str, files: Sequence[FileFacts], rule: FileRule, settings: Validation
) -> list[FileResult]:
    columns = [
        c for c in dictionary.load_tables()[table].source_columns if c not in dictionary.load_tables()[table].required
    ]
    rows_before, *before = _count_given(con, f"raw.{table}", columns)[0]
    if rows_before < settings.file_min_rows:
        return []
    ours, allowed = {file.number: file for file in files}, settings.emptied_share
    results = []
    counted = _count_given(con, "judged", columns, by="file_no")
    for number, rows, *now in (row for row in counted if row[0] in ours):
        for column, here, earlier in zip(columns, now, before, strict=True):
            share, usual = here / rows, earlier / rows_before
            if usual * rows < EXPECTED_VALUES or column not in ours[number].columns:
                continue
            kept = share / usual
            told: dict[str, Any] = {"share": share, "before": usual, "rows_before": rows_before}
            results.append(
                weigh_rule(ours[number], rule, column, rows, kept, allowed, is_broken=kept < allowed, **told)
            )
    return results


def _measure_distributions(
    con: duckdb.DuckDBPyConnection, table: str, files: Sequence[FileFacts], rule: FileRule, settings: Validation
) -> list[FileResult]:
    facts = dictionary.load_tables()[table]
    columns = [
        c
        for c in facts.source_columns
        if dictionary.columns()[c].type in ("number", "integer") and c not in facts.key and c not in NOT_COMPARED
    ]
    listed = ", ".join(f'"{c}"::double as "{c}"' for c in columns)
    before = con.execute(f"select {listed} from raw.{table} order by content_hash limit {SAMPLE}").df()
    if len(before) < settings.file_min_rows:
        return []
    results = []
    for file in files:
        now = con.execute(
            f"select {listed} from judged where file_no = ? order by content_hash limit {SAMPLE}", [file.number]
        ).df()
        for column in columns:
            measured = _compare(now[column], before[column], settings)
            if measured is not None:
                hint = name_factor(measured["median"], measured["median_before"], column)
                is_broken = measured["measured"] > measured["allowed"]
                results.append(weigh_rule(file, rule, column, is_broken=is_broken, hint=hint, **measured))
    return results


def _compare(now: pd.Series[Any], before: pd.Series[Any], settings: Validation) -> dict[str, Any] | None:
    here, there = now.dropna().to_numpy(np.float64), before.dropna().to_numpy(np.float64)
    if min(len(here), len(there)) < settings.file_min_rows:
        return None
    return {
        "measured": ks_distance(here, there),
        "allowed": max(settings.distribution_distance, ks_by_chance(len(here), len(there))),
        "rows": len(here),
        "rows_before": len(there),
        "median": float(np.median(here)),
        "median_before": float(np.median(there)),
    }


OF_READING = (
    "column_unknown",
    "column_repeated",
    "encoding_assumed",
    "delimiter_assumed",
    "thousands_assumed",
    "decimals_unread",
    "older_state",
    "cable_replaced",
    "job_reopened",
    "gone_from_snapshot",
    "rows_missing",
    "closed_returned",
    "open_point_moved",
    "join_unmatched",
    "join_unread",
)
"""Rules that ask how a file was read, or of each of its rows: they are put to files of any size."""

MEASURES = {
    "column_unknown": _find_unknown_columns,
    "column_repeated": _find_repeated_columns,
    "encoding_assumed": _find_assumed_encodings,
    "delimiter_assumed": _find_assumed_delimiters,
    "thousands_assumed": find_assumed_thousands,
    "decimals_unread": find_unread_decimals,
    "older_state": find_older_states,
    "cable_replaced": find_new_cables,
    "job_reopened": find_reopened_jobs,
    "gone_from_snapshot": find_gone_rows,
    "rows_missing": find_missing_rows,
    "closed_returned": find_returned_rows,
    "open_point_moved": find_moved_open_points,
    "join_unmatched": _find_unjoined,
    "join_unread": _find_unread_beside,
    "orphan_share": _measure_orphans,
    "column_absent": _find_absent_columns,
    "column_emptied": _measure_emptied_columns,
    "distribution_shifted": _measure_distributions,
}
