"""Texts to values, set-wise: numbers in metres, codes, dates and zoned times, and what could not be read."""

import datetime as dt
from dataclasses import dataclass

from pipelines.intake.mapping import NAMED_FORMATS, ColumnSource, TableSource
from pipelines.intake.text import ReadFile
from pipelines.intake.zones import instant_sql
from shared import dictionary, units
from shared.settings import Settings
from shared.store import quoted

BLANKS = "' \t\u00a0\r\n'"
THOUSANDS = r"[+-]?\d{1,3}(,\d{3})+(\.\d+)?"
POINTS = r"[+-]?\d{1,3}([. \x{a0}\x{202f}]\d{3})+(,\d+)?"
"""Numbers whose decimals stand after a comma, their thousands after points or blanks."""
DATE = r"\d{4}-\d{2}-\d{2}"
CLOCK = r"[T ]\d{2}:\d{2}(:\d{2}(\.\d{1,9})?)?"
ZONED = r"\s?(Z|z|[+-]\d{2}(:?\d{2})?)"
LATER = frozenset({"pulse_ns", "range_m", "sampling_m", "cable_class"})
"""Columns that came after a row's fingerprint was fixed: empty, they leave it as it was in older warehouses."""
ROUNDED_TO = 6
"""Decimals kept once a unit is turned into ours: micrometres, so that feet and metres of one length agree."""


@dataclass(frozen=True)
class Zones:
    """Zones of the districts in play: how a row finds its own, and the days their clocks change.

    ``sole`` is the zone where all districts share one; otherwise ``lookup`` is a temporary table (id, timezone)
    and ``by`` the column that finds it.
    """

    sole: str | None
    lookup: str | None
    by: str | None
    days: tuple[dt.date, ...]


def known_codes(listed: str | None, settings: Settings) -> list[str]:
    """Codes of a list: the dictionary's, and for insulations those of the settings too."""
    codes = list(dictionary.codes()[listed]) if listed else []
    if listed == "insulation":
        codes += [c for c in settings.intake.insulations if c not in codes]
    return codes


def text_sql(source: ColumnSource, read: ReadFile) -> str:
    """SQL of a column's text as it stands in the file: joined, trimmed, null where blank."""
    if source.value is not None:
        return quoted(source.value)
    cells = [f"nullif({trimmed_sql(cell)}, '')" for cell in cells_of(source, read)]
    if not cells:
        return "null::varchar"
    return cells[0] if len(cells) == 1 else f"nullif(concat_ws({quoted(source.joiner)}, {', '.join(cells)}), '')"


def trimmed_sql(cell: str) -> str:
    """SQL of a cell without blanks at its ends; only a cell that may have some is trimmed, which is slow."""
    may_have = f"{cell} < '!' or {cell}[-1] < '!' or contains({cell}, '\u00a0')"
    return f"case when {may_have} then trim({cell}, {BLANKS}) else {cell} end"


def cells_of(source: ColumnSource, read: ReadFile) -> list[str]:
    """SQL of the cells of a file (alias r) that a column is made of, as received."""
    places = {header.casefold(): i for i, header in reversed(list(enumerate(read.headers, start=1)))}
    return [f"r.c{places[h.casefold()]}" for h in source.columns if h.casefold() in places]


def filters_sql(source: TableSource, read: ReadFile) -> str:
    """SQL of a mapping's filters over the view of a file (alias r), each after an "and"."""
    tests = []
    for row_filter in source.filters:
        if not cells_of(ColumnSource((row_filter.column,)), read):
            continue  # a file without decisions: its rows are decided on
        cell = f"lower(coalesce({text_sql(ColumnSource((row_filter.column,)), read)}, ''))"
        listed = ", ".join(quoted(v.strip().casefold()) for v in row_filter.values)
        tests.append(f" and {cell} {'in' if row_filter.keep else 'not in'} ({listed})")
    return "".join(tests)


