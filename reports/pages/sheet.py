"""What the sheets of a loop, a section, a job and an instrument share."""

from collections.abc import Iterable
from typing import Any

import pandas as pd
from markupsafe import Markup

from reports import style
from reports.marts import Marts
from reports.page import Exhibit
from reports.page import words as written
from reports.words import Words
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


def lead(kind: str, ident: object, after: str = "") -> Markup | str:
    """An id that leads to its sheet, and what is said after it; missing where there is none."""
    if style.is_missing(ident) or not ident:
        return style.MISSING
    return Markup('<a href="{}:{}">{}</a>{}').format(kind, ident, ident, after)


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
