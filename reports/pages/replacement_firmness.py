"""How firm is the ranking? What moved since the last one, and what other readings of the records would move."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd

from reports import style
from reports.figures import replacement_belief as figures
from reports.page import Exhibit, Section, Table, absent
from reports.pages.loop_sheets import SHOWN_LOOPS
from shared import dictionary

if TYPE_CHECKING:
    from reports.marts import Marts

CHURN = "marts.ranking_churn"
SENSITIVITY = "marts.ranking_sensitivity"


def section(marts: Marts) -> Section:
    """The section of the page."""
    return Section(
        "How firm is it?",
        (churn(marts.read(CHURN)), sensitivity(marts.read(SENSITIVITY))),
        "A list that moves must say why, and one that hangs on what nobody can prove must say so.",
    )


def churn(moves: pd.DataFrame) -> Exhibit:
    """Places moved since the last ranking that differed, with the reasons."""
    title = "What moved since the last ranking"
    if moves.empty:
        return absent(
            "churn", title, (CHURN,), "This is the first ranking kept here: there is nothing to compare with.",
            "load newer jobs or a corrected register, or change a setting, then run: loopwear refresh",
        )  # fmt: skip
    rows = moves.sort_values(["rank_now", "rank_then", "loop_id"], na_position="last").reset_index(drop=True)
    head = rows[rows["rank_now"].le(SHOWN_LOOPS).fillna(False) | rows["rank_then"].le(SHOWN_LOOPS).fillna(False)]
    then = f"{pd.Timestamp(rows['as_of_then'].iloc[0]):%Y-%m-%d}"
    moved = rows["places_moved"].fillna(1).ne(0)
    return Exhibit(
        key="churn",
        title=title,
        finding=churn_sentence(rows, then),
        sources=(CHURN,),
        definition=f"Places against the last ranking kept that differs from this one (run {rows['run_then'].iloc[0]}, "
        f"as of {then}). By its own figure: the places the loop would have moved had no other loop's figure changed; "
        "by others: the rest. The figure is failures expected per km: what its class expects, times its multiplier.",
        count=f"{style.counted(len(rows), 'loop')}, {int(moved.sum()):,} of which moved, came or went.",
        interval="None: compare the places moved with the limits of the rank.",
        left_out=f"Loops that were and are beyond the first {SHOWN_LOOPS}: in the export.",
        chart=figures.chart_churn(head.dropna(subset=["rank_now", "rank_then"])),
        tables=(
            Table(
                head.reset_index(drop=True),
                (
                    "loop_id", "rank_now", "rank_then", "places_moved", "places_own", "failures_now", "churn_reasons",
                ),
                CHURN,
                labels={"places_own": "By its own figure", "churn_reasons": "Why"},
                extra=len(rows) - len(head),
            ),
        ),
    )  # fmt: skip


def churn_sentence(rows: pd.DataFrame, then: str) -> str:
    """Who came into the head and who left it, and the furthest move in it with its reason."""
    now_first = rows[rows["rank_now"].le(SHOWN_LOOPS).fillna(False)]
    came = now_first[~now_first["rank_then"].le(SHOWN_LOOPS).fillna(False)]
    gone = rows[rows["rank_then"].le(SHOWN_LOOPS).fillna(False) & ~rows["rank_now"].le(SHOWN_LOOPS).fillna(False)]
    first = (
        f"{len(now_first) - len(came)} of the first {len(now_first)} loops were among the first {SHOWN_LOOPS} of the "
        f"ranking as of {then}."
    )
    names = ""
    if len(came) or len(gone):
        names = f" New: {', '.join(came['loop_id']) or 'none'}; gone: {', '.join(gone['loop_id']) or 'none'}."
    fallen = gone.dropna(subset=["rank_now"])
    if len(fallen):
        last = fallen.iloc[-1]
        names += (
            f" Furthest down went {last['loop_id']}, from {int(last['rank_then'])} to {int(last['rank_now'])}: "
            f"{last['churn_reasons']}."
        )
    moved = now_first[now_first["places_moved"].fillna(0).ne(0)]
    if moved.empty:
        return first + names + (" None of them changed its place." if not names else "")
    size = moved["places_moved"].abs().astype(float)
    furthest = moved.loc[size[size == size.max()].index[0]]
    return (
        f"{first}{names} The furthest move among the first is {furthest['loop_id']}, from "
        f"{int(furthest['rank_then'])} to {int(furthest['rank_now'])}: {furthest['churn_reasons']}."
    )


def sensitivity(variants: pd.DataFrame) -> Exhibit:
    """How many of the first loops stay first under other readings of the records."""
    title = "What the head of the list hangs on"
    if variants.empty:
        return absent(
            "sensitivity", title, (SENSITIVITY,), "There is no ranking to try other readings on.",
            "load districts.csv, loops.csv, sections.csv and jobs.csv, then run: loopwear refresh",
        )  # fmt: skip
    words = dictionary.codes()["variant"]
    rows = variants[variants["variant"] != "as_it_is"].sort_values(["top_stay", "variant"]).reset_index(drop=True)
    rows = rows.assign(reading=rows["variant"].map(words))
    worst, size = rows.iloc[0], int(rows["top_loops"].iloc[0])
    always = size - len({name for names in rows["top_left"] for name in str(names).split(", ") if name})
    finding = (
        f"{always} of the first {size} loops stay among the first {size} under each of {len(rows)} other readings of "
        f"the same records. The reading that moves most is that {worst['reading']}: {int(worst['top_stay'])} of "
        f"{size} stay."
    )
    return Exhibit(
        key="sensitivity",
        title=title,
        finding=finding,
        sources=(SENSITIVITY,),
        definition="The loops are ranked again by failures expected per km after a refit to each reading: levels of "
        "the classes, levels of the last years and multipliers anew, with the form and shape of the curves and the "
        "spread of the multipliers held. Against fits from the beginning the head differs by a loop at most on the "
        "fleets tried.",
        count=f"{style.counted(variants['loops_ranked'].iloc[0], 'loop')} ranked, "
        f"{style.number(variants.loc[variants['variant'].eq('as_it_is'), 'failures_used'].sum(), 0)} failures as the "
        "ranking reads them.",
        interval="None: each is one refit.",
        left_out="Two readings at once; other forms of the curves (the survival part scores those).",
        chart=figures.chart_sensitivity(rows),
        tables=(
            Table(
                rows,
                ("reading", "top_stay", "top_left", "top_came", "failures_used", "sections_used"),
                SENSITIVITY,
                labels={"reading": "Reading", "top_stay": "Stay", "top_left": "Leave", "top_came": "Come",
                        "failures_used": "Failures", "sections_used": "Sections"},
            ),
        ),
    )  # fmt: skip
