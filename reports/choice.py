"""What a page is of: districts, a period of reports, cable classes, instruments, crews, and the unit system.

A choice is read from an address (`district=OB&from=2025-01&to=2025-06&against=previous`, `period=2025-Q3`) and held to
the data.
"""

from __future__ import annotations

import calendar
import datetime as dt
import re
from collections.abc import Iterable
from dataclasses import dataclass, replace
from urllib.parse import parse_qsl, urlencode

from reports import style
from shared.errors import UserError, suggest_name

LONGEST = 2_000
"""Characters of an address's choice at most: no page needs more, and a longer one is no honest choice."""

MANY = {"district": "districts", "class": "classes", "instrument": "instruments", "crew": "crews"}
"""Keys of an address that may be given several times, and the fields that hold their values."""

SINGLE = ("from", "to", "period", "against", "units")
"""Keys of an address that are given once."""

UNITS = ("metric", "imperial")
AGAINST = ("previous", "last_year")

PARTS = ("district", "period", "class", "instrument", "crew")
"""Parts of a choice that narrow what is counted, in the order in which they are said."""


@dataclass(frozen=True)
class Known:
    """What a choice may name: the values that the results hold, and the first and last day of the reports."""

    districts: tuple[str, ...]
    classes: tuple[str, ...]
    instruments: tuple[str, ...]
    crews: tuple[str, ...]
    first: dt.date
    last: dt.date


@dataclass(frozen=True)
class Choice:
    """A page's population and period; empty: everything.

    Parameters
    ----------
    districts, classes, instruments, crews
        Values that rows must have one of; none: all.
    first, last
        First and last local day of the report; none: from the first record, to the last.
    against
        Period compared with: previous, last_year, or FROM..TO; empty: none.
    units
        metric or imperial.
    """

    districts: tuple[str, ...] = ()
    first: dt.date | None = None
    last: dt.date | None = None
    against: str = ""
    classes: tuple[str, ...] = ()
    instruments: tuple[str, ...] = ()
    crews: tuple[str, ...] = ()
    units: str = "metric"

    @property
    def parts(self) -> tuple[str, ...]:
        """The parts that narrow anything, by their names in PARTS."""
        has_period = self.first is not None or self.last is not None
        return tuple(p for p in PARTS if (has_period if p == "period" else getattr(self, MANY[p])))

    def without(self, parts: Iterable[str]) -> Choice:
        """The choice with some parts left open."""
        opened = {MANY[p]: () for p in parts if p != "period"}
        if "period" in parts:
            opened |= {"first": None, "last": None, "against": ""}  # type: ignore[dict-item]
        return replace(self, **opened)  # type: ignore[arg-type]


EVERYTHING = Choice()


def read_choice(query: str, known: Known, ignored: Iterable[str] = ()) -> Choice:
    """The choice of an address, held to the data.

    Parameters
    ----------
    query
        What follows the question mark.
    known
        What may be named.
    ignored
        Keys that are no part of the choice.

    Raises
    ------
    UserError
        A key is unknown or given twice, a value is not in the data, a day is none, or the period ends before it
        begins; the nearest known names are said.

    Notes
    -----
    Checked by: tests/unit/test_reports_choice.py
    """
    if len(query) > LONGEST:
        raise UserError(f"the choice has {len(query)} characters", "the address", f"at most {LONGEST} are read")
    given: dict[str, list[str]] = {}
    for key, value in parse_qsl(query, keep_blank_values=True, max_num_fields=200):
        if key in ignored:
            continue
        if key not in (*MANY, *SINGLE):
            raise UserError(f"unknown choice '{key}'", "the address", suggest_name(key, (*MANY, *SINGLE)))
        if value:  # an empty field of a form is no choice
            given.setdefault(key, []).append(value)
    for key in SINGLE:
        if len(given.get(key, ())) > 1:
            raise UserError(f"'{key}' is given {len(given[key])} times", "the address", "give it once")
    fields = {MANY[key]: _held(key, values, known) for key, values in given.items() if key in MANY}
    first = _day(given["from"][0], "from", last=False) if "from" in given else None
    last = _day(given["to"][0], "to", last=True) if "to" in given else None
    if first and last and first > last:
        raise UserError(f"the period ends {last} before it begins {first}", "from, to", "exchange the two")
    if "period" in given:
        if first or last:
            raise UserError("a period is given beside from or to", "the address", "give period=, or from= and to=")
        first, last = read_span(given["period"][0], "period")
    units = given.get("units", ["metric"])[0]
    if units not in UNITS:
        raise UserError(f"unknown units '{units}'", "units", suggest_name(units, UNITS))
    choice = Choice(first=first, last=last, against=given.get("against", [""])[0], units=units, **fields)
    if choice.against:
        compared_with(choice, known)
    return choice


def _held(key: str, values: list[str], known: Known) -> tuple[str, ...]:
    """The values of a key in order, each once, each in the data."""
    there = getattr(known, MANY[key])
    if key == "crew" and not there:
        raise UserError("crews are not shown", "crew", "switch them on with restoration.show_crews, then refresh")
    for value in values:
        if value not in there:
            raise UserError(f"unknown {key} '{value}'", key, suggest_name(value, there))
    return tuple(sorted(set(values)))


