"""How pages speak: one table of words a page (words/PAGE.toml), filled in by one function.

A text holds fields in braces. What follows the colon says how the value is written:

    {jobs:counted job}           1 job, 1,204 jobs; {n:counted class|classes} where the plural is another word
    {share:percent}              12 %; {share:percent 1} with a decimal
    {share:share 1} {swing:pct 1}   12.3 of a share of 0.123, the sign left to the text; 12.3 % of 12.3
    {mean:0} {mean:number}       so many decimals; three digits that matter
    {length:q km|1}              a length or a rate by length that the unit switch of the page can rewrite
    {spent:money {currency}}     USD 1.24 million
    {first:date}                 31 December 2025
    {minutes:duration}           3.2 hours up to two days, then 3.2 days
    {n:one is|are}               the first words where the number is 1, else the second
    {verdict:by better=better than|level=level with}   words by the code that a model or a mart decided on
    {days:range job}             12 to 900 jobs, of a column of counts
    {row:limits mean 1}          12.3 to 15.6, of a row's mean_lo and mean_hi; {row:limits share 1 %} of shares

A value that is Cited leads to its figure. Anything else is Python's own format. Pages decide nothing: where words
depend on a judgement, the code comes from a column of a table.
"""

from __future__ import annotations

import string
import tomllib
from dataclasses import dataclass
from functools import cache
from importlib import resources
from typing import TYPE_CHECKING, Any

import pandas as pd

from reports import style
from reports.page import Exhibit
from reports.table import Table

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    import plotly.graph_objects as go
    from markupsafe import Markup

TEXTS = ("definition", "count", "interval", "left_out")
"""What stands under a figure, each a text of its table."""


@dataclass(frozen=True)
class Cited:
    """A value, or a row of them by name, with the figure that holds it: written out, it leads there.

    Parameters
    ----------
    value
        What the braces of a text take.
    to
        Page and figure: replacement#plan.
    """

    value: Any
    to: str

    def __getitem__(self, name: str) -> Cited:
        return Cited(self.value[name], self.to)


class _Fields(string.Formatter):
    """Braces filled in as the top of this file says."""

    def format_field(self, value: Any, format_spec: str) -> str:
        if isinstance(value, Cited):
            return f"⟪{value.to}⟫{self.format_field(value.value, format_spec)}⟪⟫"
        if not isinstance(value, pd.Series | tuple) and style.is_missing(value):
            return style.MISSING
        how, _, rest = format_spec.partition(" ")
        match how:
            case "percent":
                return style.percent(value, int(rest or 0))
            case "share":
                return style.number(100 * value, int(rest or 0))
            case "pct":
                return f"{style.number(value, int(rest or 0))} %"
            case "number":
                return style.number(value)
            case "duration":
                hours, days = value / 60, value / 1440
                return f"{style.number(hours, 1)} hours" if days < 2 else f"{style.number(days, 1)} days"
            case "q":
                unit, _, decimals = rest.partition("|")
                return style.quantity(value, unit, int(decimals) if decimals else None)
            case "counted":
                noun, _, plural = rest.partition("|")
                return style.counted(value, noun, plural or None)
            case "range":
                return style.counted_range(value, rest)
            case "limits":
                name, decimals, *of_share = rest.split()
                lo, hi = (getattr(value, f"{name}_{end}") * (100 if of_share else 1) for end in ("lo", "hi"))
                return style.limits(lo, hi, int(decimals)) + (
                    " %" if of_share and not style.is_missing(lo + hi) else ""
                )
            case "money":
                return style.money(value, rest)
            case "date":
                return style.date_words(value)
            case "one":
                return rest.split("|")[int(value) != 1]
            case "by":
                return dict(part.split("=", 1) for part in rest.split("|"))[str(value)]
        return style.number(value, int(how)) if how.isdecimal() else format(value, format_spec)


class Words:
    """The words of a page: words/PAGE.toml."""

    def __init__(self, page: str) -> None:
        self._page = page

    def text(self, key: str) -> Any:
        """A text with its braces, by the dotted place it has in the table; missing ones are an error."""
        found: Any = _read(self._page)
        for part in key.split("."):
            found = found[part]
        return found

    def __call__(self, *keys: object, **values: Any) -> str:
        """The texts of the keys, filled in, a blank between them; a key that is false is left out.

        Checked by: tests/unit/test_reports_words.py (through Words)
        """
        said = (_Fields().vformat(self.text(key), (), values) for key in keys if isinstance(key, str) and key)
        return " ".join(filter(None, said))

    def exhibit(
        self,
        key: str,
        finding: str,
        rows: pd.DataFrame | None = None,
        /,
        *,
        words: str = "",
        chart: go.Figure | None = None,
        body: Markup | str = "",
        more: tuple[str, ...] = (),
        extra: int = 0,
        wordings: Mapping[str, Mapping[str, str]] | None = None,
        to: Mapping[str, Sequence[str | None]] | None = None,
        **values: Any,
    ) -> Exhibit:
        """A figure with the texts of its key (or of words, where several share them) and a table of the rows."""
        from markupsafe import Markup

        told = self.text(words or key)
        values = {"rows": rows, "n_rows": 0 if rows is None else len(rows)} | values
        tables: tuple[Table, ...] = ()
        if rows is not None:
            columns = tuple(told["columns"]) if "columns" in told else tuple(rows.columns)
            tables = (
                Table(
                    rows.reset_index(drop=True), columns, told.get("table", (*told["sources"], "")[0]),
                    told.get("labels", {}), extra, tuple(told.get("filters", ())), tuple(told.get("sums", ())),
                    wordings or {}, to or {},
                ),
            )  # fmt: skip
        return Exhibit(
            key=key, title=self(f"{words or key}.title", **values), finding=finding, more=tuple(filter(None, more)),
            sources=tuple(told["sources"]), chart=chart, tables=tables, body=Markup(body),
            **{name: self(f"{words or key}.{name}", **values) for name in TEXTS if name in told},
        )  # fmt: skip

    def nothing(self, key: str) -> Exhibit:
        """The figure of a key where there is nothing to show and nothing to do about it."""
        told = self.text(key)
        return Exhibit(key=key, title=told["title"], finding=told["nothing"], sources=tuple(told["sources"]))

    def absent(self, key: str, words: str = "", **values: Any) -> Exhibit:
        """The figure of a key that cannot be made yet: says what is missing and how to load it."""
        said, told = words or key, self.text(words or key)
        return Exhibit(
            key=key, title=self(f"{said}.title", **values), finding=self(f"{said}.absent", **values),
            sources=tuple(told["sources"]),
            remedy=self(f"{said}.remedy", **values) if "remedy" in told else self("remedy", **values),
        )  # fmt: skip


@cache
def _read(page: str) -> dict[str, Any]:
    return tomllib.loads((resources.files("reports") / "words" / f"{page}.toml").read_text(encoding="utf-8"))
