"""What a page is made of, and how it becomes HTML.

How a page is made
------------------
1. A module pages/<name>.py has `build(marts, settings) -> Page` and, where it answers one of the
   three questions, `answer(marts, settings) -> Answer` for the index.
2. `marts.read("marts.loop_ranking")` gives the frame with the dictionary's columns; a table not
   built yet gives the same columns and no row. Never open the warehouse otherwise.
3. A figure comes from figures/<topic>.py: a pure function, frame in, plotly figure out, begun with
   `style.new_chart(height)`. Series take `style.ink_of(i)`, `mark_of(i)`, `dash_of(i)`. Give plain
   lists, no title; put the unit at the end of an axis title in brackets: "Distance [m]" (the unit
   switch reads it there, and "[m]" in a hovertemplate too).
4. Each figure goes into an Exhibit: the finding in words, its first sentence the heading, every
   number in it computed here and written by style.number, percent, counted, money; lengths by
   style.quantity, so that the unit switch reaches them. Then definition, count, interval method,
   what is left out, the tables it rests on and a Table of the same figures. Cautions are printed by
   themselves, by those tables: safety at the head of the page and beside what could be acted on,
   limits of the data once, at its foot.
5. A frame without rows: return `page.absent(...)`, which says what is missing and how to load it.
6. Same frames, same bytes: sort by key, no clock, no random id (the exhibit's key is the div id).
"""

from __future__ import annotations

import base64
import datetime as dt
import hashlib
import re
from dataclasses import dataclass, field
from functools import cache
from importlib import resources
from typing import TYPE_CHECKING, Any

import jinja2
import pandas as pd
from markupsafe import Markup, escape

from reports import style
from reports.choice import EVERYTHING
from reports.links import NOWHERE, Links
from reports.table import PRINTED_ROWS, SHOWN_ROWS, as_json, meaning_of, numbers_of, rows_html
from reports.table import Table as Table
from shared import dictionary

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    import plotly.graph_objects as go

    from reports.choice import Choice, Known
    from shared.errors import UserError

SAFETY = ("planning_aid", "no_permission_to_dig", "setting_is_a_proposal", "switching_is_theirs",
          "search_order_is_an_aid")  # fmt: skip
"""Cautions of the dictionary on acting on a number; the others are limits of the data."""

ACTED_ON = frozenset(
    (
        "marts.loop_ranking", "marts.section_ranking", "marts.programme", "marts.programme_years",
        "marts.section_options",
        "marts.setting_proposals", "marts.velocity_by_class", "marts.instrument_bias", "marts.instrument_drift",
        "marts.loop_strips", "marts.loop_strip_marks", "marts.window_coverage", "core.locating_readings",
        "staging.test_shots", "marts.search_backtest", "scenarios.scenario_comparison", "scenarios.scenario_sections",
    )
)  # fmt: skip
"""Tables whose figures could be acted on: a programme, a setting, an instrument withdrawn, a distance, a place."""

QUANTITY = re.compile(r"⟦([^|⟧]+)\|([^|⟧]+)\|(\d*)⟧")
CITED = re.compile(r"⟪([^⟫]+)⟫(.*?)⟪⟫")
"""A value with the page and the figure that hold it."""

WORD = re.compile(r"([A-Za-z0-9][\w./-]*\w)")
SHORT_NAME = re.compile(r"\b([A-Z]{1,4}-[A-Z]?\d{2,6})\b(?!-)")
"""An id that would be broken over two lines at its hyphen."""


@dataclass(frozen=True)
class Exhibit:
    """One figure with everything that must be read beside it."""

    key: str
    title: str
    finding: str
    sources: tuple[str, ...]
    definition: str = ""
    count: str = ""
    interval: str = ""
    left_out: str = ""
    chart: go.Figure | None = None
    tables: tuple[Table, ...] = ()
    more: tuple[str, ...] = ()
    remedy: str = ""
    body: Markup = Markup("")
    population: str = ""
    """Whom and when it counts, in words; the renderer fills it in."""
    left_open: str = ""
    """Why a part of the page's choice does not apply to it; the renderer fills it in."""

    @property
    def is_absent(self) -> bool:
        return bool(self.remedy)

    @property
    def cautions(self) -> list[str]:
        """What to heed before acting on it; nothing where there is nothing to act on."""
        return cautions_of(source for source in self.sources if source in ACTED_ON)


@dataclass(frozen=True)
class Section:
    """Exhibits under one heading."""

    title: str
    exhibits: tuple[Exhibit, ...]
    intro: str = ""
    is_printed: bool = True


