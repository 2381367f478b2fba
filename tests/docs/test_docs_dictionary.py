"""The dictionary says every column once, and everything else follows it."""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
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


def _made_names(node: ast.AST, values: dict[str, ast.expr]) -> Iterator[str]:
    """Columns that a piece of code makes, as patterns: keys, keywords, targets, fields, names of columns of a frame."""

    def patterns(expression: ast.AST | None) -> Iterator[str]:
        match expression:
            case ast.Constant(value=str(text)):
                yield re.escape(text)
            case ast.JoinedStr(values=pieces):
                yield "".join(re.escape(v.value) if isinstance(v, ast.Constant) else r"\w+" for v in pieces)
            case ast.List(elts=parts) | ast.Tuple(elts=parts):
                for part in parts:
                    yield from patterns(part.value if isinstance(part, ast.Starred) else part)
            case ast.Name(id=name) if name in values:
                yield from patterns(values[name])

    match node:
        case ast.Dict(keys=keys, values=made):
            for one in (*keys, *made):  # values: new names given by rename
                yield from patterns(one)
        case ast.Call(func=ast.Attribute(attr="rename"), args=[name]):
            yield from patterns(name)
        case ast.Call(keywords=keywords):
            for keyword in keywords:
                if keyword.arg == "columns":
                    yield from patterns(keyword.value)
                elif keyword.arg:
                    yield re.escape(keyword.arg)
        case ast.Subscript(ctx=ast.Store(), slice=target) | ast.Subscript(slice=ast.List() as target):
            yield from patterns(target)  # set, or passed on by name
        case ast.AnnAssign(target=ast.Name(id=name)):
            yield re.escape(name)


def _patterns(maker: str) -> set[str]:
    """What a function makes, and what it calls within its file; of a SQL file every name that it selects."""
    path, _, start = maker.partition(":")
    tree = ast.parse((ROOT / path).read_text(encoding="utf-8"))
    parts = {node.name: node for node in tree.body if isinstance(node, (ast.FunctionDef, ast.ClassDef))}
    values = {
        target.id: node.value
        for node in ast.walk(tree)
        if isinstance(node, ast.Assign)
        for target in node.targets
        if isinstance(target, ast.Name)
    }
    found: set[str] = set()
    open_ends: list[ast.AST] = [lineage.find_function(tree, start) or ast.Pass()]
    seen: set[str] = {start}
    while open_ends:
        for node in ast.walk(open_ends.pop()):
            found |= set(_made_names(node, values))
            if isinstance(node, ast.Name) and node.id in parts and node.id not in seen:
                seen.add(node.id)
                open_ends.append(parts[node.id])
            elif isinstance(node, ast.Attribute) and "." in start and node.attr not in seen:
                seen.add(node.attr)
                open_ends.append(lineage.find_function(tree, f"{start.partition('.')[0]}.{node.attr}") or ast.Pass())
    return found


def test_every_exported_column_is_in_the_code_that_is_said_to_make_it() -> None:
    """A line of the last select of a SQL file, a function or what it calls in its file. Keys are passed on; a function
    that tables.toml names for a column by itself names it, if only in its docstring."""
    lost = []
    for table in dictionary.export_tables().values():
        for column in (c for c in table.columns if c not in table.key):
            maker = lineage.maker_of(table, column)
            if maker.endswith(".sql"):
                there = lineage.find_line(maker, column) > 0
            elif column in dict(table.column_makers):
                path, _, name = maker.partition(":")
                tree = ast.parse((ROOT / path).read_text(encoding="utf-8"))
                made = ast.unparse(lineage.find_function(tree, name) or ast.Pass())
                there = column in re.findall(r"\w+", made) or any(re.fullmatch(p, column) for p in _patterns(maker))
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


def test_a_table_has_its_columns_in_order_with_and_without_rows() -> None:
    names = ["instrument_id", "in_service_on", "last_calibrated_on", "lead_length_m"]
    one = dictionary.make_frame("raw.instruments", [{"lead_length_m": 5.0, "instrument_id": "R-1"}])
    assert one.columns.tolist() == names and one["instrument_id"].tolist() == ["R-1"]
    empty = dictionary.stack_frames("raw.instruments", [dictionary.make_frame("raw.instruments")])
    assert empty.columns.tolist() == names and empty.empty
    both = dictionary.stack_frames("raw.instruments", [one[names[::-1]], empty, one])
    assert both.columns.tolist() == names and both.index.tolist() == [0, 1]
    assert both["lead_length_m"].tolist() == [5.0, 5.0]
