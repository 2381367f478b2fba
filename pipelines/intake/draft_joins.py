"""Puts together what the parts of some files hold apart: shapes first, then joins on keys, each by its evidence."""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import replace

import duckdb

from pipelines.intake.draft_parts import Column, Part, Reader, toml
from pipelines.intake.draft_shapes import find_derived, find_numbered, find_pairs
from pipelines.intake.draft_tables import (
    ENOUGH,
    FOUND,
    ON_RECORD,
    Choice,
    Known,
    Match,
    Proposal,
    add_keys,
    choose_tables,
    count_keys,
    ids_of,
    match_columns,
    names_what,
    propose,
)
from pipelines.intake.mapping_file import JOIN_KEYS
from shared import dictionary


def put_together(reader: Reader, parts: Sequence[Part], known: Known) -> Choice:
    """What some parts are: tables as they stand, as they can be turned or split, and as they join.

    Parameters
    ----------
    known
        Ids on record; those that the parts list are added.

    Notes
    -----
    Checked by: tests/unit/test_intake_draft.py (through draft_mapping)
    """
    add_keys(reader.con, choose_tables(reader.con, parts, known).chosen, known)
    shaped = [part for one in parts for part in _shape(reader, one, known)]
    choice = choose_tables(reader.con, shaped, known)
    add_keys(reader.con, choice.chosen, known)
    choice = _join_all(reader, choose_tables(reader.con, shaped, known), known)
    chosen = tuple(_share_missing(reader.con, choice.chosen))
    return replace(choice, chosen=(*_list_loops(reader, chosen, known), *chosen))


def _list_loops(reader: Reader, chosen: Sequence[Proposal], known: Known) -> Iterator[Proposal]:
    """The loops that the sections name, where nothing else lists loops: a register of sections names every loop."""
    listed = next((p for p in chosen if p.table == "sections" and "loop_id" in p.matches), None)
    if listed is not None and not any(p.table == "loops" for p in chosen) and not known.holds("loop_id", ON_RECORD):
        matches = {c: m for c, m in listed.matches.items() if c in ("loop_id", "district_id")}
        yield propose(reader.con, listed.part, "loops", matches)


def _share_missing(con: duckdb.DuckDBPyConnection, chosen: Sequence[Proposal]) -> Iterator[Proposal]:
    """Proposals whose missing key of another table is taken to be a column of values that two of the parts share."""
    listed = {(p.part.label, h): frozenset(ids_of(con, p.part, h)) for p in chosen for h in _groups(p)}
    for proposal in chosen:
        found = dict(proposal.matches)
        for name in (c for c in proposal.missing if names_what(c)):
            shared = [
                (len(mine & theirs) / min(len(mine), len(theirs)), header, f"{other} of {where}")
                for (label, header), mine in listed.items()
                for (where, other), theirs in listed.items()
                if label == proposal.part.label != where
            ]
            share, header, where = max(shared, default=(0.0, "", ""))
            if share >= FOUND:
                said = f"??? no header says it; {share:.0%} of its values and those of {where} are the same"
                found[name] = Match((header,), ENOUGH, said.replace("%", " %"))
        yield replace(proposal, matches=found)


def _groups(proposal: Proposal) -> list[str]:
    """Headers not used yet that may name what a part's rows belong to: many values, some of them more than once."""
    return [
        c.header
        for c in proposal.part.columns
        if c.header and c.header not in proposal.used and c.formats is None and not c.is_single
        if len(c.distinct) >= max(0.05 * len(c.texts), 5)
    ]


def _shape(reader: Reader, part: Part, known: Known) -> list[Part]:
    """A part with headers derived where a text holds two things, and its numbered columns as a part of their own."""
    found = [part]
    turn, numbered = find_numbered(part)
    if turn:
        turned = replace(part, label=f"{part.label}, its numbered columns", turned=True)
        found.append(reader.reshape(turned, turn))
        hidden = tuple(replace(c, header="") if c.header in numbered else c for c in part.columns)
        found[0] = replace(part, columns=hidden)
    derived = tuple(find_derived(found[0], known))
    if derived:
        found[0] = reader.reshape(part, ("[table.derived]", *derived))
    return found


