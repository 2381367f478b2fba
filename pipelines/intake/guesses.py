"""Guesses about a column from its values, each with its evidence."""

from __future__ import annotations

import datetime as dt
import re
import statistics
from dataclasses import dataclass

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
)
ISO = ("%Y-%m-%d", "%Y-%m-%d %H:%M", "%Y-%m-%d %H:%M:%S", "%Y-%m-%dT%H:%M", "%Y-%m-%dT%H:%M:%S")
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


def guess_formats(texts: list[str]) -> Guess | None:
    """Formats that read every stamp; of day and month the order is proven only by a value above 12.

    Returns
    -------
    Guess or None
        Few formats that together read all values (none needed: an empty tuple, the texts are ISO 8601); None where
        no known format reads most of them.
    """
    if all(_read(t, ISO) for t in texts):
        return Guess((), "ISO 8601")
    left, chosen, doubts = list(texts), [], []
    while left:
        counted = [
            (sum(_reads(t, f) for t in left), -i, f)
            for i, f in enumerate(day + hour for day in DAY_PARTS for hour in HOUR_PARTS)
        ]
        hits, _, best = max(counted)
        if hits == 0:
            break
        other = _swapped(best)
        if other and sum(_reads(t, other) for t in left) == hits:
            doubts.append(f"{best} reads all, and so does {other}: no value has a day above 12")
        chosen.append(best)
        left = [t for t in left if not _reads(t, best)]
    if len(left) > 0.2 * len(texts) or not chosen:
        return None
    mixed = [f for f in chosen if _swapped(f) in chosen]
    if mixed:
        doubts.append(f"day and month come in both orders; values that read either way are taken as {mixed[0]}")
    said = f"{len(texts) - len(left)} of {len(texts)} values read so"
    if left:
        said += f"; not '{left[0]}'"
    if not doubts and any(_swapped(f) for f in chosen):
        said += "; the order of day and month is proven by values above 12"
    return Guess(tuple(chosen), "; ".join([said, *doubts]), not doubts)


def _swapped(form: str) -> str | None:
    for a, b in (("%m/%d", "%d/%m"), ("%m-%d", "%d-%m")):
        if form.startswith(a):
            return form.replace(a, b, 1)
        if form.startswith(b):
            return form.replace(b, a, 1)
    return None


def _reads(text: str, form: str) -> bool:
    try:
        return 1900 <= dt.datetime.strptime(text.strip(), form).year <= 2100
    except ValueError:
        return False


def _read(text: str, forms: tuple[str, ...]) -> bool:
    return any(_reads(text, f) for f in forms)


def is_day(texts: list[str]) -> bool:
    """Whether all texts are days without an hour."""
    return bool(texts) and all(_read(t, DAY_PARTS) for t in texts)


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
