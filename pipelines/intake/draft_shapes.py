"""Shapes that parts of files must be given before they are tables: numbered headings, pairs, two ids in one text."""

import re
from collections import Counter, defaultdict
from collections.abc import Iterator, Mapping

from pipelines.intake.draft_parts import Column, Part, toml
from pipelines.intake.draft_tables import FOUND, Known
from pipelines.intake.guesses import numbers_of
from shared import dictionary
from shared.dictionary.aliases import header_score

MARKS = (" / ", " - ", " > ", "/", "-", ">", ":", "|", ",", ";", "_", " ")
"""What may stand between two ids of one text, the most telling first."""
MOST_PIECES = 6
SPLIT = ("job_id", "loop_id", "section_id", "instrument_id")
"""Keys that are looked for within texts."""
SURE = 0.8
MINUTES = {"min": 1, "mins": 1, "minutes": 1, "hr": 60, "hrs": 60, "hours": 60}
MOST_NAMES = 60
"""More names than this in a column are no headings."""


def find_numbered(part: Part) -> tuple[tuple[str, ...], set[str]]:
    """Lines that turn headings with a number in them to rows (Shot1 m, Shot1 result, Shot2 m), and these headings."""
    numbered = [(h, m) for h in part.headers if (m := re.fullmatch(r"(\D*?)\s*(\d{1,2})\s*(\D*)", h))]
    first: dict[str, dict[str, set[str]]] = defaultdict(lambda: defaultdict(set))
    for _, m in numbered:
        if m[3]:
            first[m[1]][m[2]].add(m[3])
    for stem, of in first.items():
        if len(of) >= 2 and len({frozenset(rest) for rest in of.values()}) == 1:
            pattern = re.escape(stem).replace("\\ ", " ") + r" ?(\d+)[ ._-]*(.+)"
            return _rows_from_columns(pattern, f"{stem.strip(' ._-#').casefold()} no", of, part)
    last: dict[str, set[str]] = defaultdict(set)
    for _, m in numbered:
        if m[1] and not m[3]:
            last[m[2]].add(m[1])
    if len(last) >= 2 and len({frozenset(names) for names in last.values()}) == 1:
        names = "|".join(re.escape(n) for n in sorted(next(iter(last.values()))))
        return _rows_from_columns(rf"(?=.*?(\d+)$)({names})[ ._-]*\d+", "no", last, part)
    return (), set()


def _rows_from_columns(
    pattern: str, number: str, of: Mapping[str, set[str]], part: Part
) -> tuple[tuple[str, ...], set[str]]:
    names = ", ".join(sorted(next(iter(of.values()))))
    lines = (
        "",
        f"# {len(of)} times the same headings with a number: {names}",
        "[table.rows_from_columns]",
        f"pattern = '{pattern}'",
        f"number = {toml(number)}",
    )
    return lines, {h for h in part.headers if re.fullmatch(pattern, h)}


def find_pairs(part: Part, table: str, known: Known) -> str | None:
    """The line that turns rows of names and values (a job, an event, its stamp) to columns of a table, or None."""
    key = next((c for c in part.columns if _found(c, dictionary.load_tables()[table].key[0], known) >= FOUND), None)
    if key is None or key.is_single:
        return None
    columns = dictionary.load_tables()[table].source_columns
    best: tuple[int, Column] | None = None
    for column in part.columns:
        if column is key or not 2 <= len(column.distinct) <= MOST_NAMES:
            continue
        scored = [max((header_score(name, c), c) for c in columns) for name in column.distinct]
        named = {c for score, c in scored if score >= SURE}
        if len(named) >= max(2, len(column.distinct) / 2) and (best is None or len(named) > best[0]):
            best = len(named), column
    if best is None:
        return None
    name = best[1]
    values = [c for c in part.columns if c not in (key, name) and c.texts]
    if not values:
        return None
    value = max(values, key=lambda c: (c.formats is not None, len(c.distinct)))
    said = f"{best[0]} of the {len(name.distinct)} texts under {name.header} are columns"
    pair = f"name = {toml(name.header)}, value = {toml(value.header)}"
    return f"columns_from_rows = {{ key = [{toml(key.header)}], {pair} }}  # {said}"


def find_derived(part: Part, known: Known) -> Iterator[str]:
    """Lines of headers derived from those there are: an id within a text, a stamp from minutes after another."""
    wanted = {k for k in SPLIT if not any(_found(c, k, known) >= FOUND for c in part.columns)}
    for column in part.columns if known.ids and wanted else ():
        for key, line in _split(column, known):
            if key in wanted:
                wanted.discard(key)
                yield line
    yield from _after(part)


def _found(column: Column, key: str, known: Known) -> float:
    return known.share(key, column.distinct)[0]


def _split(column: Column, known: Known) -> list[tuple[str, str]]:
    """Ids within the texts of a column: the key that a piece between marks is of, and the line that takes it out."""
    if not column.header or column.formats is not None or any(_found(column, k, known) >= FOUND for k in known.ids):
        return []
    for mark in MARKS:
        counts = Counter(t.count(mark) for t in column.distinct)
        pieces = (counts.most_common(1)[0][0] if counts else 0) + 1
        found = []
        for place in range(1, pieces + 1) if 2 <= pieces <= MOST_PIECES else ():
            texts = tuple(s[place - 1].strip() for t in column.distinct if len(s := t.split(mark)) >= place)
            piece = Column("", "", texts)
            key = max(known.ids, key=lambda k: _found(piece, k, known))
            if (share := _found(piece, key, known)) >= SURE:
                text = f"trim(split([{column.header}], {mark!r}, {place}))"
                said = f"{share:.0%} of these pieces are in {known.share(key, texts)[1]}".replace("%", " %")
                found.append((key, f"{key} = {toml(text)}  # {said}"))
        if found:
            return found
    return []


def _after(part: Part) -> Iterator[str]:
    """Stamps given as minutes or hours after the report."""
    instants = dictionary.load_tables()["jobs"].instants
    reported = [c for c in part.columns if c.formats is not None and header_score(c.header, "reported_at") >= SURE]
    if not reported:
        return
    for column in part.columns:
        words = column.header.casefold().replace("(", " ").replace(")", " ").split()
        unit = next((MINUTES[w] for w in words if w in MINUTES), None)
        if unit is None or column.numeric < 1.0 or not numbers_of(list(column.texts)):
            continue
        rest = " ".join(w for w in words if w not in (*MINUTES, "to", "until", "till"))
        score, name = max((header_score(rest, c), c) for c in instants)
        if score >= SURE and name not in part.headers:
            formats = reported[0].formats.value if reported[0].formats else ()
            form = f", {formats[0]!r}" if formats else ""
            times = "" if unit == 1 else f" * {unit}"
            text = f"plus_minutes([{reported[0].header}], [{column.header}]{times}{form})"
            yield f"{toml(name)} = {toml(text)}  # {column.header} is after {reported[0].header}"
