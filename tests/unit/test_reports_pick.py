"""The list of an address, and what its items mean."""

from __future__ import annotations

from typing import ClassVar
from urllib.parse import parse_qsl

import pandas as pd
import pytest

from reports.pages.pick import ITEMS_AT_MOST, Asked, make_asked, read_asked, resolve
from shared.errors import UserError


class Register:
    """Marts of two loops: A with two sections in service and one retired, B with none."""

    TABLES: ClassVar = {
        "staging.loops": pd.DataFrame({"loop_id": ["A", "B"]}),
        "marts.section_options": pd.DataFrame({"section_id": ["A-1", "A-2"], "loop_id": ["A", "A"]}),
        "core.section_exposure": pd.DataFrame(
            {"section_id": ["A-1", "A-2", "A-0"], "retired_on": pd.to_datetime([None, None, "2020-05-04"])}
        ),
    }

    def read_only(self, name: str, column: str, values: list[str]) -> pd.DataFrame:
        table = self.TABLES[name]
        return table[table[column].isin(values)]

    def holding(self, name: str, column: str, text: str, rows: int) -> list[str]:
        return [value for value in self.TABLES[name][column] if text in value][:rows]


def test_an_address_says_items_once_years_and_a_search() -> None:
    assert read_asked("items=B,A,B&items=A,C&years=10&find= x ") == Asked(("B", "A", "C"), 10, "x")
    assert read_asked("") == Asked() and Asked().query == ""
    asked = Asked(("B", "A 1"), 10)
    assert asked.query == "items=B,A+1&years=10"
    assert read_asked(asked.query) == asked and dict(parse_qsl(asked.query))["items"] == "B,A 1"


@pytest.mark.parametrize(
    ("query", "said"),
    [
        ("item=A", "unknown choice 'item': the address: did you mean: items"),
        ("items=A&years=0", "'0' is no horizon"),
        ("items=A&years=41", "'41' is no horizon"),
        ("items=A&years=0000000001000", "'0000000001000' is no horizon"),
        ("items=A&years=ten", "'ten' is no horizon"),
        ("items=" + ",".join(map(str, range(ITEMS_AT_MOST + 1))), f"the list has {ITEMS_AT_MOST + 1} items"),
    ],
)
def test_a_list_that_cannot_be_read_says_why(query: str, said: str) -> None:
    with pytest.raises(UserError) as fault:
        read_asked(query)
    assert fault.value.what == said.partition(":")[0]


def test_files_are_named_by_their_list() -> None:
    assert make_asked(["OB-1", "../x"], "10").stem == "pick-OB-1_..-x_10-years"
    long = [make_asked([f"OB-L{n:04d}" for n in range(first, first + 40)]).stem for first in (0, 40)]
    assert len(set(long)) == 2 and max(map(len, long)) < 60


def test_a_loop_is_its_sections_and_what_is_beside_it_counts_once() -> None:
    picked = resolve(Register(), ("A-2", "A"))
    assert picked.items == {"A": ["A-1", "A-2"]}
    assert picked.told == ("A-2 is in A, which is on the list: it counts once.",)
    assert resolve(Register(), ("A-2", "A-1")).section_ids == ["A-2", "A-1"]


def test_what_does_not_count_is_told_in_words() -> None:
    picked = resolve(Register(), ("A-0", "B", "A-9"))
    assert picked.items == {}
    assert picked.told[:2] == (
        "A-0 left service on 4 May 2020: it is not counted.",
        "B has no cable in service that ranks: it is not counted.",
    )
    assert picked.told[2].startswith("There is no loop or section A-9; ") and "A-1" in picked.told[2]
