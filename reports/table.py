"""Tables of the pages: plain rows for those that are short, data for the page's script for those that are long."""

from __future__ import annotations

import base64
import json
import math
import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pandas as pd
from markupsafe import Markup

from reports import style
from shared import dictionary

PLAIN_ROWS = 300
"""Rows a table may have in plain HTML; above, a first part is plain and the rest is drawn by the page's script."""

FIRST_ROWS = 100
"""Plain rows of a table that is too long to be plain."""

OPEN_ROWS = 12
"""Rows up to which a table stands open."""

SUMMED_DECIMALS = 6
"""Decimals kept of a column that the page adds up, so that the sum of many rows is right to its last digit printed."""

LONG_TEXT = 30
"""Characters above which the text of a cell may be broken over lines."""


@dataclass(frozen=True)
class Table:
    """The figures of a chart as a table.

    Parameters
    ----------
    frame
        Rows in the order they are printed.
    columns
        Columns shown, by their names in the dictionary; the first one names the row.
    source
        Table of the warehouse they come from, e.g. marts.loop_ranking.
    labels
        Headings other than those made from the column names.
    extra
        How many more rows the source holds that are not in the frame (said below).
    filters
        Columns by whose values the rows can be picked, such as district_id; shown where they differ.
    sums
        Columns whose sum over the rows picked is printed beside their number.
    anchors
        Column to value to the id of the place on the page that its cell links to.
    wordings
        Column to code to the words a plain table prints for it.
    """

    frame: pd.DataFrame
    columns: tuple[str, ...]
    source: str
    labels: dict[str, str] = field(default_factory=dict)
    extra: int = 0
    filters: tuple[str, ...] = ()
    sums: tuple[str, ...] = ()
    anchors: Mapping[str, Mapping[str, str]] = field(default_factory=dict)
    wordings: Mapping[str, Mapping[str, str]] = field(default_factory=dict)

    def label(self, column: str) -> str:
        return self.labels.get(column) or style.label_of(column)

    @property
    def is_long(self) -> bool:
        return len(self.frame) > PLAIN_ROWS

    @property
    def is_open(self) -> bool:
        return len(self.frame) <= OPEN_ROWS


def _bare(value: Any) -> Any:
    """A value of a figure as JSON can hold it: lists for arrays, nine digits, null for what is missing."""
    if isinstance(value, dict):
        if set(value) >= {"dtype", "bdata"}:
            array = np.frombuffer(base64.b64decode(value["bdata"]), dtype=value["dtype"])
            shape = [int(n) for n in str(value.get("shape", len(array))).split(",")]
            return _bare(array.reshape(shape).tolist())
        return {key: _bare(item) for key, item in value.items()}
    if isinstance(value, list | tuple | np.ndarray | pd.Series):
        return [_bare(item) for item in value]
    if isinstance(value, bool | np.bool_):
        return bool(value)
    if isinstance(value, int | np.integer):
        return int(value)
    if isinstance(value, float | np.floating):
        if not math.isfinite(value):
            return None
        kept = float(f"{value:.9g}")
        return int(kept) if kept == int(kept) else kept  # 71, not 71.0: pages are full of whole minutes
    if value is None or value is pd.NaT or value is pd.NA:
        return None
    return value if isinstance(value, str) else f"{value:%Y-%m-%dT%H:%M:%S}" if hasattr(value, "hour") else str(value)


def as_json(value: Any) -> Markup:
    """JSON that may stand inside a script element, of anything a figure is made of."""
    return as_script(_bare(value))


def as_script(value: Any) -> Markup:
    """JSON of plain values that may stand inside a script element: no sequence in it can close the element."""
    text = json.dumps(value, ensure_ascii=False, separators=(",", ":"), allow_nan=False)
    return Markup(text.replace("<", "\\u003c").replace("\u2028", "\\u2028").replace("\u2029", "\\u2029"))