@dataclass(frozen=True)
class Page:
    """A whole page: its question, the answer in short, and its sections."""

    key: str
    title: str
    question: str
    summary: tuple[str, ...]
    sections: tuple[Section, ...]
    paper: dict[str, Any] | None = None
    """What a sheet to be printed and signed shows (templates/proposal.html)."""
    is_dense: bool = False
    """Printed small: it is laid out for one side or two."""
    continued: Markup = Markup("")
    """What its printed side has no room for: printed on the sides that follow, and nowhere else."""
    seldom: frozenset[str] = frozenset()
    """Exhibits of which only the finding stands open: the rest unfolds at a click, by a link to it, and in print."""

    @property
    def exhibits(self) -> list[Exhibit]:
        return [exhibit for section in self.sections for exhibit in section.exhibits]

    @property
    def sources(self) -> list[str]:
        return [source for exhibit in self.exhibits for source in exhibit.sources]

    @property
    def cautions(self) -> list[str]:
        """What to heed before acting on anything of the page."""
        return cautions_of(self.sources)

    @property
    def unprinted_cautions(self) -> list[str]:
        """Those cautions that only what is not printed asks for."""
        printed = [s for part in self.sections if part.is_printed for one in part.exhibits for s in one.sources]
        return [text for text in self.cautions if text not in cautions_of(printed)]

    @property
    def limits(self) -> list[str]:
        """Limits of the data that its figures rest on."""
        return cautions_of(self.sources, is_safety=False)


@dataclass(frozen=True)
class Answer:
    """A question of the index answered in three sentences at most: the number first, then its limits."""

    question: str
    sentences: tuple[str, ...]
    link: str
    link_text: str
    caution: str = ""
    """Key of the caution of the dictionary to be read with it."""


@dataclass(frozen=True)
class Frame:
    """What stands around every page."""

    as_of: dt.date | None
    level: float
    horizon_years: float
    currency: str
    pages: tuple[tuple[str, str], ...]
    references: tuple[tuple[str, str], ...] = ()
    base: str = ""
    """What stands before the names of the shared files: nothing beside them, /static/ where they are served."""
    links: Links = NOWHERE
    choice: Choice = EVERYTHING
    known: Known | None = None
    population: str = ""
    run: str = ""
    """The hash of the run whose results the page shows."""
    ids: Mapping[str, str] = field(default_factory=dict)
    """Kind of each id that sentences lead to its sheet."""


def cautions_of(sources: Iterable[str], *, is_safety: bool = True) -> list[str]:
    """Cautions of tables, each once, in the dictionary's order."""
    named = {key for source in sources for key in dictionary.tables()[source].caveats}
    return [text for key, text in dictionary.caveats().items() if key in named and (key in SAFETY) == is_safety]


def absent(key: str, title: str, sources: tuple[str, ...], what: str, remedy: str) -> Exhibit:
    """An exhibit that cannot be made yet: says what is missing and how to load it."""
    return Exhibit(key=key, title=title, finding=what, sources=sources, remedy=remedy)


def largest(rows: pd.DataFrame, column: str) -> Any:
    """The row with the largest size (sign aside) in a column; the first of equals."""
    return rows.iloc[int(rows[column].abs().to_numpy(dtype=float, na_value=-1.0).argmax())]


# ------------------------------------------------------------------ texts


def plain(text: str, *, other_units: bool = False) -> str:
    """A sentence with its quantities written out, e.g. '12.3 m', or '40.4 ft' with other_units."""

    def written(match: re.Match[str]) -> str:
        value, unit, decimals = float(match[1]), match[2], match[3]
        if other_units and unit in style.LENGTH_UNITS:
            unit, factor = style.LENGTH_UNITS[unit]
            value *= factor
        return f"{style.number(value, int(decimals) if decimals else None)}\u00a0{spoken_unit(unit)}"

    return QUANTITY.sub(written, text)


def spoken_unit(unit: str) -> str:
    """A unit as it is said in a sentence."""
    return {
        "1/(100 km year)": "per 100 km and year",
        "1/(100 mi year)": "per 100 miles and year",
        "1/km": "per km",
        "1/mi": "per mile",
    }.get(unit, unit)


def words(text: str, frame: Frame | None = None) -> Markup:
    """A sentence as HTML: escaped, its quantities in spans the unit switch can rewrite, its ids led to their sheets."""
    parts: list[Markup] = []
    end = 0
    for match in CITED.finditer(text):
        to = f"page:{match[1]}"
        parts.append(words(text[end : match.start()], frame))
        led = Markup('<a href="{}">{}</a>').format(to, words(match[2]))
        parts.append(body_html(led, frame.links) if frame else led)
        end = match.end()
    text, end = text[end:], 0
    for match in QUANTITY.finditer(text):
        parts.append(_led(text[end : match.start()], frame))
        parts.append(
            Markup('<span class="q" data-v="{}" data-u="{}" data-d="{}">{}</span>').format(
                match[1], match[2], match[3], plain(match[0])
            )
        )
        end = match.end()
    parts.append(_led(text[end:], frame))
    return Markup("").join(parts)


def _led(text: str, frame: Frame | None) -> Markup:
    """Text as HTML, ids of loops and instruments as links where they have a sheet, short ids held on one line."""
    parts: list[Markup | str] = []
    for part in WORD.split(text):
        kind = frame.ids.get(part) if frame else None
        address = frame.links.sheet(kind, part) if frame and kind else ""
        if address:
            parts.append(Markup('<a class="id" href="{}">{}</a>').format(address, part))
        else:
            parts.append(Markup(SHORT_NAME.sub(r'<span class="id">\1</span>', str(escape(part)))))
    return Markup("").join(parts)


