"""Expressions of derived headers: what may stand in one, and what they make of the texts of a row."""

from __future__ import annotations

import datetime as dt

import duckdb
import pytest

from pipelines.intake.expression_sql import Marks, derived_sql
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
        ("[A] * 1e999", "'1e309' is not allowed in it", COMMON),
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


CHANGE = dt.date(2018, 3, 11)
WALL = Marks(days=(CHANGE,))
CHICAGO = Marks(zone="America/Chicago", days=(CHANGE,))


@pytest.mark.parametrize(
    "text, cells, marks, made",
    [
        ("split([A], '-', 2)", ["J1- 7 -x"], Marks(), "7"),
        ("split([A], '-', -1)", ["J1-7-x"], Marks(), "x"),
        ("split([A], '-', 4)", ["J1-7-x"], Marks(), None),
        ("join([A], '-', [B])", ["OB", "12"], Marks(), "OB-12"),
        ("join([A], '-', [B])", ["OB", None], Marks(), None),
        ("join([A], [B] * 2)", ["OB", "1.25"], Marks(), "OB2.5"),
        ("coalesce([A], [B], 'none')", [None, None], Marks(), "none"),
        ("trim([A], '#')", ["##7#"], Marks(), "7"),
        ("upper([A])", ["ob"], Marks(), "OB"),
        ("lookup([A], {'K ': 'cable'})", ["k"], Marks(), "cable"),
        ("lookup([A], {'K': 'cable'})", ["q"], Marks(), "q"),
        ("lookup([A], {'K': 'cable'}, 'other')", ["q"], Marks(), "other"),
        ("lookup([A], {'K': 'cable'}, 'other')", [None], Marks(), None),
        ("[A] + [B] / 12", ["1,250", "6"], Marks(), "1250.5"),
        ("[A] * 0.1", ["3"], Marks(), "0.3"),
        ("[A] * 0.1", ["2,5"], Marks(","), "0,25"),
        ("-[A] - 2", ["3"], Marks(), "-5"),
        ("[A] / [B]", ["3", "0"], Marks(), "3 0"),  # no number: it will be listed as unreadable
        ("[A] + [B]", ["3", None], Marks(), None),
        ("[A] + coalesce([B], 0)", ["3", None], Marks(), "3"),
        ("[A] + [B]", ["3m", None], Marks(), "3m"),
        ("minutes_between([A], [B])", ["2018-01-10 23:50", "2018-01-11 00:05:30"], WALL, "15.5"),
        ("minutes_between([A], [B])", ["2018-03-11 01:30", "2018-03-11 03:30"], CHICAGO, "60"),
        # of two times on the wall nobody knows whether the hour between them was skipped
        (
            "minutes_between([A], [B])",
            ["2018-03-10 01:30", "2018-03-12 03:30"],
            WALL,
            "2018-03-10 01:30 2018-03-12 03:30",
        ),
        ("minutes_between([A], [B])", ["2018-01-10T10:00Z", "2018-01-10T10:00-06:00"], WALL, "360"),
        ("minutes_between([A], [B], '%d.%m.%y %H:%M')", ["10.1.18 10:00", "10.1.18 10:30"], WALL, "30"),
        ("plus_minutes([A], [B])", ["2018-01-10 23:50", "15.5"], WALL, "2018-01-11 00:05:30"),
        ("plus_minutes([A], -[B] * 60)", ["2018-01-10 23:50", "1"], CHICAGO, "2018-01-11 04:50:00Z"),
        ("plus_minutes([A], [B])", ["2018-01-10T23:50-06:00", "10"], WALL, "2018-01-11 06:00:00Z"),
        ("plus_minutes([A], [B])", ["2018-03-11 01:30", "60"], WALL, "2018-03-11 01:30 60"),
        # half past two was skipped that night
        ("plus_minutes([A], [B])", ["2018-03-11 02:30", "60"], CHICAGO, "2018-03-11 02:30 60"),
        ("plus_minutes(plus_minutes([A], [B]), [B])", ["2018-01-10 10:00", "30"], WALL, "2018-01-10 11:00:00"),
        ("plus_minutes([A], [B])", ["2018-01-10 10:00", "1e300"], WALL, "2018-01-10 10:00 1e300"),
        (
            "minutes_between([A], plus_minutes([A], [B], '%d/%m/%Y %H:%M'), '%d/%m/%Y %H:%M')",
            ["10/01/2018 10:00", "30"],
            WALL,
            "30",
        ),
    ],
)
def test_an_expression_makes_a_text_of_the_texts_of_a_row(
    text: str, cells: list[str | None], marks: Marks, made: str | None
) -> None:
    expression = parse_expression(text)
    names = {f"h{i}": f"h{i}" for i in range(len(expression.headers))}
    values = [cells["AB".index(h)] for h in expression.headers]
    with duckdb.connect() as con:
        con.execute("set timezone = 'UTC'")
        given = ", ".join(f"?::varchar as {name}" for name in names)
        found = con.execute(f"select {derived_sql(expression, names, marks)} from (select {given})", values).fetchone()
    assert found == (made,)
