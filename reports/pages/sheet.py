"""What the sheets of a loop, a section, a job and an instrument share."""

import re
from collections.abc import Iterable, Sequence
from typing import Any

import pandas as pd
from markupsafe import Markup

from reports import style
from reports.marts import Marts
from reports.page import Exhibit
from reports.page import words as written
from reports.words import Cited, Words
from shared.errors import UserError, suggest_name

say = Words("sheets")

COUNT_WORDS: dict[str, str] = say.text("counts_as_failure")
"""Why a job counts as a failure of the cable or not, in words by its code."""


def find_row(marts: Marts, table: str, column: str, ident: str) -> dict[str, Any]:
    """The row of an id.

    Raises
    ------
    UserError
        There is none; the nearest ids are named.
    """
    rows = marts.read_only(table, column, [ident])
    if rows.empty:
        kind = column.removesuffix("_id")
        near = marts.holding(table, column, ident[:-2], 200) or marts.holding(table, column, "", 200)
        raise UserError(
            f"there is no {kind} '{ident[:100]}'", f"{kind} sheet", suggest_name(ident, near[:8] or ["none"])
        )
    return {str(name): value for name, value in rows.iloc[0].to_dict().items()}


def one(marts: Marts, table: str, column: str, ident: str) -> Any:
    """The row of an id as a named tuple, or None."""
    return next(marts.read_only(table, column, [ident]).itertuples(index=False), None)


def facts(key: str, finding: str, listed: Iterable[tuple[str, object]], **values: Any) -> Exhibit:
    """An exhibit of facts by their names; what is not known is said so."""
    lines = Markup("").join(
        Markup("<div><dt>{}</dt><dd>{}</dd></div>").format(
            name, value if isinstance(value, Markup) else written(told(value))
        )
        for name, value in listed
    )
    body = Markup('<dl class="facts-of-loop">{}</dl>').format(lines)
    return say.exhibit(key, finding, body=body, **values)


def lead(kind: str, ident: object, after: str = "", *, less: str = "") -> Markup | str:
    """An id that leads to its sheet, without a beginning named, and what is said after it."""
    if style.is_missing(ident) or not ident:
        return style.MISSING
    return Markup('<a href="{}:{}">{}</a>{}').format(kind, ident, str(ident).removeprefix(less), after)


LONGEST = 45
"""Characters of a text that a cell of a grid holds on one line."""

NUMERIC = re.compile(r"[−\d][\d,.]*( \(.*\))?|–")
"""A cell that is a number, with its limits or without, or holds nothing."""


def grid(title: str, headings: Sequence[str], rows: Sequence[Sequence[object]], shown: int | None = None) -> Markup:
    """Rows under headings, each cell as a person reads it; of a printed side only the first are shown.

    Notes
    -----
    A heading ending in [m] or [km] holds lengths, which the page's unit switch rewrites.

    Checked by: tests/unit/test_reports_sheets.py
    """
    if not rows:
        return Markup("")
    heads = [head.partition(" [")[::2] for head in headings]
    cells = [[cell_of(value, unit[:-1]) for value, (_, unit) in zip(row, heads, strict=True)] for row in rows]
    kinds = [kind_of([shown.striptags() for _, shown in column]) for column in zip(*cells, strict=True)]
    top = Markup("").join(
        Markup('<th scope="col" class="{}" data-u="{}">{} <small>{}</small></th>').format(
            kind, unit[:-1], head, unit[:-1]
        )
        for (head, unit), kind in zip(heads, kinds, strict=True)
    )
    lines = Markup("")
    for place, row in enumerate(cells):
        past = Markup(' class="past"') if shown is not None and place >= shown else ""
        made = (Markup('<td class="{}"{}>{}</td>').format(kind, *cell) for kind, cell in zip(kinds, row, strict=True))
        lines += Markup("<tr{}>{}</tr>").format(past, Markup("").join(made))
    table = Markup(
        '<div class="scroller" tabindex="0" role="region" aria-label="Table: {}"><table class="grid" data-plain>'
        "<thead><tr>{}</tr></thead><tbody>{}</tbody></table></div>"
    )
    return table.format(title, top, lines)


def kind_of(texts: list[str]) -> str:
    """n: a column of numbers; w: one with a text long enough to be broken over lines."""
    is_number = all(map(NUMERIC.fullmatch, texts)) and set(texts) != {style.MISSING}
    return "n" if is_number else "w" if max(map(len, texts)) > LONGEST else ""


def cell_of(value: object, unit: str) -> tuple[Markup, Markup]:
    """What a cell carries, a length its value for the unit switch, and what it shows; another number is a whole one."""
    if isinstance(value, Cited):
        raw, shown = cell_of(value.value, unit)
        return raw, Markup('<a href="page:{}">{}</a>').format(value.to, shown) if shown != style.MISSING else shown
    raw = Markup("")
    if not isinstance(value, str) and not style.is_missing(value):
        raw = Markup(' data-v="{:.9g}"').format(value) if unit in style.LENGTH_UNITS else raw
        value = style.number(value, style.DECIMALS.get(unit, 0))
    return raw, value if isinstance(value, Markup) else written(told(value))


def told(value: object) -> str:
    """A value of a sheet in words."""
    if isinstance(value, str):
        return value or style.MISSING
    return style.MISSING if style.is_missing(value) else str(value)


def with_limits(row: Any, name: str, decimals: int) -> str:
    """A figure with its limits: 3.20 (2.10 to 4.90)."""
    if style.is_missing(getattr(row, name)):
        return style.MISSING
    limits = style.limits(getattr(row, f"{name}_lo"), getattr(row, f"{name}_hi"), decimals)
    return f"{style.number(getattr(row, name), decimals)} ({limits})"


def listing(key: str, rows: pd.DataFrame, **values: Any) -> Exhibit:
    """An exhibit of rows: how many, and the rows."""
    finding = say(f"{key}.finding" if len(rows) else f"{key}.none", n=len(rows), **values)
    return say.exhibit(key, finding, rows if len(rows) else None, **values)


def failure_words(jobs: pd.DataFrame) -> pd.DataFrame:
    """Jobs with whether each counts as a failure, in words, in the order of their reports."""
    counted = jobs["why_not"].fillna("").map(COUNT_WORDS).fillna(jobs["why_not"])
    return jobs.assign(counted=counted).sort_values(["failed_on", "job_id"], ignore_index=True)
