"""Drafts a mapping file from a file's headers and values, every guess with its evidence beside it."""

from __future__ import annotations

import io
import itertools
import json
from collections.abc import Iterator
from dataclasses import dataclass, field
from functools import cached_property
from pathlib import Path

import duckdb

from pipelines.intake import guesses
from pipelines.intake.formats import JSON, PARQUET, SHEETS, read_file, sheet_names, sheet_records
from pipelines.intake.mapping import TableSource
from pipelines.intake.mapping_file import parse_mapping_text
from pipelines.intake.sources import LOAD_ORDER
from pipelines.intake.text import find_delimiter, refuse_binary
from pipelines.intake.text_records import find_encoding, read_records
from pipelines.intake.typed import TypedSelect, Zones
from shared import dictionary
from shared.dictionary.aliases import UNIT_WORDS, header_score
from shared.errors import UserError
from shared.settings import Settings
from shared.store import has_table

SAMPLE_ROWS = 2000
HEAD_ROWS = 12
ENOUGH = 0.4
"""Score below which a header is not taken for a column."""


@dataclass(frozen=True)
class Sample:
    """The first rows of a file: where its header stands, and the texts of each column."""

    headers: tuple[str, ...]
    skip_rows: int
    skip_after_header: int
    unit_cells: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    sheet: str | None = None
    encoding: str | None = None

    def texts(self, header: str) -> list[str]:
        """Texts of a column that are not blank."""
        place = self.headers.index(header)
        return [row[place].strip() for row in self.rows if place < len(row) and row[place].strip()]

    def numbers(self, header: str) -> list[str]:
        """Texts of a column of numbers, their decimals after a point."""
        texts = self.texts(header)
        return texts if self.decimal is None else [t.replace(".", "").replace(",", ".") for t in texts]

    @cached_property
    def decimal(self) -> guesses.Guess | None:
        """The decimal comma, where the file has one."""
        return guesses.guess_decimal([cell.strip() for row in self.rows for cell in row])

    @cached_property
    def thousands(self) -> str | None:
        """A number of the file of which nothing tells whether its comma stands for thousands."""
        return guesses.find_thousands([cell.strip() for row in self.rows for cell in row])

    def unit_of(self, header: str) -> str:
        place = self.headers.index(header)
        return self.unit_cells[place] if place < len(self.unit_cells) else ""


@dataclass
class Draft:
    """Lines of a mapping in the making: what maps each column, and what was left unsaid."""

    table: str
    lines: list[str] = field(default_factory=list)
    used: set[str] = field(default_factory=set)
    missing: list[str] = field(default_factory=list)


def draft_mapping(path: Path, con: duckdb.DuckDBPyConnection | None, settings: Settings) -> str:
    """Text of a mapping file to be edited by hand.

    Parameters
    ----------
    path
        The file to map.
    con
        The warehouse, where there is one: lengths on record help to tell feet from metres. Read only.
    settings
        Insulation codes.

    Returns
    -------
    str
        TOML that parses; each guess has its evidence as a comment, what could not be guessed is marked with ``???``,
        and the first five rows stand below as they would load.

    Raises
    ------
    UserError
        The file is missing, empty, or holds nothing that can be read as a table.

    Notes
    -----
    Checked by: tests/unit/test_intake_draft.py
    """
    if not path.is_file():
        raise UserError("there is no such file", str(path), "check the path; quote it if it holds spaces")
    sample = read_sample(path)
    table = _guess_table(sample)
    draft = Draft(table)
    known_median = _known_median(con)
    for column in dictionary.load_tables()[table].source_columns:
        _draft_column(draft, sample, column, known_median)
    head = _head(path, sample, table)
    rest = [f"#   {json.dumps(h, ensure_ascii=False)}" for h in sample.headers if h and h not in draft.used]
    lines = [*head, "", "[table.columns]", *draft.lines]
    if rest:
        lines += ["", "# Columns of the file that nothing is made of:", *rest]
    text = "\n".join(lines) + "\n"
    return text + "\n".join(_preview(path, text, settings)) + "\n"


