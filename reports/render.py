"""A page is a function of the results and a choice: `render(results, page, choice)`."""

from dataclasses import replace
from importlib import import_module
from typing import Any

import pandas as pd

from reports import page as shell
from reports import style
from reports.choice import EVERYTHING, Choice, in_words
from reports.links import KINDS, NOWHERE, Links
from reports.marts import Marts
from reports.narrow import parts_left_open
from reports.page import Exhibit, Frame, Page
from reports.pages import pick
from reports.pages.card import Card
from reports.results import Results
from reports.table import Table
from reports.words import Words
from shared import dictionary
from shared.dictionary import lineage
from shared.errors import UserError, suggest_name

say = Words("choice")

PAGES = (
    ("index", "In short"),
    ("replacement", "Replacement"),
    ("restoration", "Restoration"),
    ("locating", "Locating"),
    ("data_quality", "Data quality"),
)
"""Pages in the order of the navigation: name in the address and heading."""

REFERENCES = (
    ("brief", "Committee's brief"),
    ("appendix", "Regulator's appendix"),
    ("methods", "Methods"),
    ("dictionary", "Data dictionary"),
    ("rules", "Rules"),
    ("settings", "Settings"),
)
"""The brief with its appendix, and pages to look things up in; they are the same for every choice."""

ANSWERS = ("replacement", "restoration", "locating")
"""Pages that answer one of the three questions."""


def render(results: Results, page: str, choice: Choice = EVERYTHING, links: Links = NOWHERE, **about: Any) -> str:
    """A page as HTML.

    Parameters
    ----------
    results
        The published results.
    page
        Name of one of PAGES or REFERENCES.
    choice
        What the page is of.
    links
        Where its links lead.
    about
        What the first page says beside its answers: attention and changes.

    Raises
    ------
    UserError
        There is no such page.

    Notes
    -----
    Same results and choice, same bytes.

    Checked by: tests/unit/test_reports_render.py
    """
    frame, settings = frame_of(results, choice, links), results.settings
    if page in dict(REFERENCES):
        from reports.pages import methods, reference

        if page in ("brief", "appendix"):
            told = import_module(f"reports.pages.{page}").build(results.whole, settings, **about)
            return reference.render(told, replace(frame, links=replace(links, query="")))
        if page == "methods":
            return reference.render(methods.build(settings), frame)
        if page == "settings":
            return reference.render(reference.build_settings(settings), frame)
        return reference.render(
            (reference.build_dictionary if page == "dictionary" else reference.build_rules)(), frame
        )
    if page == "card":
        return render_card(results, choice, frame, **about)
    if page not in dict(PAGES):
        known = [name for name, _ in (*PAGES, ("card", ""), *REFERENCES)]
        raise UserError(f"there is no page '{page}'", "the address", suggest_name(page, known))
    marts, module = results.marts(choice), import_module(f"reports.pages.{page}")
    if page == "index":
        answers = [import_module(f"reports.pages.{name}").answer(marts, settings) for name in ANSWERS]
        about = {"changes": (), "charts": module.charts(marts)} | about
        about["attention"] = (*about.get("attention", ()), *module.attention(marts))
        return shell.render_index(module.build(marts, settings), tuple(answers), frame, **about)
    made: Page = module.build(marts, settings)
    if choice.against:
        made = with_comparison(made, results, choice)
    return shell.render(with_population(made, results, choice), frame)


def render_card(results: Results, choice: Choice, frame: Frame, part: str = "1", made: list[Card] | None = None) -> str:
    """The field card of the one district chosen, or the list of cards."""
    from reports.pages import card

    if made is None:
        made = card.make_cards(results, choice.districts or results.known.districts)
    if not made or len({each.district for each in made}) > 1 or not (choice.districts or not made[0].district):
        return shell.render(card.index(made, frame), frame)
    found = next((each for each in made if str(each.part) == part), None)
    if found is None:
        raise UserError(f"there is no part '{part}' of this card", "the address", f"it has {len(made)}")
    return card.render(found, frame)


def render_sheet(results: Results, kind: str, ident: str, links: Links = NOWHERE) -> str:
    """The sheet of a loop, section, job or instrument, or of an instrument's proposals, as HTML.

    Raises
    ------
    UserError
        There is no such kind or no such id.
    """
    if kind not in KINDS:
        raise UserError(f"there is no sheet of a '{kind}'", "the address", suggest_name(kind, KINDS))
    made: Page = import_module(f"reports.pages.{kind}_sheet").build(results.whole, results.settings, ident)
    return shell.render(made, frame_of(results, EVERYTHING, links))


def render_pick(results: Results, asked: pick.Asked, links: Links = NOWHERE) -> str:
    """The page of a list that somebody picked, as HTML."""
    return shell.render(pick.build(results.whole, results.settings, asked, links), frame_of(results, EVERYTHING, links))


def render_rows(results: Results, table: str, query: str, choice: Choice, links: Links) -> str:
    """Rows of an exported table that meet a choice and the conditions of an address, as HTML."""
    from reports.pages import rows

    made = rows.build(results.marts(choice), table, query, links)
    return shell.render(with_population(made, results, choice), frame_of(results, choice, links))


