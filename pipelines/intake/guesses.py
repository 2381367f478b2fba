"""Guesses about a column from its values, each with its evidence."""

import re
import statistics
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache

import duckdb

from pipelines.intake.typed import local_sql, zoned_sql
from shared import dictionary, units
from shared.dictionary.aliases import CODES, UNIT_WORDS

DAY_PARTS = (
    "%Y-%m-%d",
    "%Y/%m/%d",
    "%Y%m%d",
    "%m/%d/%Y",
    "%d/%m/%Y",
    "%m/%d/%y",
    "%d/%m/%y",
    "%m-%d-%Y",
    "%d-%m-%Y",
    "%d.%m.%Y",
    "%d-%b-%Y",
    "%d-%b-%y",
    "%d %b %Y",
    "%b %d %Y",
    "%b %d, %Y",
    "%d-%B-%Y",
    "%B %d, %Y",
)
HOUR_PARTS = (
    "",
    " %H:%M",
    " %H:%M:%S",
    " %I:%M %p",
    " %I:%M:%S %p",
    "T%H:%M",
    "T%H:%M:%S",
    " %H%M",
    "T%H:%M:%S%z",
    " %H:%M:%S%z",
    " %H.%M",
)
MARKS = {"Y": r"\d{4}", "b": "[A-Za-z]{3}", "B": "[A-Za-z]+", "p": "[AaPp][Mm]", "z": r"(Z|[+-]\d\d(:?\d\d)?)"}
"""What a mark of a format may stand for, where it is no number of one or two digits."""
FORMATS = tuple(day + hour for day in DAY_PARTS for hour in HOUR_PARTS)
SERIALS = (
    ("excel_serial", 20_000, 60_000, "days of a spreadsheet, 1954 to 2064"),
    ("epoch_s", 3e8, 3e9, "seconds since 1970, 1979 to 2065"),
    ("epoch_ms", 3e11, 3e12, "thousandths of a second since 1970, 1979 to 2065"),
)
TRADE_VELOCITY_PCT = 53.0
"""Middle of the velocities of extruded cable, percent of c; from memory, common practice, no source."""
LIKELY_VELOCITY_PCT = (36.0, 68.0)
FEET_RATIO = (2.2, 4.6)
"""Ratio of medians that feet for metres (3.28) explains and metres do not."""


@dataclass(frozen=True)
class Guess:
    """Something guessed: the value, why, and whether the values prove it."""

    value: tuple[str, ...]
    evidence: str
    is_sure: bool = True


def guess_formats(texts: Sequence[str]) -> Guess | None:
    """Formats that read every stamp; of day and month the order is proven only by a value above 12.

    Returns
    -------
    Guess or None
        Few formats that together read all values (none needed: an empty tuple, the texts are ISO 8601); None where
        no known format reads most of them.

    Notes
    -----
    The texts are read by the very SQL that a load reads them by.
    """
    by_number = _guess_serial(texts)
    if by_number or not any(re.search(r"\d\D+\d|^\d{8}", t) for t in texts):
        return by_number
    reads = _read_by(texts)
    if reads[()] == set(texts):
        return Guess((), "ISO 8601")
    left, chosen, doubts = set(texts), [], []
    while left:
        best = max(FORMATS, key=lambda f: (len(reads[f,] & left), -FORMATS.index(f)))
        hits = reads[best,] & left
        if not hits:
            break
        other = _swapped(best)
        if other and reads[other,] & left == hits:
            doubts.append(f"{best} reads all, and so does {other}: no value has a day above 12")
        chosen.append(best)
        left -= hits
    unread = [t for t in texts if t in left]
    if len(unread) > 0.2 * len(texts) or not chosen:
        return None
    mixed = [f for f in chosen if _swapped(f) in chosen]
    if mixed:
        doubts.append(f"day and month come in both orders; values that read either way are taken as {mixed[0]}")
    said = f"{len(texts) - len(unread)} of {len(texts)} values read so"
    midnights = {m[1] if (m := re.search(r"[ T]0?0:00(?::00)? ?(Z|[+-]00(?::?00)?)$", t)) else None for t in texts}
    if len(midnights) == 1 and None not in midnights and chosen[0].endswith("%z"):
        # a day is written so by exports that know no days: an offset would move it to the day before
        chosen = [chosen[0].removesuffix("%z") + str(*midnights)]
        doubts.append("every value is midnight, so they are read as days, the offset as letters")
    if unread:
        said += f"; not '{unread[0]}'"
    if not doubts and any(_swapped(f) for f in chosen):
        said += "; the order of day and month is proven by values above 12"
    return Guess(tuple(chosen), "; ".join([said, *doubts]), not doubts)


