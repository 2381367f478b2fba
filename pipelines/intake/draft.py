"""Drafts a mapping from the headers, values and keys of several files, every guess with its evidence beside it."""

import json
import tempfile
from collections.abc import Sequence
from pathlib import Path

import duckdb

from pipelines.intake import guesses
from pipelines.intake.draft_joins import put_together
from pipelines.intake.draft_parts import Part, find_parts, toml
from pipelines.intake.draft_tables import FOUND, ON_RECORD, Choice, Known, Match, Proposal
from pipelines.intake.formats import SHEETS
from pipelines.intake.mapping import TableSource
from pipelines.intake.sources import table_of
from pipelines.intake.typed import TypedSelect, Zones
from shared import dictionary
from shared.settings import Settings
from shared.store import has_table

FORMATS_FROM = 500
"""Texts of a column that its format is guessed from; those of the whole file that it fails are listed."""
SHOWN_ROWS = 5
LISTS = (
    "missing_columns",
    "unreadable_columns",
    "doubtful_columns",
    "unknown_code_columns",
    "unknown_status_columns",
    "clock_columns",
)
"""What a typed row says of its columns that could not be read."""


def draft_mapping(
    paths: Sequence[Path], con: duckdb.DuckDBPyConnection | None, settings: Settings, addresses: Sequence[str] = ()
) -> str:
    """Text of one mapping for some files and folders, to be edited by hand.

    Parameters
    ----------
    paths
        Files and folders to map.
    con
        The warehouse, where there is one: ids on record tell what a column names, lengths tell feet from metres.
        Read only.
    settings
        Insulation codes, and what an archive may unpack to.
    addresses
        Databases of PostgreSQL to map.

    Returns
    -------
    str
        TOML that parses; each guess has its evidence as a comment, what could not be guessed is marked with ``???``,
        and below each table stand what else its rows might be, the values that would not be read, and the first
        rows as they would load.

    Raises
    ------
    UserError
        A path is missing, a file is empty or is no table, or nothing in the files can be read as one.

    Notes
    -----
    Checked by: tests/unit/test_intake_draft.py
    """
    with tempfile.TemporaryDirectory(prefix="loopwear_draft_") as unpacked, duckdb.connect() as scratch:
        scratch.execute("set TimeZone = 'UTC'")
        reader, parts = find_parts(scratch, paths, Path(unpacked), settings, addresses)
        known = _known_on_record(con)
        on_record = set(known.ids)
        choice = put_together(reader, parts, known)
        median = _known_median(con)
        lines = [
            f"# Drafted from {', '.join(p.label for p in parts)}.",
            "# Every line is a guess with its reason; correct what is wrong, then load with it.",
            "# Lines with ??? could not be guessed: fill them in or leave them out.",
            *_needed(choice, on_record),
        ]
        for proposal in choice.chosen:
            if _is_canonical(proposal, choice):
                lines += ["", f"# {proposal.part.label} is in the canonical form: it loads as it is."]
            else:
                lines += ["", *_block(scratch, proposal, choice, known, median, settings)]
        for part in choice.left:
            lines += ["", f"# Nothing is made of {part.label}: no table's key is among its headings:"]
            lines += [_left_line(part, h, known) for h in part.headers if h]
    return "\n".join([*lines, *_insulations(choice)]) + "\n"


def _needed(choice: Choice, on_record: set[str]) -> list[str]:
    """The tables without which nothing can be loaded, where neither the files nor the warehouse have them."""
    there = {p.table for p in choice.chosen}
    lacking = [
        f"#   {table}: {', '.join(dictionary.load_tables()[table].required)}"
        for table in ("districts", "loops", "sections")
        if table not in there and dictionary.load_tables()[table].key[0] not in on_record
    ]
    return ["# ??? Needed before jobs are loaded, and not among these files:", *lacking] if lacking else []


def _is_canonical(proposal: Proposal, choice: Choice) -> bool:
    """Whether a part loads without a mapping: its file named after its table, its headers those of the dictionary."""
    part, facts = proposal.part, dictionary.load_tables()[proposal.table]
    plain = len(part.reading) == 1 and not part.shape and part.reading[0].startswith("files")
    joined = any(part.reading[0] in other.part.shape for other in choice.chosen)
    names = {h for h in part.headers if h}
    fits = set(facts.required) <= names <= set(facts.source_columns)
    named = all(table_of(path) == proposal.table and path.suffix.casefold() not in SHEETS for path, _ in part.files)
    return plain and fits and named and not joined