def read_sample(path: Path) -> Sample:
    """The first rows of a file, its header found among titles and units."""
    suffix = path.suffix.casefold()
    if suffix in SHEETS:
        found = [_sample_of((r[1] for r in sheet_records(path, path.name, s)), s) for s in sheet_names(path, path.name)]
        best = max(found, key=lambda s: _table_score(s, _guess_table(s)) if s.headers else -1.0)
        if not best.headers:
            raise UserError("the workbook holds no table", path.name, "export one with a header row")
        return best
    if suffix in (*JSON, *PARQUET):
        with duckdb.connect() as scratch:
            read = read_file(scratch, "sampled", path, path.name, TableSource("jobs", {}))
            listed = ", ".join(f"coalesce(c{i}, '')" for i in range(1, len(read.headers) + 1))
            rows = scratch.execute(f"select {listed} from sampled limit {SAMPLE_ROWS}").fetchall()
        return Sample(read.headers, 0, 0, (), tuple(tuple(r) for r in rows))
    data = path.read_bytes()[: 1 << 22]
    if not data.strip():
        raise UserError("the file is empty", str(path), "export the table again")
    refuse_binary(data[: 1 << 16], str(path))
    encoding, assumed = find_encoding(data[: data.rfind(b"\n") + 1] or data)
    text = data.decode(encoding, "replace").removeprefix("\ufeff")
    words = {c for t in dictionary.load_tables().values() for c in t.source_columns}
    longest = max(text.splitlines()[:HEAD_ROWS], key=len, default="")
    records = read_records(io.StringIO(text, newline=""), find_delimiter(longest, words))
    sample = _sample_of((cells for _, cells, _ in records), None, encoding if assumed else None)
    if not sample.headers:
        raise UserError("the file holds no table", str(path), "export one with a header row")
    return sample


def _sample_of(rows: Iterator[list[str]], sheet: str | None, encoding: str | None = None) -> Sample:
    taken = list(itertools.islice(rows, SAMPLE_ROWS))
    if not taken:
        return Sample((), 0, 0, (), (), sheet, encoding)
    scores = [_header_likeness(row) for row in taken[:HEAD_ROWS]]
    at = max(range(len(scores)), key=lambda i: (scores[i], -i))
    after = taken[at + 1] if at + 1 < len(taken) else []
    is_unit_row = bool(after) and _is_unit_row(after)
    return Sample(
        tuple(" ".join(c.split()) for c in taken[at]),
        at,
        int(is_unit_row),
        tuple(after) if is_unit_row else (),
        tuple(tuple(r) for r in taken[at + 1 + int(is_unit_row) :]),
        sheet,
        encoding,
    )


def _header_likeness(row: list[str]) -> float:
    """How much a row looks like a header: words of the trade count most, then cells filled with words."""
    columns = {c for t in dictionary.load_tables().values() for c in t.source_columns}
    named = sum(max(header_score(cell, c) for c in columns) >= ENOUGH for cell in row if cell.strip())
    wordy = sum(any(ch.isalpha() for ch in cell) for cell in row)
    return named + wordy / 100.0


def _is_unit_row(row: list[str]) -> bool:
    filled = [c.strip().strip("()[]").casefold() for c in row if c.strip()]
    return bool(filled) and not any(ch.isdigit() for c in filled for ch in c) and any(c in UNIT_WORDS for c in filled)


def _table_score(sample: Sample, table: str) -> float:
    facts = dictionary.load_tables()[table]

    def best(column: str) -> float:
        return max((header_score(h, column) for h in sample.headers if h), default=0.0)

    required = [best(c) for c in facts.required]
    all_columns = sum(b for b in (best(c) for c in facts.source_columns) if b >= ENOUGH)
    return sum(required) / len(required) + all_columns / 10.0


def _guess_table(sample: Sample) -> str:
    return max(LOAD_ORDER, key=lambda t: _table_score(sample, t))