def _read_by(texts: Sequence[str]) -> dict[tuple[str, ...], set[str]]:
    """The texts that each format reads as a moment of this age, and those that are read without one."""
    distinct = list(dict.fromkeys(texts))
    # Trying all of them on every text takes half a second a column; most are ruled out by the look of the texts.
    ways = [(), *((f,) for f in FORMATS if any(_looks(f).fullmatch(t) for t in distinct))]
    years = ", ".join(
        f"coalesce(year({local_sql('t', way)}), year({zoned_sql('t', way)})) between 1900 and 2100" for way in ways
    )
    rows = _reader().execute(f"select t, {years} from (select unnest(?) as t)", [distinct]).fetchall()
    found: dict[tuple[str, ...], set[str]] = {(f,): set() for f in FORMATS}
    return found | {way: {row[0] for row in rows if row[place]} for place, way in enumerate(ways, start=1)}


@cache
def _reader() -> duckdb.DuckDBPyConnection:
    """A connection to read texts by: one, for it takes longer to make than to ask."""
    con = duckdb.connect()
    con.execute("set TimeZone = 'UTC'")
    return con


@cache
def _looks(form: str) -> re.Pattern[str]:
    return re.compile(re.sub(r"%(\w)", lambda m: MARKS.get(m[1], r"\d{1,2}"), form.replace(".", r"\.")))


def _guess_serial(texts: Sequence[str]) -> Guess | None:
    """Days of a spreadsheet or seconds of a computer, where every text is a number of their size."""
    numbers = numbers_of(list(texts))
    if not texts or len(numbers) < len(texts):
        return None
    for form, low, high, said in SERIALS:
        if all(low <= n <= high for n in numbers):
            return Guess((form,), f"{len(texts)} numbers from {min(numbers):g} to {max(numbers):g}: {said}")
    return None


def _swapped(form: str) -> str | None:
    for a, b in (("%m/%d", "%d/%m"), ("%m-%d", "%d-%m")):
        if form.startswith(a):
            return form.replace(a, b, 1)
        if form.startswith(b):
            return form.replace(b, a, 1)
    return None


def is_day(formats: Guess | None, texts: Sequence[str]) -> bool:
    """Whether texts that are read by some formats are days without an hour."""
    if formats is None:
        return False
    return all(f in DAY_PARTS for f in formats.value) if formats.value else all(len(t) == 10 for t in texts)


def is_hour(texts: list[str]) -> bool:
    """Whether all texts are hours without a day."""
    hour = r"([01]?\d|2[0-4]):?[0-5]\d(:[0-5]\d)?( ?[APap][Mm])?"
    return bool(texts) and all(re.fullmatch(hour, t.strip()) for t in texts)


def numbers_of(texts: list[str]) -> list[float]:
    """Numbers among some texts, thousands separators taken out."""
    found = []
    for text in texts:
        try:
            found.append(float(text.replace(",", "")))
        except ValueError:
            continue
    return found