def _join_all(reader: Reader, choice: Choice, known: Known) -> Choice:
    """The choice with what stands in other parts joined to the rows that lack it."""
    chosen = list(choice.chosen)
    left = list(choice.left)
    for proposal in choice.chosen:
        if proposal.part.turned or not proposal.is_single:
            continue
        grown = proposal
        rivals = [
            p
            for p in chosen
            if p.table == proposal.table and p is not proposal and len(p.missing) > len(proposal.missing)
        ]
        for other in [*left, *(p.part for p in rivals)]:
            joined = _join_same(reader, grown, other, known)
            if joined is not None:
                grown = joined
                left = [p for p in left if p is not other]
                chosen = [p for p in chosen if p.part is not other]
        if grown.missing:
            grown = _join_register(reader, grown, chosen)
        chosen = [grown if p is proposal else p for p in chosen]
    return replace(choice, chosen=tuple(chosen), left=tuple(left))


def _join_same(reader: Reader, proposal: Proposal, other: Part, known: Known) -> Proposal | None:
    """A proposal with the columns of a part that holds more about the same keys, or None where it holds nothing."""
    if len(proposal.key) != 1:
        return None
    key = proposal.key_headers()[0]
    ids = frozenset(ids_of(reader.con, proposal.part, key))
    pairs = find_pairs(other, proposal.table, known)
    reading = (*other.reading, pairs) if pairs else other.reading
    for column in other.columns:
        share = _share(column, ids)
        if share < FOUND or not (pairs or _is_single(reader, other, column.header)):
            continue
        lines = _join_lines(other, reading, {key: column.header}, share, proposal.part)
        joined = reader.reshape(proposal.part, lines)
        more = match_columns(joined, proposal.table, known, proposal.matches)
        more = {name: m for name, m in more.items() if m.headers[0] not in proposal.part.headers}
        if more:
            return propose(reader.con, joined, proposal.table, _in_order(proposal, more))
    return None


def _join_register(reader: Reader, proposal: Proposal, chosen: Iterable[Proposal]) -> Proposal:
    """A proposal with a required column that a part of the register has for one of the keys it names."""
    for register in chosen:
        ours = proposal.matches.get(register.key[0])
        gained = [c for c in proposal.missing if c in register.matches]
        if len(register.key) != 1 or not register.is_single or ours is None or not gained:
            continue
        theirs = register.key_headers()[0]
        share = _share(proposal.part.column(ours.headers[0]), frozenset(ids_of(reader.con, register.part, theirs)))
        if share < FOUND:
            continue
        lines = _join_lines(register.part, register.part.reading, {ours.headers[0]: theirs}, share, proposal.part)
        joined = reader.reshape(proposal.part, lines)
        more = {c: register.matches[c] for c in gained if register.matches[c].headers[0] in joined.headers}
        if more:
            proposal = propose(reader.con, joined, proposal.table, _in_order(proposal, more))
    return proposal


def _in_order(proposal: Proposal, more: dict[str, Match]) -> dict[str, Match]:
    both = proposal.matches | more
    return {c: both[c] for c in dictionary.load_tables()[proposal.table].source_columns if c in both}


def _share(column: Column, ids: frozenset[str]) -> float:
    return sum(v in ids for v in column.distinct) / max(len(column.distinct), 1) if column.header else 0.0


def _is_single(reader: Reader, part: Part, header: str) -> bool:
    rows, keys = count_keys(reader.con, part, [header])
    return rows == keys > 0


def _join_lines(other: Part, reading: Sequence[str], on: dict[str, str], share: float, part: Part) -> tuple[str, ...]:
    """Lines of a join; a prefix stands before the headers that both have."""
    pairs = ", ".join(f"{toml(here)} = {toml(there)}" for here, there in on.items())
    keys = [line for line in reading if line.split(" ", 1)[0] in JOIN_KEYS]
    clash = {h.casefold() for h in part.headers} & {h.casefold() for h in other.headers} - {
        h.casefold() for h in on.values()
    }
    prefix = (f"prefix = {toml('their.')}  # before the headers that both have",) if clash else ()
    there = next(iter(on.values()))
    said = f"{share:.0%} of the values of {there} are".replace("%", " %") + f" {next(iter(on))} of {part.label}"
    return ("", "[[table.join]]", *keys, f"on = {{ {pairs} }}  # {said}", *prefix)
