"""Which tables the parts of some files hold, and which header is which column: by names, values and keys that join."""

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace

import duckdb

from pipelines.intake import guesses
from pipelines.intake.draft_parts import Column, Part
from pipelines.intake.sources import LOAD_ORDER
from shared import dictionary
from shared.dictionary.aliases import header_score

ENOUGH = 0.4
"""Score below which a header is not taken for a column."""
SINGLE = 0.98
"""Share of rows with a key of their own from which on a part lists what the key names."""
FOUND = 0.6
"""Share of the values of one column found in another from which on the two are taken to join."""
MOST_WORDS = 0.75
"""Share of the words of a column that must be codes for it to be taken for theirs by them alone."""
VAGUE = ("other", "unknown", "unk", "?", "none", "yes", "no")
ON_RECORD = "the warehouse"
REGISTER = ("districts", "loops", "terminals", "sections", "instruments")
TABLES = tuple(t for t in LOAD_ORDER if not dictionary.load_tables()[t].by_hand)


@dataclass(frozen=True)
class Match:
    """Headers taken for a column (two: a day and an hour), how likely, and why."""

    headers: tuple[str, ...]
    score: float
    said: str


@dataclass
class Known:
    """Ids seen so far, by the column that they are the key of: where, and which."""

    ids: dict[str, list[tuple[str, frozenset[str]]]] = field(default_factory=dict)

    def add(self, column: str, where: str, ids: Iterable[str]) -> None:
        listed = frozenset(ids)
        if listed:
            self.ids.setdefault(column, []).append((where, listed))

    def share(self, column: str, values: Sequence[str], own: str = "") -> tuple[float, str]:
        """The largest share of some values that are ids of one place, their own left out, and that place."""
        count = max(len(values), 1)
        found = ((sum(v in ids for v in values) / count, w) for w, ids in self.ids.get(column, []) if w != own)
        return max(found, default=(0.0, ""))

    def holds(self, column: str, where: str) -> bool:
        """Whether ids of a key were taken from this place."""
        return any(w == where for w, _ in self.ids.get(column, []))


@dataclass(frozen=True)
class Proposal:
    """A part read as a table: the columns matched, and how its key stands in the rows."""

    part: Part
    table: str
    matches: dict[str, Match]
    rows: int
    keys: int
    conflicts: int = 0

    @property
    def key(self) -> tuple[str, ...]:
        facts = dictionary.load_tables()[self.table]
        return tuple(c for c in facts.key if c in facts.required)

    @property
    def missing(self) -> tuple[str, ...]:
        return tuple(c for c in dictionary.load_tables()[self.table].required if c not in self.matches)

    @property
    def has_key(self) -> bool:
        return all(c in self.matches for c in self.key)

    @property
    def is_single(self) -> bool:
        return self.keys >= SINGLE * self.rows

    @property
    def weight(self) -> float:
        return sum(m.score for m in self.matches.values()) - len(self.missing)

    @property
    def used(self) -> set[str]:
        return {h for m in self.matches.values() for h in m.headers}

    def key_headers(self) -> tuple[str, ...]:
        return tuple(h for c in self.key for h in self.matches[c].headers)

    def said(self) -> str:
        """Why the part is taken for this table."""
        named = sum(1 for h in self.part.headers if h)
        told = f"{len(self.used)} of {named} headings are its columns"
        if self.has_key:
            key = ", ".join(self.key_headers())
            each = "differs in every row" if self.keys == self.rows else f"has {self.keys} values in {self.rows} rows"
            told += f"; {key} {each}"
        if self.conflicts:
            told += f"; of the same key {self.conflicts} say two things"
        return told


def names_what(column: str) -> str:
    """The key that a column's values are of: every terminal by whatever name is a terminal_id; none: an empty text."""
    if column.endswith("terminal_id"):
        return "terminal_id"
    return column if column in ("district_id", "loop_id", "section_id", "instrument_id", "job_id") else ""