def guess_decimal(texts: list[str]) -> Guess | None:
    """A comma before the decimals, where more of the numbers among some texts prove it than prove a point."""
    grouped = re.compile(r"[+-]?\d{1,3}(,\d{3})+(\.\d+)?")
    commas = [t for t in texts if re.fullmatch(r"[+-]?(\d+|\d{1,3}(\.\d{3})+),\d+", t) and not grouped.fullmatch(t)]
    points = [t for t in texts if re.fullmatch(r"[+-]?\d+\.\d+", t)]
    if len(commas) <= len(points):
        return None
    return Guess((",",), f"{len(commas)} numbers such as {commas[0]}, {len(points)} with a point")


def find_thousands(texts: list[str]) -> str | None:
    """A number such as 1,250 that may be thousands or decimals: nothing in the texts proves it."""
    doubtful = [t for t in texts if re.fullmatch(r"[+-]?\d{1,3},\d{3}", t)]
    proven = any(re.fullmatch(r"[+-]?(\d+\.\d+|\d{1,3}(,\d{3})+\.\d+|\d{1,3}(,\d{3}){2,})", t) for t in texts)
    return doubtful[0] if doubtful and not proven else None


def guess_length_unit(header: str, unit_cell: str, texts: list[str], known_median_m: float | None) -> Guess:
    """Unit of a length: said in the header or the unit row, else by magnitude against the sections on record."""
    for place, said in (("the header", header), ("the unit row", unit_cell)):
        words = re.sub(r"[^a-z]+", " ", re.sub(r"(?<=[a-z])(?=[A-Z])", " ", said).casefold()).split()
        for word in reversed(words):
            if word in UNIT_WORDS:
                return Guess((UNIT_WORDS[word],), f"{place} says '{said.strip()}'")
    numbers = [n for n in numbers_of(texts) if n > 0]
    if not numbers:
        return Guess(("m",), "no values to tell by", is_sure=False)
    median = statistics.median(numbers)
    if known_median_m:
        ratio = median / known_median_m
        said = f"median {median:g}, {ratio:.2f} times that of the lengths on record ({known_median_m:.0f} m)"
        unit = "ft" if FEET_RATIO[0] < ratio < FEET_RATIO[1] else "km" if ratio < 0.02 else "m"
        return Guess((unit,), said, is_sure=unit == "ft" or 0.4 < ratio < FEET_RATIO[0])
    return Guess(("m",), f"median {median:g}; nothing is on record to compare it with", is_sure=False)


def guess_velocity(texts: list[str]) -> Guess:
    """Convention of a velocity: the one under which the median comes nearest to what cable has."""
    numbers = [n for n in numbers_of(texts) if n > 0]
    if not numbers:
        return Guess(("percent",), "no values to tell by", is_sure=False)
    median = statistics.median(numbers)
    as_pct = {name: median * factor for name, factor in units.VELOCITY_PCT.items()}
    likely = {n: p for n, p in as_pct.items() if LIKELY_VELOCITY_PCT[0] <= p <= LIKELY_VELOCITY_PCT[1]}
    if not likely:
        return Guess(("percent",), f"median {median:g} fits no convention", is_sure=False)
    best = min(likely, key=lambda n: abs(likely[n] - TRADE_VELOCITY_PCT))
    said = f"median {median:g} is {likely[best]:.0f} % of c as {best}"
    others = [f"{p:.0f} % as {n}" for n, p in likely.items() if n != best]
    return Guess((best,), said + (f"; it would be {', '.join(others)}" if others else ""), is_sure=not others)


def guess_codes(column: str, texts: list[str]) -> tuple[dict[str, str], list[str]]:
    """Translations of the words found in a code column, and the words that none was found for."""
    listed = dictionary.columns()[column].codes
    known = {c.casefold(): c for c in (dictionary.codes()[listed] if listed else {})}
    translated: dict[str, str] = {}
    unknown: list[str] = []
    for text in dict.fromkeys(t.strip() for t in texts):
        plain = re.sub(r"[\s_-]+", "_", text.casefold())
        if plain in known:
            continue
        words = CODES.get(column, {})
        meant = words.get(text.casefold()) or words.get(plain.replace("_", " "))
        if meant:
            translated[text] = meant
        else:
            unknown.append(text)
    return translated, unknown