def _insulations(choice: Choice) -> list[str]:
    """Insulations that are no code, to be registered by whoever knows what they are."""
    found = [
        word
        for proposal in choice.chosen
        if "insulation" in proposal.matches
        for word in guesses.guess_codes(
            "insulation", list(proposal.part.column(proposal.matches["insulation"].headers[0]).distinct)
        )[1]
    ]
    lines = [f'# {toml(word)} = "???"' for word in dict.fromkeys(found)]
    said = "# ??? Insulations that are no code: give each a code in the lines above, or say here what it is."
    return ["", said, "# [insulations]", *lines] if lines else []


def _known_on_record(con: duckdb.DuckDBPyConnection | None) -> Known:
    """The ids that the warehouse holds."""
    known = Known()
    for table in ("districts", "loops", "terminals", "sections", "instruments", "jobs"):
        if con is not None and has_table(con, f"raw.{table}"):
            key = dictionary.load_tables()[table].key[0]
            known.add(key, ON_RECORD, (v for (v,) in con.execute(f"select distinct {key} from raw.{table}").fetchall()))
    return known


def _known_median(con: duckdb.DuckDBPyConnection | None) -> float | None:
    if con is None or not has_table(con, "raw.sections"):
        return None
    row = con.execute("select median(length_m) from raw.sections").fetchone()
    return row[0] if row else None


def _block(
    scratch: duckdb.DuckDBPyConnection,
    proposal: Proposal,
    choice: Choice,
    known: Known,
    median: float | None,
    settings: Settings,
) -> list[str]:
    """Lines of one table: how it is read, its columns, and what a person should know before it is loaded."""
    part, table = proposal.part, proposal.table
    reading = list(part.reading)
    facts = dictionary.load_tables()[table]
    if facts.instants:
        reading.append('# timezone = "UTC"  # ??? only where the stamps are not in the district\'s own zone')
    columns = [line for column in facts.source_columns for line in _column_lines(proposal, column, median)]
    lines = [
        f"# {table}, from {part.label}",
        "[[table]]",
        f'to = "{table}"  # {proposal.said()}',
        *reading,
        *part.shape,
        "",
        "[table.columns]",
        *columns,
    ]
    used = {h for p in choice.chosen if p.part is part for h in p.used}
    rest = [h for h in part.headers if h and h not in used]
    if rest and proposal is next(p for p in choice.chosen if p.part is part):
        lines += ["", "# Columns of the file that nothing is made of, and their first values:"]
        lines += [_left_line(part, h, known) for h in rest]
    lines += _alternatives(proposal, choice)
    source = part.source(table, columns)
    return lines + _failures(scratch, proposal, source, settings) + _preview(scratch, proposal, source, settings)


def _left_line(part: Part, header: str, known: Known) -> str:
    """A column that nothing is made of: its first values, and what they are known to be elsewhere."""
    column = part.column(header)
    shown = ", ".join(toml(t[:40]) for t in column.distinct[:3]) or "empty"
    for key in known.ids:
        share, where = known.share(key, column.distinct, f"{header} of {part.label}")
        if share >= FOUND:
            return f"#   {toml(header)}: {shown}; {share:.0%} of them are in {where}".replace("%", " %")
    return f"#   {toml(header)}: {shown}"


def _alternatives(proposal: Proposal, choice: Choice) -> list[str]:
    """What else the rows might be, with the evidence for and against it."""
    if proposal is not next(p for p in choice.chosen if p.part is proposal.part):
        return []
    listed = []
    for other in sorted((p for p in choice.alternatives if p.part is proposal.part), key=lambda p: -p.weight):
        pairs = ", ".join(f"{c} = {toml(m.headers[0])}" for c, m in other.matches.items())
        against = f"; nothing for {', '.join(other.missing)}" if other.missing else ""
        listed.append(f"#   {other.table}: {pairs}; {other.said()}{against}")
    return ["", "# Other tables that it might be or hold:", *listed] if listed else []


def _column_lines(proposal: Proposal, column: str, median: float | None) -> list[str]:
    facts = dictionary.columns()[column]
    match = proposal.matches.get(column)
    if match is None:
        required = column in dictionary.load_tables()[proposal.table].required
        return [f'# {column} = "???"' + ("  # required" if required else f"  # {facts.meaning}")]
    part, said = proposal.part, match.said
    texts = list(part.column(match.headers[0]).texts if len(match.headers) == 1 else part.joined(match.headers))
    shown = toml(match.headers[0])
    if facts.type in ("instant", "date"):
        return [_stamp_line(column, match, texts)]
    if facts.unit in ("m", "% of c"):
        if part.is_decimal_comma:
            texts = [t.replace(".", "").replace(",", ".") for t in texts]
        unit = part.column(match.headers[0]).unit
        guess = (
            guesses.guess_velocity(texts)
            if facts.unit == "% of c"
            else guesses.guess_length_unit(match.headers[0], unit, texts, median)
        )
        said += f"; {guess.evidence}" + ("" if guess.is_sure else "; ???")
        return [f'{column} = {{ from = {shown}, unit = "{guess.value[0]}" }}  # {said}']
    if facts.codes:
        return _code_lines(column, shown, texts, said)
    return [f"{column} = {shown}  # {said}"]


