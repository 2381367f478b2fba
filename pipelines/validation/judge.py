"""Puts the rules to the typed rows of a load and writes down every finding."""

from collections.abc import Iterator

import duckdb
import numpy as np
import pandas as pd

from pipelines.validation.facts import FactsPlan, plan_facts
from pipelines.validation.register import draw_register
from pipelines.validation.rules import RULES, Listed, NotBefore, Rule, Within, emptied_columns
from pipelines.validation.suite import run_suite
from shared import dictionary
from shared.arrays import Integers
from shared.store import quoted

ROWS_AT_ONCE = 500_000
"""Rows judged at once at most; fewer where little memory is allowed."""
ROWS_A_GB = 200_000
"""Rows judged at once for each GB that the warehouse may use: their facts take about a tenth of it."""
FORMS = {
    "number": "a number",
    "integer": "a whole number",
    "date": "a date such as 2019-04-30",
    "instant": "a time such as 2019-04-30 14:05",
    "boolean": "true or false",
    "text": "a text without a zero byte",
}


def judge_rows(
    con: duckdb.DuckDBPyConnection,
    table: str,
    rules: tuple[Rule, ...],
    texts: str,
    *,
    date_only: frozenset[str],
    now: float,
    insulations: tuple[str, ...] = (),
    memory_gb: float = 2.5,
) -> None:
    """Judge the rows of the temporary view ``judged`` and fill the temporary table ``new_findings``.

    Parameters
    ----------
    table
        Source table the rows are meant for.
    rules
        Rules in force, from rules_for.
    texts
        SQL that gives, for rows of ``failing (rid)``, rid and the text of each of told_columns as received.
    date_only, now
        As for plan_facts.
    insulations
        Insulation codes beyond the dictionary's.
    memory_gb
        Memory that the warehouse may use, GB: the less, the fewer rows are judged at once.

    Notes
    -----
    Checked by: tests/unit/test_validation_rules.py (through load_paths)
    """
    con.execute(
        'create or replace temp table new_findings (rid BIGINT, rule VARCHAR, severity VARCHAR, "column" VARCHAR, '
        '"value" VARCHAR, message VARCHAR)'
    )
    registered = draw_register(con, table)
    plan = plan_facts(table, date_only, registered=registered, now=now)
    rules = tuple(rule for rule in rules if _can_fail(rule, plan))
    at_once = min(ROWS_AT_ONCE, int(ROWS_A_GB * memory_gb))
    failed = _find_failed(con, table, plan, rules, at_once)
    if not any(len(rows) for rows in failed.values()):
        return
    con.execute("create or replace temp table failed_rules (rid BIGINT, rule VARCHAR)")
    for name, rows in failed.items():
        if len(rows):
            # A registered frame would stay in memory until the transaction ends.
            con.from_df(pd.DataFrame({"rid": rows, "rule": pd.Categorical([name]).repeat(len(rows))})).insert_into(
                "failed_rules"
            )
    con.execute("create or replace temp table failing as select distinct rid from failed_rules")
    con.execute(f"create or replace temp table failing_texts as {texts}")
    _write_forms(con, table, insulations)
    for rule in rules:
        if len(failed[rule.name]):
            con.execute(f"insert into new_findings {_findings_sql(table, rule, plan)}")


def told_columns(table: str) -> tuple[str, ...]:
    """Columns of a table that a finding may tell the text of: all but free texts, which may be long.

    A free text is no code, no id, not required and what no rule points at.
    """
    facts = dictionary.load_tables()[table]
    pointed = {rule.column for rule in RULES if table in rule.tables} | {*facts.key, *facts.required}
    return tuple(
        c
        for c in facts.source_columns
        if c in pointed or c.endswith("_id") or dictionary.columns()[c].type != "text" or dictionary.columns()[c].codes
    )


def _find_failed(
    con: duckdb.DuckDBPyConnection, table: str, plan: FactsPlan, rules: tuple[Rule, ...], at_once: int
) -> dict[str, Integers]:
    """Rows that fail each rule; the facts come in parts, so that memory does not grow with the file."""
    parts = [run_suite(table, facts, rules) for facts in _draw_facts(con, plan, rules, at_once)]
    none = np.empty(0, dtype=np.int64)
    return {rule.name: np.sort(np.concatenate([none, *(part[rule.name] for part in parts)])) for rule in rules}