def _known_median(con: duckdb.DuckDBPyConnection | None) -> float | None:
    if con is None or not has_table(con, "raw.sections"):
        return None
    row = con.execute("select median(length_m) from raw.sections").fetchone()
    return row[0] if row else None


def _head(path: Path, sample: Sample, table: str) -> list[str]:
    lines = [
        f"# Drafted from {path.name}. Every line is a guess with its reason; correct what is wrong, then load with it.",
        "# Lines with ??? could not be guessed: fill them in or leave them out.",
        "[[table]]",
        f'to = "{table}"  # the table whose columns its headers fit best',
        f"files = {json.dumps(path.name, ensure_ascii=False)}  # may hold * and ?",
    ]
    if sample.sheet is not None:
        lines.append(f"sheet = {json.dumps(sample.sheet, ensure_ascii=False)}")
    if sample.encoding:
        lines.append(f'encoding = "{sample.encoding}"  # no mark says so; the file is not UTF-8')
    if sample.skip_rows:
        lines.append(f"skip_rows = {sample.skip_rows}  # rows above the header")
    if sample.decimal:
        lines.append(f'decimal = ","  # {sample.decimal.evidence}')
    elif sample.thousands:
        doubt = f"{sample.thousands} is taken as thousands; give ',' if its comma comes before decimals"
        lines.append(f'decimal = "."  # ??? {doubt}')
    if sample.skip_after_header:
        lines.append("skip_after_header = 1  # the row below the header holds units")
    if any(dictionary.columns()[c].type == "instant" for c in dictionary.load_tables()[table].source_columns):
        lines.append('# timezone = "UTC"  # ??? only where the stamps are not in the district\'s own zone')
    totals = [r[0].strip() for r in sample.rows if r and r[0].strip().casefold() in ("total", "totals", "sum")]
    if totals:
        column = json.dumps(sample.headers[0], ensure_ascii=False)
        values = json.dumps(totals[:1], ensure_ascii=False)
        lines.append(f"filters = [{{ column = {column}, values = {values}, keep = false }}]  # the row of totals")
    return lines


def _draft_column(draft: Draft, sample: Sample, column: str, known_median: float | None) -> None:
    facts = dictionary.columns()[column]
    others = [c for c in dictionary.load_tables()[draft.table].source_columns if c != column]
    # A header goes to the column it says best, not to the first that it says at all.
    free = [
        (i, h)
        for i, h in enumerate(sample.headers)
        if h
        and h not in draft.used
        and header_score(h, column) >= min(0.95, max(header_score(h, c) for c in others))
        and header_score(h, column) >= ENOUGH
        and not (facts.type in ("instant", "date") and _is_no_stamp(sample.texts(h)))
    ]
    ranked = sorted(((header_score(h, column), -i, h) for i, h in free), reverse=True)
    if not ranked:
        required = column in dictionary.load_tables()[draft.table].required
        if required:
            draft.missing.append(column)
        draft.lines.append(f'# {column} = "???"' + ("  # required" if required else f"  # {facts.meaning}"))
        return
    score, _, header = ranked[0]
    draft.used.add(header)
    texts = sample.texts(header)
    shown = json.dumps(header, ensure_ascii=False)
    said = "its own name" if score >= 1.0 else "a word of the trade for it"
    if score < 0.9:
        said = f"likeness {score:.1f}, ???"
    if facts.type in ("instant", "date"):
        draft.lines.append(_draft_stamp(draft, sample, column, header, texts, said))
    elif facts.unit in ("m", "% of c"):
        texts = sample.numbers(header)
        guess = (
            guesses.guess_velocity(texts)
            if facts.unit == "% of c"
            else guesses.guess_length_unit(header, sample.unit_of(header), texts, known_median)
        )
        said += f"; {guess.evidence}" + ("" if guess.is_sure else "; ???")
        draft.lines.append(f'{column} = {{ from = {shown}, unit = "{guess.value[0]}" }}  # {said}')
    elif facts.codes:
        draft.lines.extend(_draft_codes(column, shown, texts, said))
    else:
        draft.lines.append(f"{column} = {shown}  # {said}")


