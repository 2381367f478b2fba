"""Which loops to replace first: the page of the reliability engineer."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd

from reports import style
from reports.page import Answer, Exhibit, Page, Section, Table, absent
from reports.pages import loop_sheets, replacement_belief, replacement_money, survival

if TYPE_CHECKING:
    from reports.marts import Marts
    from shared.settings import Settings

QUESTION = "Which loops should be replaced first?"

LOOPS = "marts.loop_ranking"

REMEDY = "load districts.csv, loops.csv, sections.csv and jobs.csv, then run: loopwear refresh"

SELDOM = frozenset(
    (
        "inputs",
        "capture_by_money",
        "calibration",
        "past_forecasts",
        "before_after",
        "sensitivity",
        "shapes",
        "cumulative",
        "vintages",
        "attributes",
        "splices",
    )
)
"""Figures looked at once in a while: when the prices, the method or a class is doubted."""


def build(marts: Marts, settings: Settings) -> Page:
    """The replacement page."""
    loops = marts.read(LOOPS)
    return Page(
        key="replacement",
        title="Replacement",
        question=QUESTION,
        summary=answer(marts, settings).sentences,
        sections=(
            Section("The ranking", (*loop_sheets.ranking(marts, settings), reasons(loops))),
            loop_sheets.section(marts, settings),
            replacement_money.section(marts, settings),
            *replacement_belief.sections(marts, settings),
            survival.section(marts, settings),
        ),
        seldom=SELDOM,
    )


def answer(marts: Marts, settings: Settings) -> Answer:
    """The engineer's question in three sentences."""
    loops, backtest = loop_sheets.in_rank_order(marts.read(LOOPS)), marts.read(replacement_belief.BACKTEST)
    link = {"link": "replacement.html", "link_text": "The ranking with its limits, its reasons and its back-test"}
    if loops.empty:
        return Answer(QUESTION, ("There is no ranking yet.", f"To do: {REMEDY}."), **link)
    top = loops.head(min(10, max(1, len(loops) // 4)))  # of a handful of loops all would say nothing
    first = (
        f"{top.iloc[0]['loop_id']} ranks first by failures expected per km, with "
        f"{style.number(top.iloc[0]['expected_failures'], 1)} failures "
        f"expected in {style.number(settings.general.horizon_years)} years "
        f"({style.limits(top.iloc[0]['expected_failures_lo'], top.iloc[0]['expected_failures_hi'], 1)}) if nothing is "
        f"done{'; then ' if len(loops) > 1 else ''}{', '.join(loops['loop_id'].iloc[1:5])}."
    )
    share_length = top["length_km"].sum() / loops["length_km"].sum()
    share_failures = top["expected_failures"].sum() / loops["expected_failures"].sum()
    second = (
        f"The first {len(top)} of {style.counted(len(loops), 'loop')} "
        f"{'holds' if len(top) == 1 else 'hold'} {style.percent(share_length, 1)} of the "
        f"length and {style.percent(share_failures, 1)} of the expected failures; "
        + (
            "the first is first within the limits too."
            if top.iloc[0]["rank_hi"] <= 1
            else f"the rank of the first may lie anywhere from {style.number(top.iloc[0]['rank_lo'], 0)} to "
            f"{style.number(top.iloc[0]['rank_hi'], 0)}."
        )
    )
    third = (
        f"{replacement_belief.backtest_sentence(backtest)} A ranking is a planning aid and says nothing about the "
        "state of any one cable."
    )
    return Answer(QUESTION, (first, second, third), **link)


def reasons(loops: pd.DataFrame) -> Exhibit:
    """Why the first loops rank where they do."""
    title = "Why they rank there"
    rows = loop_sheets.in_rank_order(loops)
    rows = rows[rows["reasons"].fillna("") != ""].head(loop_sheets.SHOWN_LOOPS) if len(rows) else rows
    if rows.empty:
        return absent("reasons", title, (LOOPS,), "No reasons are on file for the ranking.", REMEDY)
    first = rows.iloc[0]
    expected = float(rows["expected_recorded"].sum())
    raw = float(rows["failures_recorded"].sum()) / expected if expected else float("nan")
    left = float((rows["multiplier"] * rows["expected_recorded"]).sum()) / expected if expected else float("nan")
    finding = (
        f"{first['loop_id']} has failed {style.counted(first['failures_recorded'], 'time')} where its class alone "
        f"leads one to expect {style.number(first['expected_recorded'], 1)}."
    )
    if round(raw, 1) > round(left, 1):  # of a few loops that are the whole fleet there is no rest
        finding += (
            f" Together these {len(rows)} loops have failed {style.number(raw, 1)} times as often as their classes; "
            f"{style.number(left, 1)} times is what the forecast carries on: the rest may be bad luck, which does not "
            "repeat."
        )
    return Exhibit(
        key="reasons",
        title=title,
        finding=finding,
        sources=(LOOPS,),
        definition="Failures on record beside those the class model expects over the same time in view.",
        count=f"{style.counted(len(rows), 'loop')}.",
        interval="None.",
        left_out="Loops further down: in the export.",
        tables=(
            Table(rows, ("rank", "loop_id", "failures_recorded", "expected_recorded", "multiplier", "reasons"), LOOPS),
        ),
    )