def _can_fail(rule: Rule, plan: FactsPlan) -> bool:
    """Whether the table has a column the rule could find fault with at all."""
    fact = rule.demand.later if isinstance(rule.demand, NotBefore) else rule.demand.fact
    return plan.facts[fact] not in ("null::varchar", "true")


def _draw_facts(
    con: duckdb.DuckDBPyConnection, plan: FactsPlan, rules: tuple[Rule, ...], at_once: int
) -> Iterator[pd.DataFrame]:
    """Frames of facts, at_once rows or so each, indexed by row."""
    wanted: dict[str, str] = {}
    for rule in rules:
        demand = rule.demand
        if isinstance(demand, NotBefore):
            wanted[demand.later], wanted[demand.earlier] = plan.facts[demand.later], plan.facts[demand.earlier]
        elif isinstance(demand, Listed):
            wanted[demand.fact] = f"({plan.facts[demand.fact]}) is null"
        elif isinstance(demand, Within):
            wanted[demand.fact] = f"({plan.facts[demand.fact]})::double"
        else:
            wanted[demand.fact] = f"coalesce(({plan.facts[demand.fact]}), true)"
    listed = ", ".join(f"{sql} as {fact}" for fact, sql in wanted.items())
    drawn = con.execute(f"select j.rid, {listed} from judged as j{plan.joins}")
    while len(facts := drawn.fetch_df_chunk(max(at_once // duckdb.__standard_vector_size__, 1))):
        yield facts.set_index("rid").rename_axis(None)


def _write_forms(con: duckdb.DuckDBPyConnection, table: str, insulations: tuple[str, ...]) -> None:
    """What each column should look like, in words, and the bound it must not fall below."""
    rows = []
    for name in dictionary.load_tables()[table].source_columns:
        facts = dictionary.load_tables()[table].column(name)
        codes = list(dictionary.codes()[facts.codes]) if facts.codes else []
        codes += [c for c in insulations if name == "insulation" and c not in codes]
        form = "one of " + ", ".join(codes) if codes else FORMS[facts.type]
        rows.append((name, form, None if facts.low is None else f"{facts.low:g}"))
    con.register("forms_to_write", pd.DataFrame(rows, columns=["column", "form", "bound"], dtype="object"))
    con.execute('create or replace temp table column_forms as select "column", form, bound from forms_to_write')
    con.unregister("forms_to_write")


def _findings_sql(table: str, rule: Rule, plan: FactsPlan) -> str:
    columns = told_columns(table)
    if isinstance(rule.demand, Listed):
        culprits = plan.facts[rule.demand.fact]
    else:
        culprits = plan.culprits.get(rule.name, f"'{rule.column}'")
    texts = " ".join(f"when '{c}' then x.\"{c}\"" for c in columns)
    keys = ", ".join(f'x."{c}"' for c in dictionary.load_tables()[table].key)
    value = {
        "row_malformed": "f.fault",
        "key_repeated": f"concat_ws(' / ', {keys})",
        "length_not_positive": 'x."length_m"'
        if "length_m" in columns
        else 'x."known_length_m"'
        if "known_length_m" in columns
        else "concat_ws(' to ', x.from_m, x.to_m)",
    }.get(rule.name, f'case f."column" {texts} end')
    severity = quoted(rule.severity)
    if rule.severity == "empty":
        spared = ", ".join(map(quoted, emptied_columns(rule, table)))
        severity = f"case when f.\"column\" in ({spared}) then 'empty' else 'reject' end"
    expected = {"key_repeated": "f.repeats_row::varchar", "below_bound": "w.bound"}.get(rule.name, "f.expected")
    message = quoted(rule.message)
    for mark, shown in (
        ("{column}", "coalesce(f.\"column\", '')"),
        ("{expected}", f"coalesce({expected}, w.form, '')"),
        ("{value}", f"coalesce({value}, '')"),
    ):
        if mark in rule.message:
            message = f"replace({message}, '{mark}', {shown})"
    return f"""
        with found as (
            select j.rid, j.fault, j.repeats_row, nullif(unnest(string_split({culprits}, ',')), '') as "column",
                ({plan.expected.get(rule.name, "null")})::varchar as expected
            from judged as j{plan.joins}
            where j.rid in (select rid from failed_rules where rule = '{rule.name}')
        )
        select f.rid, '{rule.name}', {severity}, f."column", {value}, {message}
        from found as f join failing_texts as x on x.rid = f.rid
        left join column_forms as w on w."column" = f."column"
    """