def match_columns(part: Part, table: str, known: Known, taken: Iterable[str] = ()) -> dict[str, Match]:
    """The columns of a table that a part's headers say, best first, each header once.

    Parameters
    ----------
    taken
        Columns that are given already.
    """
    names = [c for c in dictionary.load_tables()[table].source_columns if c not in taken]
    scores = {(c.header, name): _score(part, c, name, known) for c in part.columns if c.header for name in names}
    best = {h: max(scores[h, name].score for name in names) for h, _ in scores}
    # A header goes to the column it says best, not to the first that it says at all.
    likely = [
        (m.score, -place, -part.headers.index(h), h, name)
        for place, name in enumerate(names)
        for h in best
        if (m := scores[h, name]).score >= max(ENOUGH, 0.95 * best[h])
    ]
    found: dict[str, Match] = {}
    used: set[str] = set()
    for *_, header, name in sorted(likely, reverse=True):
        if header not in used and name not in found:
            found[name] = scores[header, name]
            used.add(header)
    for name in [n for n in found if n in dictionary.load_tables()[table].instants]:
        found[name] = _join_hour(part, name, found, used)
    return {name: found[name] for name in names if name in found}


def _score(part: Part, column: Column, name: str, known: Known) -> Match:
    """How well a column of a file says a column of the dictionary: by its header, then by its values."""
    named = header_score(column.header, name)
    said = (
        "its own name"
        if named >= 1.0
        else "a word of the trade for it"
        if named >= 0.9
        else f"likeness {named:.1f}, ???"
    )
    own = f"{column.header} of {part.label}"
    share, where = known.share(names_what(name), column.distinct, own)
    if named < ENOUGH and share < FOUND:
        return _score_words(column, name)
    fit = 1.0 if not column.texts else _fit(column, name)
    if share >= FOUND and fit:
        said += f"; {share:.0%} of its values are in {where}".replace("%", " %")
        if named < ENOUGH and not name.endswith("terminal_id"):
            return Match(
                (column.header,), 0.5 + 0.2 * share, said.replace(f"likeness {named:.1f}, ???", "by its values")
            )
        fit *= 1.0 + 0.1 * share
    elif where and column.texts and named >= ENOUGH and not known.holds(names_what(name), own):
        said += f"; ??? only {share:.0%} of its values are known".replace("%", " %")
        fit *= 0.6
    return Match((column.header,), named * fit, said)


def _score_words(column: Column, name: str) -> Match:
    """How well the words of a column whose header says nothing are the codes of a column of the dictionary."""
    words = [t for t in column.distinct if t.casefold() not in VAGUE]
    if not dictionary.columns()[name].codes or not 1 <= len(words) <= 40 or column.numeric >= 0.5:
        return Match((), 0.0, "")
    known = 1.0 - len(guesses.guess_codes(name, words)[1]) / len(words)
    if known < MOST_WORDS:
        return Match((), 0.0, "")
    return Match((column.header,), ENOUGH + 0.05 * known, f"??? by its words: {', '.join(words[:3])}")


def _fit(column: Column, name: str) -> float:
    """How well the values of a column fit a column of the dictionary, 0 where they speak against it."""
    facts = dictionary.columns()[name]
    is_stamp = column.formats is not None and column.numeric < 0.8
    if facts.type == "instant":
        return float(column.formats is not None or column.is_hour)
    if facts.type == "date":
        years = sum(bool(re.fullmatch(r"(18|19|20)\d\d", t)) for t in column.texts) > 0.5 * len(column.texts)
        return float(column.formats is not None or years)
    if is_stamp:
        return 0.0
    if facts.type in ("number", "integer"):
        return 1.0 if column.numeric >= 0.8 else 0.8 * (column.numeric >= 0.5)
    if facts.type == "boolean":
        words = ("true", "t", "yes", "y", "1", "false", "f", "no", "n", "0")
        return float(sum(t.casefold() in words for t in column.texts) > 0.5 * len(column.texts))
    if facts.codes:
        unknown = guesses.guess_codes(name, list(column.distinct))[1]
        many = len(column.distinct) > 40 and len(column.distinct) > 0.3 * len(column.texts)
        return 0.3 if many else 1.0 - 0.3 * len(unknown) / len(column.distinct)
    is_long = sum(map(len, column.texts)) > 40 * len(column.texts)
    return 0.3 if is_long and name.endswith("_id") else 1.0


