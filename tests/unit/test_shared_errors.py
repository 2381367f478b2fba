"""The one error a user sees: what, where, what to do; and the nearest known word."""

from __future__ import annotations

from shared.errors import UserError, suggest_name


def test_an_error_says_what_where_and_what_to_do() -> None:
    fault = UserError("the cell holds 'abc'", "jobs.csv, row 7, column revision", "write a whole number")
    assert str(fault) == (
        "the cell holds 'abc'\n  where: jobs.csv, row 7, column revision\n  to do: write a whole number"
    )
    assert (fault.what, fault.where, fault.remedy) == (
        "the cell holds 'abc'",
        "jobs.csv, row 7, column revision",
        "write a whole number",
    )


def test_the_nearest_known_word_is_named() -> None:
    assert suggest_name("insulaton", ["insulation", "neutral"]) == "did you mean 'insulation'?"
    assert suggest_name("from_terminal", ["from_terminal_id", "to_terminal_id", "x"]) == (
        "did you mean 'from_terminal_id' or 'to_terminal_id'?"
    )


def test_where_none_is_near_all_are_named_in_order() -> None:
    assert suggest_name("zzz", ["beta", "alpha"]) == "known: alpha, beta"


def test_of_a_thousand_known_words_some_are_named_or_those_with_that_ending() -> None:
    many = [f"OB-L{n:04d}-T02" for n in range(1000)]
    told = suggest_name("zzz", many)
    assert told.startswith("known: OB-L0000-T02, OB-L0001-T02") and told.endswith(" and 960 more")
    assert suggest_name("T02", many) == "did you mean 'OB-L0000-T02' or 'OB-L0001-T02' or 'OB-L0002-T02'?"