def _is_no_stamp(texts: list[str]) -> bool:
    """Whether the values speak against a date or a time of day: none can be read as one."""
    read = bool(guesses.guess_formats(texts[:300])) or guesses.is_day(texts) or guesses.is_hour(texts)
    return bool(texts) and not read


def _draft_stamp(draft: Draft, sample: Sample, column: str, header: str, texts: list[str], said: str) -> str:
    """A stamp, joined from a column of days and one of hours where it takes both."""
    shown = json.dumps(header, ensure_ascii=False)
    source = f"from = {shown}"
    if dictionary.columns()[column].type == "instant" and texts:
        partner = None
        if guesses.is_hour(texts) or guesses.is_day(texts):
            wanted = guesses.is_day if guesses.is_hour(texts) else guesses.is_hour
            places = [h for h in sample.headers if h and h not in draft.used and wanted(sample.texts(h))]
            place = sample.headers.index(header)
            partner = min(
                places, default=None, key=lambda h: (-header_score(h, column), abs(sample.headers.index(h) - place))
            )
        if partner is not None:
            draft.used.add(partner)
            pair = [partner, header] if guesses.is_hour(texts) else [header, partner]
            source = f"join = {json.dumps(pair, ensure_ascii=False)}"
            said += "; the day and the hour are in two columns"
            a, b = (sample.headers.index(h) for h in pair)
            texts = [
                f"{r[a].strip()} {r[b].strip()}"
                for r in sample.rows
                if max(a, b) < len(r) and r[a].strip() and r[b].strip()
            ]
    guess = guesses.guess_formats(texts[:300]) if texts else None
    if guess is None:
        return f"{column} = {{ {source} }}  # {said}; ??? its form is not known, e.g. '{texts[0] if texts else ''}'"
    formats = f", formats = {json.dumps(list(guess.value))}" if guess.value else ""
    return f"{column} = {{ {source}{formats} }}  # {said}; {guess.evidence}{'' if guess.is_sure else '; ???'}"


def _draft_codes(column: str, shown: str, texts: list[str], said: str) -> list[str]:
    translated, unknown = guesses.guess_codes(column, texts)
    codes = ", ".join(f"{json.dumps(k, ensure_ascii=False)} = {json.dumps(v)}" for k, v in sorted(translated.items()))
    line = f"{column} = {{ from = {shown}, codes = {{ {codes} }} }}" if codes else f"{column} = {shown}"
    lines = [f"{line}  # {said}"]
    if unknown:
        listed = ", ".join(json.dumps(u, ensure_ascii=False) for u in sorted(unknown)[:8])
        known = ", ".join(dictionary.codes()[dictionary.columns()[column].codes or column])
        lines.append(f"#   ??? no code found for {listed}; codes: {known}")
    return lines


def _preview(path: Path, text: str, settings: Settings) -> list[str]:
    """The first five rows as they would load, as comments."""
    source = parse_mapping_text(text, Path("draft")).tables[0]
    with duckdb.connect() as scratch:
        scratch.execute("set TimeZone = 'UTC'")
        read = read_file(scratch, "drafted", path, path.name, source)
        select = TypedSelect(source, read, settings, Zones(source.timezone, None, None, ()))
        columns = [c for c in dictionary.load_tables()[source.table].source_columns if c in source.columns]
        listed = ", ".join(f'"{c}"::varchar' for c in columns)
        rows = scratch.execute(f"select {listed} from ({select.sql(0)}) order by row_number limit 5").fetchall()
    shown = ["", "# The first rows as they would load (times as in the district's zone):"]
    for row in rows:
        pairs = [f"{c} = {str(v).removesuffix('+00')}" for c, v in zip(columns, row, strict=True) if v is not None]
        shown.append("#   " + "; ".join(pairs).replace("\n", " ").replace("\r", " "))
    return shown