def _join_hour(part: Part, name: str, found: dict[str, Match], used: set[str]) -> Match:
    """A stamp joined from a column of days and one of hours, where the one matched is either."""
    match = found[name]
    column = part.column(match.headers[0])
    if not column.texts or not (column.is_hour or column.is_day):
        return match
    wants_day = column.is_hour
    fits = [c for c in part.columns if c.header and c.texts and (c.is_day if wants_day else c.is_hour)]
    free = [c for c in fits if c.header not in used]
    if not free and wants_day:  # one day may stand for all the hours of its row
        free = [c for c in fits if any(c.header in m.headers[:1] and len(m.headers) == 2 for m in found.values())]
    place = part.headers.index(column.header)
    partner = min(
        (c.header for c in free),
        default=None,
        key=lambda h: (-header_score(h, name), abs(part.headers.index(h) - place)),
    )
    if partner is None:
        return match
    used.add(partner)
    pair = (partner, column.header) if wants_day else (column.header, partner)
    return replace(match, headers=pair, said=match.said + "; the day and the hour are in two columns")


def propose(con: duckdb.DuckDBPyConnection, part: Part, table: str, matches: dict[str, Match]) -> Proposal:
    """A part read as a table, with how its key stands in all of its rows."""
    bare = Proposal(part, table, matches, part.count, 0)
    if not bare.has_key:
        return bare
    rows, keys = count_keys(con, part, bare.key_headers())
    conflicts = 0
    if keys < rows:
        others = tuple(h for h in bare.used if h not in bare.key_headers())
        conflicts = _count_conflicts(con, part, bare.key_headers(), others) if others else 0
    return replace(bare, rows=rows, keys=keys, conflicts=conflicts)


def _rows_of(part: Part, headers: Sequence[str]) -> str:
    """SQL of the texts under some headers, in every row of a part that is whole."""
    cells = [f"trim(coalesce(c{part.headers.index(h) + 1}, '')) as k{n}" for n, h in enumerate(headers)]
    return " union all ".join(f"select {', '.join(cells)} from {r.name} where fault is null" for r in part.whole)


def count_keys(con: duckdb.DuckDBPyConnection, part: Part, key: Sequence[str]) -> tuple[int, int]:
    """Rows of a part that have a key under some headers, and how many different ones."""
    listed = ", ".join(f"k{n}" for n in range(len(key)))
    row = con.execute(
        f"select count(*), count(distinct ({listed})) from ({_rows_of(part, key)}) where k0 <> ''"
    ).fetchone()
    return row or (0, 0)


def _count_conflicts(con: duckdb.DuckDBPyConnection, part: Part, key: Sequence[str], others: Sequence[str]) -> int:
    """Keys under which the other columns do not say the same in every row."""
    listed = ", ".join(f"k{n}" for n in range(len(key)))
    rest = ", ".join(f"k{n}" for n in range(len(key), len(key) + len(others)))
    row = con.execute(
        f"select count(*) from (select {listed} from ({_rows_of(part, [*key, *others])}) where k0 <> '' "
        f"group by all having count(distinct ({rest})) > 1)"
    ).fetchone()
    return row[0] if row else 0


def ids_of(con: duckdb.DuckDBPyConnection, part: Part, header: str) -> list[str]:
    """Every value under a header, each once."""
    return [
        v for (v,) in con.execute(f"select distinct k0 from ({_rows_of(part, [header])}) where k0 <> ''").fetchall()
    ]


@dataclass(frozen=True)
class Choice:
    """What the parts are taken for, what else they might be, and the parts of which nothing is made alone."""

    chosen: tuple[Proposal, ...]
    alternatives: tuple[Proposal, ...]
    left: tuple[Part, ...]