@jinja2.pass_context
def _words_on_page(context: jinja2.runtime.Context, text: str) -> Markup:
    """The filter of the templates: a sentence on the page that is rendered."""
    return words(text, context.get("frame"))


def split_finding(text: str) -> tuple[str, str]:
    """First sentence and the rest; a point inside a number or an abbreviation does not end a sentence."""
    match = re.search(r"[.!?] (?=[A-Z⟦])", text)
    return (text, "") if match is None else (text[: match.start() + 1], text[match.end() :])


# ------------------------------------------------------------------ charts and tables as data


def chart_json(chart: go.Figure, links: Links = NOWHERE) -> Markup:
    """Data and layout of a chart, for the page's script to draw; tokens in meta become addresses, or go.

    A trace's meta.to holds a token a point, the layout's meta.anchors one a name of an axis.
    """
    made = chart.to_plotly_json()
    for part in (*made["data"], made["layout"]):
        meta = part.get("meta")
        if not isinstance(meta, dict):
            continue
        to = [links.resolve(token) for token in meta.get("to", ())]
        led = {name: links.resolve(token) for name, token in meta.get("anchors", {}).items()}
        led = {name: address for name, address in led.items() if address}
        kept = {name: value for name, value in meta.items() if name not in ("to", "anchors")}
        part["meta"] = kept | ({"to": to} if any(to) else {}) | ({"anchors": led} if led else {})
    return as_json(made)


TOKEN_LINK = re.compile(r' href="((?:loop|section|job|instrument|proposal|page):[^"]*)"')


def body_html(body: Markup, links: Links = NOWHERE) -> Markup:
    """A drawing with its tokens turned into addresses; what leads nowhere is no link."""

    def written(match: re.Match[str]) -> str:
        address = links.resolve(Markup(match[1]).unescape())
        return f' href="{escape(address)}"' if address else ""

    return Markup(TOKEN_LINK.sub(written, body))


# ------------------------------------------------------------------ HTML


@cache
def templates() -> jinja2.Environment:
    """The page shells, with the functions they may call."""
    made = jinja2.Environment(
        loader=jinja2.PackageLoader("reports", "templates"),
        autoescape=True,
        trim_blocks=True,
        lstrip_blocks=True,
        undefined=jinja2.StrictUndefined,
    )
    made.filters["words"] = _words_on_page
    made.filters["plain"] = plain
    made.globals.update(
        inks=style.INKS,
        dark_inks=style.DARK_INKS,
        typeface=style.TYPEFACE,
        chart_width=style.CHART_WIDTH_PX,
        unit_of=style.unit_of,
        as_json=as_json,
        chart_json=chart_json,
        body_html=body_html,
        rows_html=rows_html,
        numbers_of=numbers_of,
        split_finding=split_finding,
        date_words=style.date_words,
        number=style.number,
        percent=style.percent,
        length_units=style.LENGTH_UNITS,
        decimals=style.DECIMALS,
        meaning_of=meaning_of,
        caveats=dictionary.caveats(),
        shown_rows=SHOWN_ROWS,
        printed_rows=PRINTED_ROWS,
    )
    return made


PLOTTING = "plotly-basic.min.js"
"""The plotting library's basic bundle; its version and hash stand beside it in plotly-basic.toml."""


@cache
def shared_files() -> dict[str, bytes]:
    """The files all pages share, by name: written beside them, or served.

    Checked by: tests/unit/test_reports_shell.py
    """
    made = {"loopwear.css": "style.css", "loopwear.js": "page.js"}
    texts = {name: templates().get_template(source).render().encode() for name, source in made.items()}
    return texts | {PLOTTING: (resources.files("reports") / "templates" / PLOTTING).read_bytes()}


@cache
def inline_files() -> dict[str, Markup]:
    """Style and script of the field card, which stand in the page itself, so that it is one file."""
    folder = resources.files("reports") / "templates"
    return {name: Markup((folder / name).read_text(encoding="utf-8")) for name in ("card.css", "card.js")}


def inline_hash(name: str) -> str:
    """The source of a content policy that allows just this text in a page."""
    return f"'sha256-{base64.b64encode(hashlib.sha256(inline_files()[name].encode()).digest()).decode()}'"


def render(page: Page, frame: Frame) -> str:
    """A page of exhibits as HTML."""
    return templates().get_template("page.html").render(page=page, frame=frame, answers=())


def render_index(page: Page, answers: tuple[Answer, ...], frame: Frame, **told: Any) -> str:
    """The first page: what needs attention, the three answers with their charts, what changed since the last run."""
    return templates().get_template("index.html").render(page=page, frame=frame, answers=answers, **told)


def render_fault(fault: UserError) -> str:
    """What a page that cannot be shown says instead: what is wrong, where, and what to do."""
    return templates().get_template("fault.html").render(fault=fault)