DAY = re.compile(r"(\d{4})(?:-Q([1-4])|-(\d\d)(?:-(\d\d))?)?", re.ASCII)


def _day(text: str, key: str, *, last: bool) -> dt.date:
    """The first or last day of a year, a quarter, a month or a day as written."""
    found = DAY.fullmatch(text)
    try:
        if found is None:
            raise ValueError
        year, quarter, month, day = (int(part) if part else None for part in found.groups())
        ends = (1, 12) if quarter is None else (3 * quarter - 2, 3 * quarter)
        month = ends[last] if month is None else month
        return dt.date(
            year or 0, month, (calendar.monthrange(year or 0, month)[1] if last else 1) if day is None else day
        )
    except ValueError:
        remedy = "write a year, a quarter, a month or a day: 2025, 2025-Q1, 2025-03, 2025-03-14"
        raise UserError(f"'{text}' is no day", key, remedy) from None


def read_span(text: str, key: str) -> tuple[dt.date, dt.date]:
    """First and last day of a period as written: 2025, 2025-Q3, 2025-03, 2025-03-14, or two of them with .. between.

    Raises
    ------
    UserError
        It is no period, or it ends before it begins.
    """
    one, _, other = text.partition("..")
    first, last = _day(one, key, last=False), _day(other or one, key, last=True)
    if first > last:
        raise UserError(f"the period ends {last} before it begins {first}", key, "exchange the two")
    return first, last


def compared_with(choice: Choice, known: Known) -> Choice:
    """The choice with its period replaced by the one it is compared with.

    Raises
    ------
    UserError
        There is no period to compare, or the one compared with cannot be read.
    """
    if choice.first is None:
        raise UserError("a comparison needs a period", "against", "give from= (and to=) as well")
    last = choice.last or known.last
    if choice.against[:1].isdigit():
        first, last = read_span(choice.against, "against")
    elif choice.against == "previous":
        first, last = _before(choice.first, last)
    elif choice.against == "last_year":
        first, last = _moved(choice.first, -12), _moved(last, -12)
    else:
        remedy = f"known: {', '.join(AGAINST)}, or a period such as 2024-01..2024-06"
        raise UserError(f"unknown comparison '{choice.against}'", "against", remedy)
    return replace(choice, first=first, last=last, against="")


def _before(first: dt.date, last: dt.date) -> tuple[dt.date, dt.date]:
    """The period of the same length just before: as many months where it is whole months, else as many days."""
    day_before = first - dt.timedelta(days=1)
    if first.day == 1 and (last + dt.timedelta(days=1)).day == 1:
        return _moved(first, -((last.year - first.year) * 12 + last.month - first.month + 1)), day_before
    return day_before - (last - first), day_before


def _moved(day: dt.date, months: int) -> dt.date:
    """A day some months on; the last day of a month stays the last."""
    years, place = divmod(day.year * 12 + day.month - 1 + months, 12)
    end, own_end = calendar.monthrange(years, place + 1)[1], calendar.monthrange(day.year, day.month)[1]
    return dt.date(years, place + 1, end if day.day == own_end else min(day.day, end))


def to_query(choice: Choice) -> str:
    """The choice as an address writes it, always in the same order; nothing for everything."""
    pairs = [(key, value) for key, field in MANY.items() for value in getattr(choice, field)]
    pairs += [(key, str(day)) for key, day in (("from", choice.first), ("to", choice.last)) if day]
    pairs += [("against", choice.against)] if choice.against else []
    pairs += [("units", choice.units)] if choice.units != "metric" else []
    return urlencode(pairs)


NOUNS = {"district": ("district", "districts"), "class": ("class", "classes"), "crew": ("crew", "crews"),
         "instrument": ("instrument", "instruments")}  # fmt: skip


def in_words(choice: Choice, known: Known) -> str:
    """Population and period of a choice: 'district OB, reported January to June 2025'."""
    said = []
    for part, field in MANY.items():
        values = getattr(choice, field)
        if values:
            said.append(f"{NOUNS[part][len(values) > 1]} {', '.join(values)}")
    population = "; ".join(said) or "all districts"
    return f"{population}, reported {period_words(choice.first or known.first, choice.last or known.last)}"


def period_words(first: dt.date, last: dt.date) -> str:
    """A period as short as it can be said: 2025, January to June 2025, 3 March to 9 April 2025."""
    ends = last + dt.timedelta(days=1)
    if first.day == 1 and ends.day == 1:
        if first.month == 1 and ends.month == 1:
            return str(first.year) if first.year == last.year else f"{first.year} to {last.year}"
        one, other = f"{first:%B}", f"{last:%B} {last.year}"
        if first.year != last.year:
            return f"{one} {first.year} to {other}"
        return other if first.month == last.month else f"{one} to {other}"
    if first == last:
        return style.date_words(first)
    return f"{style.date_words(first)} to {style.date_words(last)}"
