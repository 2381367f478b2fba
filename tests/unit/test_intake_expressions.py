"""Expressions of derived headers: what may stand in one, and what they make of the texts of a row."""

from __future__ import annotations

import pytest

from pipelines.intake.expressions import FUNCTIONS, ExpressionError, parse_expression

COMMON = "use headers, texts, numbers, + - * / and " + ", ".join(FUNCTIONS)


@pytest.mark.parametrize(
    "text, headers, kind",
    [
        ("split([Incident], '-', 2)", ("Incident",), "text"),
        ("join([A], ' [x] ', [B  B], [A])", ("A", "B B"), "text"),
        ("([A] + 2) * -[B] / 3", ("A", "B"), "number"),
        ("lookup([Kind], {'K': 'cable'}, 'other')", ("Kind",), "text"),
        ("minutes_between([A], [B], '%d/%m/%Y %H:%M')", ("A", "B"), "number"),
        ("plus_minutes([A], [B] * 60)", ("A", "B"), "stamp"),
        ("coalesce(trim([A], '#'), upper([B]))", ("A", "B"), "text"),
    ],
)
def test_an_expression_names_its_headers_and_the_kind_of_its_value(
    text: str, headers: tuple[str, ...], kind: str
) -> None:
    parsed = parse_expression(text)
    assert (parsed.headers, parsed.kind) == (headers, kind)


@pytest.mark.parametrize(
    "text, what, remedy",
    [
        ("splt([A], '-', 1)", "there is no function 'splt'", "did you mean 'split'?"),
        (
            "split([A], '-', 0)",
            "split is not written so",
            "write it so: split([A], '-', 2): the second part between the marks; -1 the last",
        ),
        (
            "split([A], [B], 1)",
            "split is not written so",
            "write it so: split([A], '-', 2): the second part between the marks; -1 the last",
        ),
        ("upper([A], [B])", "upper is not written so", "write it so: upper([A])"),
        ("Incident + 1", "'Incident' is neither a header nor a text", "write [Incident] or 'Incident'"),
        ("h0 + 1", "'h0' is neither a header nor a text", "write [h0] or 'h0'"),
        ("[A] + 'm'", "''m'' is no number", "use minutes_between and plus_minutes for stamps, join for texts"),
        ("[A] ** 2", "'h0 ** 2' is not allowed in it", COMMON),
        ("[A].real", "'h0.real' is not allowed in it", COMMON),
        ("True", "'True' is not allowed in it", COMMON),
        ("__import__('os').system('x')", "'__import__('os').system('x')' is not allowed in it", COMMON),
        (
            "split([A], '-'",
            "it cannot be parsed",
            "write headers in brackets, texts in single quotes: split([Incident], '-', 2)",
        ),
        ("1" + " + 1" * 101, "it has too many parts", "derive it in several steps"),
        ("'" + "x" * 2000 + "'", "it is too long", "keep it under 2000 characters, or derive it in two steps"),
    ],
)
def test_an_expression_that_may_not_stand_is_refused_with_the_cure(text: str, what: str, remedy: str) -> None:
    with pytest.raises(ExpressionError) as caught:
        parse_expression(text)
    assert (caught.value.what, caught.value.remedy) == (what, remedy)