def number_sql(text: str, decimal: str | None, factor: float) -> str:
    """SQL of a number, with thousands separators only where they stand every three digits."""
    if decimal == ",":
        # A point that does not group thousands is none: 12.5 must not become 125.
        bare = f"regexp_replace({text}, '[. \\x{{a0}}\\x{{202f}}]', '', 'g')"
        plain = f"case when not contains({text}, '.') then try_cast(replace({text}, ',', '.') as double) end"
        grouped = f"regexp_full_match({text}, '{POINTS}') then try_cast(replace({bare}, ',', '.') as double)"
    else:
        plain = f"try_cast({text} as double)"
        grouped = f"regexp_full_match({text}, '{THOUSANDS}') then try_cast(replace({text}, ',', '') as double)"
    number = f"coalesce({plain}, case when {grouped} end)"
    value = number if factor == 1.0 else f"round({number} * {factor!r}, {ROUNDED_TO})"
    # DuckDB reads 'nan', 'inf' and '1_000' as numbers; a utility's file does not mean them.
    return f"case when isfinite({number}) and not contains({text}, '_') then {value} end"


def code_sql(text: str, codes: list[str]) -> str:
    """SQL of a code, whatever its case and with blanks or hyphens for underscores; null where unknown."""
    exact = ", ".join(quoted(c) for c in codes)
    loose = " ".join(f"when {quoted(c.casefold())} then {quoted(c)}" for c in codes)
    plain = f"lower(replace(replace({text}, ' ', '_'), '-', '_'))"
    return f"case when {text} in ({exact}) then {text} else case {plain} {loose} end end"


def marked(formats: tuple[str, ...]) -> tuple[str, ...]:
    """Formats made of marks such as %d, without those that are numbers."""
    return tuple(f for f in formats if f not in NAMED_FORMATS)


def parsed_sql(text: str, formats: list[str]) -> list[str]:
    """SQL that reads a stamp by formats of marks; none where there are none."""
    return [f"try_strptime({text}, [{', '.join(quoted(f) for f in formats)}])"] if formats else []


def serial_sql(text: str, decimal: str | None) -> str:
    """SQL of the local time that a spreadsheet counts in days, to the second; its days before March 1900 are wrong."""
    days = number_sql(text, decimal, 1.0)
    whole = f"to_seconds(try_cast(round({days} * 86400) as bigint))"
    return f"case when {days} between 61 and 2958465 then timestamp '1899-12-30' + {whole} end"


def epoch_sql(text: str, formats: tuple[str, ...], decimal: str | None) -> list[str]:
    """SQL of the instant counted since 1970: seconds, or milliseconds; where either may be, by its size."""
    count = number_sql(text, decimal, 1.0)
    found = []
    if "epoch_s" in formats:
        found.append(f"case when abs({count}) < 1e11 then to_timestamp({count}) end")
    if "epoch_ms" in formats:
        found.append(f"case when abs({count}) < 1e14 then to_timestamp({count} / 1000) end")
    return found


def date_sql(text: str, formats: tuple[str, ...], year_allowed: bool, decimal: str | None = None) -> str:
    """SQL of a date; a year alone is 1 July of it where that is allowed, a count since 1970 gives the day in UTC."""
    iso = f"{DATE}({CLOCK}({ZONED})?)?"
    plain = f"case when regexp_full_match({text}, '{iso}') then try_cast({text}[:10] as date) end"
    if formats:
        ways = [f"{way}::date" for way in parsed_sql(text, list(marked(formats)))]
        ways += [f"({serial_sql(text, decimal)})::date"] if "excel_serial" in formats else []
        ways += [f"timezone('UTC', {way})::date" for way in epoch_sql(text, formats, decimal)]
        ways += [plain] if "iso" in formats else []
        full = f"coalesce({', '.join(ways)})"
    else:
        full = plain
    if not year_allowed:
        return full
    return f"case when regexp_full_match({text}, '\\d{{4}}') then try_cast({text} || '-07-01' as date) else {full} end"


def local_sql(text: str, formats: tuple[str, ...], decimal: str | None = None) -> str:
    """SQL of a timestamp without zone, null where the text states an offset or is none."""
    if formats:
        ways = parsed_sql(text, [f for f in marked(formats) if "%z" not in f])
        ways += [serial_sql(text, decimal)] if "excel_serial" in formats else []
        ways += [local_sql(text, ())] if "iso" in formats else []
        return f"coalesce({', '.join(ways)})" if ways else "null::timestamp"
    plain = f"(length({text}) = 19 and {text}[17] = ':') or length({text}) in (10, 16)"
    return (
        f"case when ({plain} or regexp_full_match({text}, '{DATE}({CLOCK})?')) and {text}[5] = '-' "
        f"then try_cast({text} as timestamp) end"
    )


