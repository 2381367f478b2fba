"""The dictionary says every column once, and everything else follows it."""

from __future__ import annotations

import re

from pipelines import warehouse
from shared import dictionary
from shared.dictionary.__main__ import PAGE, describe_dictionary

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


def test_every_mart_has_a_model() -> None:
    marts = {name for name, table in dictionary.tables().items() if table.layer in ("staging", "core", "marts")}
    assert marts - set(warehouse.models()) == set()


def test_the_page_is_made_from_the_dictionary() -> None:
    assert PAGE.read_text(encoding="utf-8") == describe_dictionary(), "run: python -m shared.dictionary"


def test_meanings_are_written_as_one_phrase() -> None:
    for column in dictionary.columns().values():
        assert not re.search(r"\.$|\n", column.meaning), column.name
