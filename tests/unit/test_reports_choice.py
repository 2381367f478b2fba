"""A choice is read from an address, held to the data, and written back in one way."""

from __future__ import annotations

import datetime as dt

import pytest

from reports.choice import EVERYTHING, Choice, Known, compared_with, in_words, period_words, read_choice, to_query
from shared.errors import UserError

KNOWN = Known(
    ("OB", "TF"), ("XLPE/bare/buried",), ("R-01", "R-02"), (), dt.date(2012, 3, 1), dt.date(2025, 12, 31)
)  # fmt: skip


@pytest.mark.parametrize(
    ("query", "first", "last"),
    [
        ("from=2025&to=2025", "2025-01-01", "2025-12-31"),
        ("from=2024-02&to=2024-02", "2024-02-01", "2024-02-29"),
        ("from=2024-02-10&to=2024-03-09", "2024-02-10", "2024-03-09"),
        ("from=2025-Q1&to=2025-Q2", "2025-01-01", "2025-06-30"),
        ("period=2025-Q3", "2025-07-01", "2025-09-30"),
        ("period=2024-02", "2024-02-01", "2024-02-29"),
        ("period=2025", "2025-01-01", "2025-12-31"),
        ("period=2024-Q4..2025-02-10", "2024-10-01", "2025-02-10"),
    ],
)
def test_a_year_a_quarter_a_month_and_a_day_are_read_from_their_first_to_their_last_day(
    query: str, first: str, last: str
) -> None:
    choice = read_choice(query, KNOWN)
    assert (str(choice.first), str(choice.last)) == (first, last)
    assert to_query(choice) == f"from={first}&to={last}"


def test_a_choice_comes_back_from_its_own_address() -> None:
    query = "units=imperial&district=TF&district=OB&district=OB&class=XLPE/bare/buried&from=2025-01&to=2025-06"
    choice = read_choice(query + "&against=previous&instrument=R-01", KNOWN)
    assert choice.districts == ("OB", "TF")
    assert choice.parts == ("district", "period", "class", "instrument")
    assert read_choice(to_query(choice), KNOWN) == choice
    assert in_words(choice, KNOWN) == (
        "districts OB, TF; class XLPE/bare/buried; instrument R-01, reported January to June 2025"
    )


def test_nothing_chosen_is_everything() -> None:
    assert read_choice("district=&from=&paper=A4", KNOWN, ignored=("paper",)) == EVERYTHING
    assert to_query(EVERYTHING) == "" and EVERYTHING.parts == ()
    assert in_words(EVERYTHING, KNOWN) == "all districts, reported March 2012 to December 2025"


def test_a_part_left_open_takes_its_comparison_along() -> None:
    choice = read_choice("district=OB&from=2025&against=previous", KNOWN)
    assert choice.without(("period",)) == Choice(districts=("OB",))
    assert choice.without(("district",)).districts == () and choice.without(("district",)).first == dt.date(2025, 1, 1)


@pytest.mark.parametrize(
    ("query", "first", "last"),
    [
        ("from=2025-01&to=2025-06&against=previous", "2024-07-01", "2024-12-31"),
        ("from=2025-01&to=2025-06&against=last_year", "2024-01-01", "2024-06-30"),
        ("from=2024-02&to=2024-02&against=last_year", "2023-02-01", "2023-02-28"),
        ("from=2025-02&to=2025-02&against=last_year", "2024-02-01", "2024-02-29"),
        ("from=2025-03-11&to=2025-03-20&against=previous", "2025-03-01", "2025-03-10"),
        ("from=2025&against=previous", "2024-01-01", "2024-12-31"),
        ("from=2025&against=2019..2020-06", "2019-01-01", "2020-06-30"),
    ],
)
def test_a_period_is_compared_with(query: str, first: str, last: str) -> None:
    other = compared_with(read_choice(query, KNOWN), KNOWN)
    assert (str(other.first), str(other.last), other.against) == (first, last, "")


@pytest.mark.parametrize(
    ("query", "what", "remedy"),
    [
        ("district=OC", "unknown district 'OC'", "known: OB, TF"),
        ("distrct=OB", "unknown choice 'distrct'", "did you mean 'district'?"),
        ("crew=C1", "crews are not shown", "switch them on with restoration.show_crews, then refresh"),
        (
            "from=2025-13",
            "'2025-13' is no day",
            "write a year, a quarter, a month or a day: 2025, 2025-Q1, 2025-03, 2025-03-14",
        ),
        (
            "from=2025-00",
            "'2025-00' is no day",
            "write a year, a quarter, a month or a day: 2025, 2025-Q1, 2025-03, 2025-03-14",
        ),
        ("period=2025-Q5", "'2025-Q5' is no day", "write a year, a quarter, a month or a day: 2025, 2025-Q1"),
        ("period=2025&to=2025", "a period is given beside from or to", "give period=, or from= and to="),
        ("period=2025..2024", "the period ends 2024-12-31 before it begins 2025-01-01", "exchange the two"),
        ("from=2025&to=2024", "the period ends 2024-12-31 before it begins 2025-01-01", "exchange the two"),
        ("from=2025&from=2024", "'from' is given 2 times", "give it once"),
        ("against=previous", "a comparison needs a period", "give from= (and to=) as well"),
        ("units=feet", "unknown units 'feet'", "known: imperial, metric"),
        ("from=2025&against=then", "unknown comparison 'then'", "previous, last_year, or a period such as"),
        (f"district={'x' * 3000}", "the choice has 3009 characters", "at most 2000 are read"),
    ],
)
def test_a_choice_that_cannot_be_read_says_why(query: str, what: str, remedy: str) -> None:
    with pytest.raises(UserError) as fault:
        read_choice(query, KNOWN)
    assert fault.value.what == what
    assert remedy in fault.value.remedy


@pytest.mark.parametrize(
    ("first", "last", "words"),
    [
        ("2025-01-01", "2025-12-31", "2025"),
        ("2019-01-01", "2025-12-31", "2019 to 2025"),
        ("2025-01-01", "2025-06-30", "January to June 2025"),
        ("2025-02-01", "2025-02-28", "February 2025"),
        ("2024-07-01", "2025-06-30", "July 2024 to June 2025"),
        ("2025-03-03", "2025-03-03", "3 March 2025"),
        ("2025-03-03", "2025-04-09", "3 March 2025 to 9 April 2025"),
    ],
)
def test_a_period_is_said_as_short_as_it_can_be(first: str, last: str, words: str) -> None:
    assert period_words(dt.date.fromisoformat(first), dt.date.fromisoformat(last)) == words