def choose_tables(con: duckdb.DuckDBPyConnection, parts: Sequence[Part], known: Known) -> Choice:
    """The tables that the parts hold, as far as their names, their values and the ids known so far tell.

    Notes
    -----
    A table whose key cannot be filled is not chosen. A part is first what its rows list, each key once; it gives a
    further table only by columns that the first leaves, and a table of the register only from a register, for a
    list of jobs names none but the loops that failed.

    Checked by: tests/unit/test_intake_draft.py (through draft_mapping)
    """
    chosen: list[Proposal] = []
    others: list[Proposal] = []
    left: list[Part] = []
    for part in parts:
        proposals = [propose(con, part, t, match_columns(part, t, known)) for t in TABLES]
        fit = [
            p for p in proposals if p.has_key and len(p.missing) <= len(dictionary.load_tables()[p.table].required) / 2
        ]
        others_repeat = [p for p in fit if p.table not in REGISTER]
        single = _best(p for p in fit if p.is_single)
        main = single or _best(p for p in others_repeat if not p.conflicts) or _best(others_repeat)
        if main is None:
            main = _best(p for p in (_by_elimination(con, p) for p in proposals) if p is not None)
        if main is None:
            left.append(part)
            continue
        further = [p for p in fit if not part.turned and p.table != main.table and _is_further(p, main)]
        chosen += [main, *further]
        others += [p for p in fit if p is not main and p not in further]
    return Choice(tuple(sorted(chosen, key=lambda p: LOAD_ORDER.index(p.table))), tuple(others), tuple(left))


def add_keys(con: duckdb.DuckDBPyConnection, chosen: Iterable[Proposal], known: Known) -> None:
    """Make the keys of tables that parts list known, for others that name them; sections name every loop."""
    for proposal in chosen:
        listed = proposal.key if len(proposal.key) == 1 and proposal.is_single else ()
        for column in (
            *listed,
            *(["loop_id"] if proposal.table == "sections" and "loop_id" in proposal.matches else []),
        ):
            header = proposal.matches[column].headers[0]
            where = f"{header} of {proposal.part.label}"
            if not known.holds(column, where):
                known.add(column, where, ids_of(con, proposal.part, header))


def _best(proposals: Iterable[Proposal]) -> Proposal | None:
    return max(proposals, default=None, key=lambda p: p.weight)


def _is_further(proposal: Proposal, main: Proposal) -> bool:
    """Whether a part gives this table beside its first: by columns of its own, each key saying one thing."""
    if proposal.conflicts or proposal.missing:
        return False
    if proposal.table in REGISTER and main.table not in REGISTER:
        return False
    facts = dictionary.load_tables()[proposal.table]
    own = [c for c in facts.required if not names_what(c)] or [c for c in facts.required if c not in main.matches]
    return bool(own) and all(
        proposal.matches[c].score >= 0.7 and not set(proposal.matches[c].headers) & main.used for c in own
    )


def _by_elimination(con: duckdb.DuckDBPyConnection, proposal: Proposal) -> Proposal | None:
    """A part whose other columns fit a table, its key taken to be the one column that differs in every row."""
    if len(proposal.key) != 1 or proposal.has_key or len(proposal.matches) < 2:
        return None
    likely = [
        c
        for c in proposal.part.columns
        if c.header not in proposal.used
        and c.is_single
        and (c.formats is None or c.numeric == 1.0)
        and "." not in c.texts[0]
    ]
    if not likely:
        return None
    key = max(likely, key=lambda c: bool(re.search(r"id|no\b|nr|num|key|#", c.header, re.IGNORECASE)))
    match = Match((key.header,), 0.5, "??? no header says it; its values differ in every row")
    facts = dictionary.load_tables()[proposal.table]
    matches = {c: m for c in facts.source_columns if (m := match if c == proposal.key[0] else proposal.matches.get(c))}
    found = propose(con, proposal.part, proposal.table, matches)
    return found if len(found.missing) <= len(facts.required) / 2 else None
