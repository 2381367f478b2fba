"""What the commas and points in a file's numbers may mean: thousands that were assumed, decimals that were not read."""

from collections.abc import Sequence

import duckdb

from pipelines.validation.file_results import FileFacts, FileResult, break_rule
from pipelines.validation.file_rules import FileRule
from shared import dictionary
from shared.settings import Validation

NAMES = {",": "comma", ".": "point"}


def find_assumed_thousands(
    con: duckdb.DuckDBPyConnection, table: str, files: Sequence[FileFacts], rule: FileRule, settings: Validation
) -> list[FileResult]:
    """Numbers such as 1,250 read as thousands, where nobody states the decimal mark and no other number proves it.

    Checked by: tests/unit/test_validation_file_rules.py (through load_paths)
    """
    del settings
    found = []
    for file in (f for f in files if f.decimal is None):
        for column in _columns_with(con, table, file, ",", ("number",)):
            row = con.execute(f"""
                select count(*) filter (regexp_full_match(t, '[+-]?\\d{{1,3}},\\d{{3}}')),
                    count(*) filter (contains(t, '.') or regexp_full_match(t, '.*,.*,.*')),
                    any_value(t) filter (regexp_full_match(t, '[+-]?\\d{{1,3}},\\d{{3}}'))
                from (select {file.texts[column]} as t from {file.view} as r)
                where contains(t, ',') or (contains(t, '.') and t similar to '[+-]?[0-9,]*[.][0-9]+')
            """).fetchone()
            if row and row[0] and not row[1]:
                found.append(break_rule(file, rule, row[0], column, sample=row[2]))
    return found


def find_unread_decimals(
    con: duckdb.DuckDBPyConnection, table: str, files: Sequence[FileFacts], rule: FileRule, settings: Validation
) -> list[FileResult]:
    """Columns in which more numbers can be read with the other decimal mark alone than bear the one in force.

    Checked by: tests/unit/test_validation_file_rules.py (through load_paths)
    """
    del settings
    found = []
    for file in files:
        mark = file.decimal or "."
        other = "," if mark == "." else "."
        for column in _columns_with(con, table, file, other, ("number", "integer")):
            row = con.execute(f"""
                select count(*) filter ({_with_mark("t", other)} and not {_grouped("t", other)}),
                    count(*) filter ({_with_mark("t", mark)}),
                    any_value(t) filter ({_with_mark("t", other)} and not {_grouped("t", other)})
                from (select {file.texts[column]} as t from {file.view} as r)
            """).fetchone()
            if row and row[0] > row[1]:
                remedy = (
                    f"change decimal to '{other}' in the mapping"
                    if file.decimal
                    else f"state decimal = '{other}' in a mapping (loopwear draft-mapping FILE)"
                )
                found.append(
                    break_rule(
                        file, rule, row[0], column, sample=row[2], mark=NAMES[mark], other=NAMES[other], remedy=remedy
                    )
                )
    return found


def _columns_with(
    con: duckdb.DuckDBPyConnection, table: str, file: FileFacts, mark: str, types: tuple[str, ...]
) -> list[str]:
    """Columns of numbers of a file in which a mark stands; one look at all is quick, and few files have any."""
    facts = dictionary.columns()
    present = [
        c for c in dictionary.load_tables()[table].source_columns if facts[c].type in types and file.cells.get(c)
    ]
    if not present:
        return []
    tests = (" or ".join(f"contains({cell}, '{mark}')" for cell in file.cells[c]) for c in present)
    looked = ", ".join(f"count(*) filter ({test})" for test in tests)
    counted = con.execute(f"select {looked} from {file.view} as r").fetchone() or ()
    return [c for c, n in zip(present, counted, strict=True) if n]


def _with_mark(text: str, mark: str) -> str:
    """SQL that says whether a text is a number with decimals after a mark, its thousands after the other one."""
    thousands = "." if mark == "," else ","
    return f"regexp_full_match({text}, '[+-]?(\\d+|\\d{{1,3}}([{thousands}]\\d{{3}})+)[{mark}]\\d+')"


def _grouped(text: str, mark: str) -> str:
    """SQL that says whether a mark can stand for thousands in a text."""
    return f"regexp_full_match({text}, '[+-]?\\d{{1,3}}([{mark}]\\d{{3}})+')"
