"""Tables of the pages: the first rows in plain HTML; the export has the rest."""

import base64
import json
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pandas as pd
from markupsafe import Markup, escape

from pipelines.restoration.stages import STAGES
from reports import style
from reports.links import NOWHERE, SHEET_COLUMNS, Links, jobs_of
from shared import dictionary

SHOWN_ROWS = 1_000
PRINTED_ROWS = 40
"""Rows of a table on paper; the number stands in style.css too."""
"""Rows of a table that stand in a page; the export and the list of rows have the rest."""

OPEN_ROWS = 12
"""Rows up to which a table stands open."""

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
    wordings
        Column to code to the words a table prints for it.
    to
        Column to the token of what its cell leads to (reports/links.py), one a row of the frame; ids lead to their
        sheets by themselves.
    """

    frame: pd.DataFrame
    columns: tuple[str, ...]
    source: str
    labels: dict[str, str] = field(default_factory=dict)
    extra: int = 0
    filters: tuple[str, ...] = ()
    sums: tuple[str, ...] = ()
    wordings: Mapping[str, Mapping[str, str]] = field(default_factory=dict)
    to: Mapping[str, Sequence[str | None]] = field(default_factory=dict)
    is_all: bool = False
    """The rows are what the page is for: they stand open however many they are."""

    def label(self, column: str) -> str:
        return self.labels.get(column) or style.label_of(column)

    @property
    def more(self) -> int:
        """Rows of the source that are not in the page."""
        return self.extra + max(len(self.frame) - SHOWN_ROWS, 0)

    @property
    def is_open(self) -> bool:
        return self.is_all or len(self.frame) <= OPEN_ROWS


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


@dataclass(frozen=True)
class Cell:
    """One cell of a table."""

    text: str
    is_number: bool
    raw: str
    to: str = ""

    @property
    def kind(self) -> str:
        """n: a number; w: a text long enough to be broken over lines."""
        is_long = len(self.text) > LONG_TEXT and not isinstance(self.text, Markup)
        return "n" if self.is_number else "w" if is_long else ""


def numbers_of(table: Table) -> list[int]:
    """Places of the columns of numbers, counted from 1: by the dictionary, else those that hold no text."""
    facts = dictionary.columns()
    return [
        place
        for place, name in enumerate(table.columns, start=1)
        if (
            facts[name].type in ("number", "integer")
            if name in facts
            else not any(isinstance(value, str) for value in table.frame[name].head(SHOWN_ROWS))
        )
    ]


def plain_rows(table: Table, links: Links = NOWHERE) -> list[list[Cell]]:
    """The cells of the rows shown; a length and what is added up keep their raw value for the page's script."""
    numbers, columns = numbers_of(table), list[list[Cell]]()
    for column, name in enumerate(table.columns, start=1):
        values = table.frame[name].head(SHOWN_ROWS).tolist()
        is_raw = name in table.sums or style.unit_of(name) in style.LENGTH_UNITS
        sheet, worded = SHEET_COLUMNS.get(name), table.wordings.get(name, {})
        tokens = table.to.get(name) or rows_behind(table.frame, name)
        cells = []
        for place, value in enumerate(values):
            is_number, is_there = column in numbers, not style.is_missing(value)
            raw = f"{float(value):.9g}" if is_number and is_raw and is_there else ""
            to = links.resolve(tokens[place]) if tokens is not None else ""
            if sheet and is_there and tokens is None:
                to = links.sheet(sheet, str(value))
            cells.append(Cell(worded.get(str(value)) or style.cell(value, name), is_number, raw, to))
        columns.append(cells)
    return [list(row) for row in zip(*columns, strict=True)]


def rows_behind(frame: pd.DataFrame, column: str) -> list[str | None] | None:
    """What a count leads to, row by row: the jobs of a group, of a stage, of a month or a year; None: nothing."""
    if column != "jobs":
        return None
    if "reported_month" in frame:
        return [f"jobs?reported_month={month:%Y-%m-%d}" for month in frame["reported_month"]]
    if "year" in frame:
        return [f"jobs?reported_year={year}" for year in frame["year"]]
    if "grouped_by" not in frame:
        return None
    stages = frame["stage"] if "stage" in frame else [""] * len(frame)
    groups = zip(frame["grouped_by"], frame["group_name"], stages, strict=True)
    return [jobs_of(grouping, name, stage if stage in STAGES else "") for grouping, name, stage in groups]


def rows_html(table: Table, links: Links = NOWHERE) -> Markup:
    """The rows shown as HTML, without the closing tags that may be left out: a page holds thousands of cells."""

    def written(cell: Cell) -> str:
        kind = " class=w" if cell.kind == "w" else ""  # columns of numbers are named once, by their table
        raw = f" data-v={cell.raw}" if cell.raw else ""
        text = str(escape(cell.text))
        return f"{kind}{raw}>" + (f'<a href="{escape(cell.to)}">{text}</a>' if cell.to else text)

    lines = ("<td".join(written(cell) for cell in row) for row in plain_rows(table, links))
    return Markup("\n".join(f"<tr><th scope=row{line}" for line in lines))


def meaning_of(table: Table, column: str) -> str:
    """Meaning of a column by the dictionary, or nothing."""
    listed = dictionary.tables().get(table.source)
    if listed is not None and column in listed.columns:
        return listed.meaning_of(column)
    facts = dictionary.columns().get(column)
    return facts.meaning if facts is not None else ""
