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