def zoned_sql(text: str, formats: tuple[str, ...], decimal: str | None = None) -> str:
    """SQL of an instant whose text states its offset, null where it states none."""
    if formats:
        ways = [f"timezone('UTC', {way})" for way in parsed_sql(text, [f for f in marked(formats) if "%z" in f])]
        ways += epoch_sql(text, formats, decimal)
        ways += [zoned_sql(text, ())] if "iso" in formats else []
        return f"coalesce({', '.join(ways)})" if ways else "null::timestamptz"
    is_iso = f"length({text}) > 16 and regexp_full_match({text}, '{DATE}{CLOCK}{ZONED}')"
    return f"case when {is_iso} then try_cast({text} as timestamptz) end"


class TypedSelect:
    """The select that turns one read file into typed rows of its table.

    Notes
    -----
    Three layers: texts, then local times and plain values, then instants, lists of what failed, and the hash.

    Checked by: tests/unit/test_validation_rules.py (through load_paths),
    tests/properties/test_intake_same_warehouse.py (through load_paths)
    """

    def __init__(self, source: TableSource, read: ReadFile, settings: Settings, zones: Zones) -> None:
        self.source = source
        self.read = read
        self.settings = settings
        self.zones = zones
        self.table = dictionary.load_tables()[source.table]
        self.facts = {c: self.table.column(c) for c in self.table.source_columns}

    def texts(self) -> dict[str, str]:
        """SQL of each column's text as received, over the view of the file (alias r)."""
        return {c: text_sql(self.source.columns.get(c, ColumnSource()), self.read) for c in self.facts}

    def _translated(self, column: str, text: str) -> str:
        source = self.source.columns.get(column, ColumnSource())
        if not source.codes and source.default is None:
            return text
        arms = " ".join(f"when {quoted(k.casefold())} then {quoted(v)}" for k, v in source.codes.items())
        known = known_codes(self.facts[column].codes, self.settings)
        kept = code_sql(text, known) if known else text
        found = f"case lower({text}) {arms} else {kept} end" if arms else kept
        return (
            f"coalesce({found}, {quoted(source.default)})"
            if source.default is not None
            else f"coalesce({found}, {text})"
        )

    def _formats(self, column: str) -> tuple[str, ...]:
        return self.source.columns.get(column, ColumnSource()).formats or self.source.formats

    def _value(self, column: str) -> str:
        """SQL of the value over the texts t_<column>; instants are made a layer later."""
        text = f"t_{column}"
        facts = self.facts[column]
        if facts.type in ("number", "integer"):
            unit = self.source.columns.get(column, ColumnSource()).unit
            factor = {**units.METRES, **units.VELOCITY_PCT}[unit] if unit else 1.0
            number = number_sql(text, self.source.decimal, factor)
            if facts.type == "number":
                return number
            return f"case when {number} = floor({number}) and abs({number}) < 9e15 then ({number})::bigint end"
        if facts.type == "date":
            return date_sql(text, self._formats(column), column == "installed_on", self.source.decimal)
        if facts.type == "boolean":
            return (
                f"case when lower({text}) in ('true', 't', 'yes', 'y', '1') then true "
                f"when lower({text}) in ('false', 'f', 'no', 'n', '0') then false end"
            )
        if facts.codes:
            return code_sql(text, known_codes(self.facts[column].codes, self.settings))
        # A zero byte makes no number, date or code; a text with one, an id above all, is not what it was meant to be.
        return f"case when not contains({text}, chr(0)) then {text} end" if self.read.has_zero else text

    def sql(self, file_no: int) -> str:
        """The whole select, in the order of :func:`typed_columns`."""
        instants = [c for c, f in self.facts.items() if f.type == "instant"]
        texts = ", ".join(f"{self._translated(c, s)} as t_{c}" for c, s in self.texts().items())
        layer = f"select r.row_number, r.cells, r.fault, {texts} from {self.read.name} as r{self._where()}"
        values = ", ".join(f"{self._value(c)} as v_{c}" for c in self.facts if c not in instants)
        mark = self.source.decimal
        locals_ = "".join(
            f", {local_sql(f't_{c}', self._formats(c), mark)} as l_{c}"
            f", {zoned_sql(f't_{c}', self._formats(c), mark)} as z_{c}"
            for c in instants
        )
        zone, join = self._zone()
        layer = f"select t.*, {values}{locals_}, {zone} as zone from ({layer}) as t{join}"
        final = {c: f"v_{c}" for c in self.facts if c not in instants}
        final |= {c: f"coalesce(z_{c}, {instant_sql(f'l_{c}', 'zone', self.zones.days)})" for c in instants}
        listed = ", ".join(f'{final[c]} as "{c}"' for c in self.facts)
        layer = f"select *, {listed} from ({layer})"
        return f"select {self._outer(file_no, instants)} from ({layer})"

    def _where(self) -> str:
        """SQL of the mapping's filters; malformed rows are never filtered, they go to quarantine."""
        tests = filters_sql(self.source, self.read)
        return f" where r.fault is not null or (true{tests})" if tests else ""

    def _zone(self) -> tuple[str, str]:
        if self.source.timezone:
            return quoted(self.source.timezone), ""
        if self.zones.sole or not self.zones.lookup:
            return quoted(self.zones.sole or "UTC"), ""
        return "coalesce(f.timezone, 'UTC')", f" left join {self.zones.lookup} as f on f.id = t.t_{self.zones.by}"

    def _outer(self, file_no: int, instants: list[str]) -> str:
        required = set(self.table.required)
        read_as = [c for c, f in self.facts.items() if f.type != "text" or f.codes or self.read.has_zero]

        def listing(arms: list[str]) -> str:
            return f"nullif(concat_ws(',', {', '.join(arms)}), '')" if arms else "null::varchar"

        def failed(column: str) -> str:
            lost = f't_{column} is not null and "{column}" is null'
            return f"{lost} and l_{column} is null and z_{column} is null" if column in instants else lost

        lists = {
            "missing_columns": [f"case when t_{c} is null then '{c}' end" for c in self.facts if c in required],
            "unreadable_columns": [f"case when {failed(c)} then '{c}' end" for c in read_as if c in required],
            "doubtful_columns": [
                f"case when {failed(c)} then '{c}' end"
                for c in read_as
                if c not in required and not self.facts[c].codes
            ],
            "unknown_code_columns": [
                f"case when {failed(c)} then '{c}' end"
                for c in read_as
                if c not in required and self.facts[c].codes and c != "status"
            ],
            "unknown_status_columns": [f"case when {failed(c)} then '{c}' end" for c in read_as if c == "status"],
            "clock_columns": [
                f"case when l_{c} is not null and z_{c} is null and \"{c}\" is null then '{c}' end" for c in instants
            ],
            "midnight_columns": [f"case when l_{c} = date_trunc('day', l_{c}) then '{c}' end" for c in instants],
            "date_columns": [f"case when {self._is_date(c)} then '{c}' end" for c in instants],
        }
        year_only = "regexp_full_match(t_installed_on, '\\d{4}')" if "installed_on" in self.facts else ""
        columns = [f'"{c}"' for c in self.facts]
        hashed = [
            f"'{c}=' || \"{c}\"::varchar" if c in LATER else f"coalesce(\"{c}\"::varchar, '')" for c in self.facts
        ]
        if "is_install_year_only" in self.table.columns:
            columns.append(f"coalesce({year_only}, false) as is_install_year_only")
            hashed.append(f"{year_only}::varchar")
        return ", ".join(
            [
                f"{file_no}::integer as file_no",
                "row_number",
                "cells",
                "fault",
                *columns,
                *(f"{listing(arms)} as {name}" for name, arms in lists.items()),
                f"md5(concat_ws(chr(31), {', '.join(hashed)})) as content_hash",
            ]
        )

    def _is_date(self, column: str) -> str:
        formats = self._formats(column)
        if formats and "iso" not in formats:
            # a count of days without a fraction is a midnight, which is judged beside the others
            return (
                str(
                    not any(f in NAMED_FORMATS or mark in f for f in formats for mark in ("%H", "%I", "%T", "%X", "%c"))
                ).lower()
                + f" and l_{column} is not null"
            )
        return f"length(t_{column}) = 10 and l_{column} is not null"
