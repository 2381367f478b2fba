"""The dictionary says every column once, and everything else follows it."""

from __future__ import annotations

import ast
import re
from pathlib import Path

import pytest

from pipelines import warehouse
from shared import dictionary
from shared.dictionary import lineage
from shared.dictionary.__main__ import PAGE, describe_dictionary
from shared.dictionary.__main__ import main as dictionary_command

ROOT = Path(__file__).resolve().parents[2]

UNIT_SUFFIX = {"_m": "m", "_km": "km", "_min": "min", "_kv": "kV"}


def test_every_column_of_every_table_is_said_and_every_said_column_is_used() -> None:
    used = {c for table in dictionary.tables().values() for c in table.columns} | set(dictionary.PROVENANCE)
    assert used - set(dictionary.columns()) == set()
    assert set(dictionary.columns()) - used == set()


def test_keys_required_and_wanted_are_columns_of_their_table() -> None:
    for table in dictionary.tables().values():
        named = {*table.key, *table.required, *table.wanted, *table.derived, *(name for name, _ in table.meanings)}
        assert named <= set(table.columns), table.name


def test_codes_and_caveats_exist() -> None:
    for column in dictionary.columns().values():
        assert column.codes is None or column.codes in dictionary.codes(), column.name
    for table in dictionary.tables().values():
        assert set(table.caveats) <= set(dictionary.caveats()), table.name


def test_names_carry_their_unit() -> None:
    for column in dictionary.columns().values():
        for suffix, unit in UNIT_SUFFIX.items():
            if column.name.endswith(suffix) and column.type == "number":
                assert column.unit is not None and unit in column.unit, f"{column.name} [{column.unit}]"
        if column.name.endswith("_at"):
            assert column.type == "instant", column.name
        if column.name.endswith("_on") and column.name != "installed_on":
            assert column.type == "date", column.name


def test_every_sql_model_is_in_the_dictionary() -> None:
    assert set(warehouse.models()) - set(dictionary.tables()) == set()


def test_every_table_but_raw_ones_is_made_in_one_place() -> None:
    for table in dictionary.tables().values():
        assert [bool(table.made_by), table.name in warehouse.models(), table.layer == "raw"].count(True) == 1, (
            table.name
        )
        for maker in filter(None, (table.made_by, *dict(table.column_makers).values())):
            assert lineage.find_line(maker), f"{table.name}: {maker} is not there"


def _patterns(maker: str) -> set[str]:
    """Every text and name in the code of a function and of what it calls within its file; f-strings as patterns."""
    path, _, start = maker.partition(":")
    tree = ast.parse((ROOT / path).read_text(encoding="utf-8"))
    parts = {node.name: node for node in tree.body if isinstance(node, (ast.FunctionDef, ast.ClassDef))}
    values = {t.id: node.value for node in tree.body if isinstance(node, ast.Assign) for t in node.targets
              if isinstance(t, ast.Name)}  # fmt: skip
    found: set[str] = set()
    open_ends: list[ast.AST | None] = [lineage.find_function(tree, start)]
    seen: set[str] = {start}
    while open_ends:
        for node in ast.walk(open_ends.pop() or ast.Pass()):
            if isinstance(node, ast.Constant) and isinstance(node.value, str):
                found |= {re.escape(node.value), *re.findall(r"\w+", node.value if "\n" in node.value else "")}
            elif isinstance(node, ast.keyword) and node.arg:
                found.add(re.escape(node.arg))
            elif isinstance(node, ast.Attribute):
                found.add(re.escape(node.attr))
            elif isinstance(node, ast.AnnAssign) and isinstance(node.target, ast.Name):
                found.add(re.escape(node.target.id))
            elif isinstance(node, ast.JoinedStr):
                found.add("".join(re.escape(v.value) if isinstance(v, ast.Constant) else r"\w+" for v in node.values))
            elif isinstance(node, ast.Name) and node.id in {**parts, **values} and node.id not in seen:
                seen.add(node.id)
                open_ends.append({**values, **parts}[node.id])
    return found


def test_every_exported_column_is_in_the_code_that_is_said_to_make_it() -> None:
    """In a SQL model a line of the last select names it; a function, or what it calls in its file, names it."""
    lost = []
    for table in dictionary.export_tables().values():
        for column in table.columns:
            maker = lineage.maker_of(table, column)
            if maker.endswith(".sql"):
                there = lineage.find_line(maker, column) > 0
            else:
                there = any(re.fullmatch(p, column) for p in _patterns(maker))
            if not there:
                lost.append(f"{table.name}.{column}: {maker}")
    assert lost == []


def test_the_command_leads_from_a_column_to_its_code(capsys: pytest.CaptureFixture[str]) -> None:
    assert dictionary_command(["where", "rate_per_100km_year"]) == 0
    told = capsys.readouterr().out
    assert "marts.class_survival (exported)\n  made by pipelines/survival/rates.py:tabulate_classes" in told
    assert dictionary_command(["where", "no_such_column"]) == 1
    assert capsys.readouterr().err.startswith("no table has a column no_such_column")


def test_the_page_is_made_from_the_dictionary() -> None:
    assert PAGE.read_text(encoding="utf-8") == describe_dictionary(), "run: python -m shared.dictionary"


def test_meanings_are_written_as_one_phrase() -> None:
    for column in dictionary.columns().values():
        assert not re.search(r"\.$|\n", column.meaning), column.name