def table_json(table: Table) -> Markup:
    """All rows of a long table, column by column, for the page's script to draw fifty at a time.

    Numbers keep the digits that are printed, lengths two more for the other unit, and are written whole, their
    last digit in the ones (scale says which it is); whole numbers as steps from the one before, since neighbours
    are alike; and a text that comes again is written once: a page of a hundred thousand rows is to stay light.
    """
    facts = dictionary.columns()
    columns = []
    for name in table.columns:
        is_counted = name in facts and name not in style.CALENDAR_YEARS
        kind, decimals = facts[name].type if is_counted else "text", style.decimals_of(name)
        column: dict[str, Any] = {
            "name": name,
            "label": table.label(name),
            "unit": style.unit_of(name),
            "decimals": decimals,
            "kind": kind,
        }
        if name in table.anchors:
            column["anchors"] = dict(table.anchors[name])
        values = table.frame[name]
        if kind == "number":
            kept = 5 if decimals is None else decimals + (2 if style.unit_of(name) in style.LENGTH_UNITS else 0)
            column["scale"] = max(kept, SUMMED_DECIMALS) if name in table.sums else kept
            column["values"] = whole_numbers(values, 10 ** column["scale"])
        elif kind == "integer":
            column["steps"] = True
            column["values"] = steps_of(whole_numbers(values, 1))
        else:
            places, unlike = pd.factorize(values)
            texts = [style.cell(value, name) for value in unlike]
            if len(texts) * 4 < len(values):
                column["texts"] = texts
                column["values"] = [None if place < 0 else place for place in places.tolist()]
            else:
                every = [None if place < 0 else texts[place] for place in places.tolist()]
                patterns, parted = parts_of(every)
                is_shorter = len(json.dumps([patterns, parted])) < 0.8 * len(json.dumps(every))
                column |= {"patterns": patterns, "values": parted} if is_shorter else {"values": every}
        columns.append(column)
    return as_script(columns)


VARYING = re.compile(r"'[^']*'|\w*\d[\w.:/-]*")
"""What changes from one message of a rule to the next: what stands in quotes, and words with a digit."""

HOLE = "\x01"


def parts_of(values: list[str | None]) -> tuple[list[str], list[list[Any] | None]]:
    """Texts as patterns with holes, and for each text the place of its pattern and what fills the holes in order.

    Messages of one rule differ in a few words alone, and a page may hold thousands of them.

    Checked by: tests/unit/test_reports_page.py
    """
    places: dict[str, int] = {}
    parted: list[list[Any] | None] = []
    for text in values:
        if text is None:
            parted.append(None)
            continue
        bare = text.replace(HOLE, "")
        pattern = VARYING.sub(HOLE, bare)
        parted.append([places.setdefault(pattern, len(places)), *VARYING.findall(bare)])
    return list(places), parted


def whole_numbers(values: pd.Series, factor: int) -> list[int | None]:
    """Numbers times a factor, rounded; missing and unbounded ones are None."""
    scaled = np.round(values.to_numpy(dtype=np.float64, na_value=np.nan) * factor)
    return [int(v) if math.isfinite(v) else None for v in scaled.tolist()]


def steps_of(values: list[int | None]) -> list[int | None]:
    """Whole numbers as differences from the last one there, the first from 0; one that is missing stays so."""
    steps: list[int | None] = []
    last = 0
    for value in values:
        steps.append(None if value is None else value - last)
        last = last if value is None else value
    return steps


@dataclass(frozen=True)
class Cell:
    """One cell of a plain table."""

    text: str
    is_number: bool
    raw: str
    anchor: str = ""

    @property
    def kind(self) -> str:
        """n: a number; w: a text long enough to be broken over lines."""
        return "n" if self.is_number else "w" if len(self.text) > LONG_TEXT else ""


def plain_rows(table: Table) -> list[list[Cell]]:
    """The cells of a plain table; a length keeps its raw value for the unit switch."""
    shown = table.frame.head(FIRST_ROWS) if table.is_long else table.frame
    facts = dictionary.columns()
    made: list[list[Cell]] = []
    columns = [(name, shown[name].tolist()) for name in table.columns]
    for place in range(len(shown)):
        row = []
        for name, values in columns:
            value = values[place]
            kind = facts[name].type if name in facts else ("text" if isinstance(value, str) else "number")
            is_number = kind in ("number", "integer")
            raw = ""
            is_summed = name in table.sums or style.unit_of(name) in style.LENGTH_UNITS
            if is_number and is_summed and not style.is_missing(value):
                raw = f"{float(value):.9g}"
            anchor = table.anchors.get(name, {}).get(str(value), "")
            text = table.wordings.get(name, {}).get(str(value)) or style.cell(value, name)
            row.append(Cell(text, is_number, raw, anchor))
        made.append(row)
    return made


def meaning_of(table: Table, column: str) -> str:
    """Meaning of a column by the dictionary, or nothing."""
    listed = dictionary.tables().get(table.source)
    if listed is not None and column in listed.columns:
        return listed.meaning_of(column)
    facts = dictionary.columns().get(column)
    return facts.meaning if facts is not None else ""