def _stamp_line(column: str, match: Match, texts: list[str]) -> str:
    one = len(match.headers) == 1
    source = f"from = {toml(match.headers[0])}" if one else f"join = {json.dumps(match.headers, ensure_ascii=False)}"
    guess = guesses.guess_formats(texts[:FORMATS_FROM]) if texts else None
    if guess is None:
        seen = f"e.g. '{texts[0]}'" if texts else "it is empty"
        return f"{column} = {{ {source} }}  # {match.said}; ??? its form is not known, {seen}"
    formats = f", formats = {json.dumps(list(guess.value))}" if guess.value else ""
    return f"{column} = {{ {source}{formats} }}  # {match.said}; {guess.evidence}{'' if guess.is_sure else '; ???'}"


def _code_lines(column: str, shown: str, texts: list[str], said: str) -> list[str]:
    translated, unknown = guesses.guess_codes(column, texts)
    codes = ", ".join(f"{toml(k)} = {toml(v)}" for k, v in sorted(translated.items()))
    line = f"{column} = {{ from = {shown}, codes = {{ {codes} }} }}" if codes else f"{column} = {shown}"
    lines = [f"{line}  # {said}"]
    if unknown:
        listed = ", ".join(toml(u) for u in sorted(unknown)[:8])
        known = ", ".join(dictionary.codes()[dictionary.columns()[column].codes or column])
        lines.append(f"#   ??? no code found for {listed}; codes: {known}")
    return lines


def _selects(proposal: Proposal, source: TableSource, settings: Settings) -> list[TypedSelect]:
    return [TypedSelect(source, read, settings, Zones(source.timezone, None, None, ())) for read in proposal.part.whole]


def _failures(
    scratch: duckdb.DuckDBPyConnection, proposal: Proposal, source: TableSource, settings: Settings
) -> list[str]:
    """The values that could not be read, by column: how many of how many, and the first of them."""
    failed: dict[str, tuple[int, list[str]]] = {}
    for select in _selects(proposal, source, settings):
        texts = select.texts()
        listed = ", ".join(LISTS)
        scratch.execute(
            f"create or replace temp table failed as select row_number, "
            f"string_split(concat_ws(',', {listed}), ',') as names from ({select.sql(0)}) where fault is null "
            f"and concat_ws('', {listed}) <> ''"
        )
        named = scratch.execute("select distinct unnest(names) from failed order by 1").fetchall()
        for column in (c for (c,) in named if c in source.columns):
            rows = scratch.execute(
                f"select {texts[column]}, count(*) from {select.read.name} as r join failed as f using (row_number) "
                f"where list_contains(f.names, '{column}') group by 1 order by min(row_number)"
            ).fetchall()
            count, seen = failed.setdefault(column, (0, []))
            failed[column] = count + sum(n for _, n in rows), seen + [t for t, _ in rows if t not in seen]
    lines = []
    for column in (c for c in source.columns if c in failed):
        count, seen = failed[column]
        shown = ", ".join("(empty)" if t is None else toml(t) for t in seen[:3])
        lines.append(f"#   {column}: {count} of {proposal.part.count}, first {shown}")
    return ["", "# Values that would not be read:", *lines] if lines else []


def _preview(
    scratch: duckdb.DuckDBPyConnection, proposal: Proposal, source: TableSource, settings: Settings
) -> list[str]:
    """The first rows as they would load, as comments."""
    columns = [c for c in dictionary.load_tables()[source.table].source_columns if c in source.columns]
    listed = ", ".join(f'"{c}"::varchar' for c in columns)
    select = _selects(proposal, source, settings)[0]
    rows = scratch.execute(f"select {listed} from ({select.sql(0)}) order by row_number limit {SHOWN_ROWS}").fetchall()
    shown = ["", "# The first rows as they would load (times as in the district's zone):"]
    for row in rows:
        pairs = [f"{c} = {str(v).removesuffix('+00')}" for c, v in zip(columns, row, strict=True) if v is not None]
        shown.append("#   " + "; ".join(pairs).replace("\n", " ").replace("\r", " "))
    return shown
