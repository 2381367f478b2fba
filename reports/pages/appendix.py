"""The regulator's appendix to the committee's brief: counts, definitions, intervals, amounts, and what was set."""

import dataclasses
from collections.abc import Sequence
from importlib import import_module

import pandas as pd

from reports import style
from reports.marts import Marts
from reports.page import Exhibit
from reports.pages import brief
from reports.pages.reference import Part, Reference, in_words
from reports.pages.sheet import grid
from reports.words import Words
from shared.settings import Settings

say = Words("brief")

FACTS = ("definition", "count", "interval", "left_out")


def build(marts: Marts, settings: Settings, scenarios: pd.DataFrame = brief.NO_SCENARIOS) -> Reference:
    """The appendix.

    Checked by: tests/end_to_end/test_brief.py
    """
    cited = brief.build(marts, settings, scenarios)
    steps = marts.read("marts.count_reconciliation").sort_values("step_order")
    figures = marts.read("marts.replacement_figures")
    decided = marts.read("marts.decisions")
    parts = (
        part_of("counts", steps[["step", "jobs", "why"]].to_numpy().tolist()),
        Part("definitions", say.text("parts.definitions")[0], definitions(cited, marts, settings)),
        part_of("amounts", [(row.figure, style.number(row.amount), row.explained) for row in figures.itertuples()]),
        table_of("scenarios", scenarios),
        table_of("decisions", decided),
        part_of("settings", changed_settings(settings)),
        Part("limits", say.text("parts.limits")[0], cited.limits),
    )
    title, question = say("appendix.title"), say("appendix.question")
    return Reference(
        "appendix", title, question, (say("appendix.summary"),), parts, cautions=cited.cautions, is_dense=True
    )


def part_of(key: str, rows: Sequence[Sequence[object]], headings: Sequence[str] = ()) -> Part:
    """A part with a table under the headings of its key, or those given; without rows it says so."""
    title, *own = say.text(f"parts.{key}")
    nothing = () if rows else (say("parts.none_set" if key == "settings" else "parts.none"),)
    return Part(key, title, nothing, body=grid(title, headings or own, rows))


def table_of(key: str, rows: pd.DataFrame) -> Part:
    """A part with every column of some rows, under its name in the dictionary."""
    cells = [[style.cell(row[name], name) for name in rows.columns] for row in rows.to_dict("records")]
    return part_of(key, cells, [style.label_of(name) for name in rows.columns])


def definitions(cited: Reference, marts: Marts, settings: Settings) -> tuple[str, ...]:
    """Every figure that the brief cites, as its own page defines, counts and bounds it; a paragraph each."""
    places = brief.places_of(*cited.parts)
    exhibits: dict[str, Exhibit] = {}
    for page in ("replacement", "data_quality"):
        made = import_module(f"reports.pages.{page}").build(marts, settings)
        exhibits |= {f"{page}#{exhibit.key}": exhibit for exhibit in made.exhibits}
    return tuple(
        say(
            *(f"parts.{name}" for name in FACTS if getattr(exhibit, name)),
            figure=exhibit.title,
            **{name: getattr(exhibit, name) for name in FACTS},
        )
        for exhibit in (exhibits[place] for place in places if place in exhibits)
    )


def changed_settings(settings: Settings) -> list[tuple[object, ...]]:
    """Settings in force that differ from their defaults."""
    return [
        (
            f"{section.name}.{one.name}",
            in_words(value),
            in_words(one.default),
            one.metadata["unit"],
            one.metadata["meaning"],
        )
        for section in dataclasses.fields(settings)
        for one in dataclasses.fields(getattr(settings, section.name))
        if (value := getattr(getattr(settings, section.name), one.name))
        != ({} if one.default is dataclasses.MISSING else one.default)
    ]