FOUND_AT_MOST = 100
"""Ids listed for a search, of each kind."""


def find_ids(marts: Marts, asked: str) -> list[tuple[str, str]]:
    """Kind and id of all whose id holds a text; one whose id is just that text comes alone."""
    found = [
        (kind, ident)
        for kind, table in HOMES.items()
        for ident in marts.holding(table, f"{kind}_id", asked, FOUND_AT_MOST)
    ]
    exact = [(kind, ident) for kind, ident in found if ident.casefold() == asked.casefold()]
    return exact if len(exact) == 1 else found if asked else []


HOMES = {
    "loop": "staging.loops",
    "section": "core.section_exposure",
    "job": "core.failures",
    "instrument": "staging.instruments",
}
"""Where every id of a kind is."""


def render_found(results: Results, asked: str, found: list[tuple[str, str]], links: Links) -> str:
    """What a search found, as HTML."""
    by_kind = {kind: [ident for k, ident in found if k == kind] for kind in KINDS}
    exhibits = tuple(
        shell.Exhibit(
            key=kind, title=say("find.title", kind=kind), finding=say("find.found", n=len(ids), kind=kind, asked=asked),
            sources=(), tables=(Table(pd.DataFrame({f"{kind}_id": ids}), (f"{kind}_id",), HOMES[kind]),),
        )
        for kind, ids in by_kind.items() if ids
    )  # fmt: skip
    summary = () if found else (say("find.nothing" if asked else "find.empty", asked=asked),)
    made = shell.Page("find", say.text("find.heading"), "", summary, (shell.Section("", exhibits),))
    return shell.render(made, frame_of(results, EVERYTHING, links))


def frame_of(results: Results, choice: Choice, links: Links) -> Frame:
    """What stands around a page of a choice."""
    general = results.settings.general
    return shell.Frame(
        as_of=general.as_of,
        level=general.interval_coverage,
        horizon_years=general.horizon_years,
        currency=general.currency,
        pages=PAGES,
        references=REFERENCES,
        base="/static/" if links.is_served else "",
        links=links,
        choice=choice,
        known=results.known,
        population=in_words(choice, results.known),
        run=results.run,
        ids=results.ids,
    )


def with_population(page: Page, results: Results, choice: Choice) -> Page:
    """A page whose figures say their population and period, and why a part of the choice does not apply."""

    def told(exhibit: Exhibit) -> Exhibit:
        exhibit = with_remedy(exhibit, results, choice)
        left = {source: parts_left_open(source, choice) for source in exhibit.sources}
        opened = tuple(part for part in choice.parts if any(part in parts for parts in left.values()))
        why = dict.fromkeys(why_whole(source) for source, parts in left.items() if parts)
        by_year = any({"year", "reported_year"} & set(table.columns) for table in exhibit.tables)
        part = by_year and "period" not in opened and part_of_years(choice)
        return replace(
            exhibit,
            more=(*exhibit.more, *([say("part_of_year", period=part)] if part else [])),
            population=in_words(choice.without(opened), results.known),
            left_open=say("left_open.said", parts=" and ".join(opened), why="; ".join(why)) if opened else "",
        )

    sections = (replace(s, exhibits=tuple(told(exhibit) for exhibit in s.exhibits)) for s in page.sections)
    return replace(page, sections=tuple(sections))


def with_remedy(exhibit: Exhibit, results: Results, choice: Choice) -> Exhibit:
    """A figure that is empty in a choice and not on the whole is not mended by loading, but by choosing more."""
    if not exhibit.is_absent or not choice.parts:
        return exhibit
    follows = any(parts_left_open(source, choice) != choice.parts for source in exhibit.sources)
    is_there = follows and any(len(results.whole.read(source)) for source in exhibit.sources)
    return replace(exhibit, remedy=say("remedy")) if is_there else exhibit


def part_of_years(choice: Choice) -> str:
    """The period of a choice in words where it begins or ends within a year; else nothing."""
    begins = choice.first is not None and (choice.first.month, choice.first.day) != (1, 1)
    ends = choice.last is not None and (choice.last.month, choice.last.day) != (12, 31)
    if not begins and not ends:
        return ""
    return " ".join(
        f"{word} {style.date_words(day)}" for word, day in (("from", choice.first), ("to", choice.last)) if day
    )


def why_whole(table: str) -> str:
    """Why a table does not follow a part of a choice."""
    topic = lineage.topic_of(dictionary.tables()[table])
    reasons: dict[str, str] = say.text("why")
    return reasons.get(topic, reasons["other"])


def with_comparison(page: Page, results: Results, choice: Choice) -> Page:
    """A page with the choice's period held against the one compared with, before everything else."""
    from reports.pages import restoration_against

    exhibit = restoration_against.build(results, choice)
    first = shell.Section("Compared", (exhibit,))
    return replace(page, sections=(first, *page.sections))
