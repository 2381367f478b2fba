"""Which loops to replace first: the page of the reliability engineer."""

import pandas as pd

from reports.marts import Judged, Marts, judged
from reports.page import Answer, Exhibit, Page, Section
from reports.pages import replacement_evaluation, replacement_money, replacement_ranking, survival
from reports.words import Words
from shared.settings import Settings

say = Words("replacement")

QUESTION = "Which loops should be replaced first?"


SELDOM = frozenset(
    [
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
        "counts",
        "duplicates",
    ]
)
"""Figures looked at once in a while: when the prices, the method or a class is doubted."""


def build(marts: Marts, settings: Settings) -> Page:
    """The replacement page."""
    loops, found = marts.read("marts.loop_ranking"), judged(marts, "replacement")
    return Page(
        key="replacement",
        title="Replacement",
        question=QUESTION,
        summary=answer(marts, settings).sentences,
        sections=(
            Section(
                "The ranking",
                (
                    *replacement_ranking.ranking(marts, settings),
                    replacement_ranking.first_of_each(marts.read("marts.first_loops")),
                    reasons(loops, found),
                ),
            ),
            replacement_money.section(marts, settings),
            *replacement_evaluation.sections(marts, settings),
            survival.section(marts, settings),
        ),
        seldom=SELDOM,
    )


def answer(marts: Marts, settings: Settings) -> Answer:
    """The engineer's question in three sentences."""
    loops, found = replacement_ranking.in_rank_order(marts.read("marts.loop_ranking")), judged(marts, "replacement")
    link = {"link": "replacement", "link_text": say("answer.link"), "caution": "planning_aid"}
    if loops.empty:
        return Answer(QUESTION, (say("answer.nothing"), f"To do: {say('remedy')}."), **link)
    n_top = min(10, max(1, len(loops) // 4))  # of a handful of loops all would say nothing
    values = {
        "top": loops.iloc[0],
        "then": ("; then " if len(loops) > 1 else "") + ", ".join(loops["loop_id"].iloc[1:5]),
        "n_top": n_top,
        "n_loops": len(loops),
        "length_share": found.of("loops_length_share", n_top),
        "failures_share": found.of("loops_failures_share", n_top),
        "settings": settings,
        "tried": replacement_evaluation.backtest_sentence(found),
    }
    rank = "answer.first_rank_clear" if found["first_rank"] == "clear" else "answer.first_rank_open"
    joined = found["first_if_joined"] is not None and "answer.joined"
    return Answer(
        QUESTION,
        (
            say("answer.first", found["firsts"] and f"answer.firsts_{found['firsts']}", joined, found=found, **values),
            say("answer.second", rank, **values),
            say("answer.third", **values),
        ),
        **link,
    )


def reasons(loops: pd.DataFrame, found: Judged) -> Exhibit:
    """Why the first loops rank where they do."""
    rows = replacement_ranking.in_rank_order(loops)
    rows = rows[rows["reasons"].fillna("") != ""].head(replacement_ranking.SHOWN_LOOPS) if len(rows) else rows
    if rows.empty:
        return say.absent("reasons")
    n = len(rows)
    is_luck = found.of("loops_luck", n) == "may_be_luck"
    ratios = {"raw": found.of("loops_failed_ratio", n), "left": found.of("loops_carried_ratio", n)}
    finding = say("reasons.finding", is_luck and "reasons.luck", first=rows.iloc[0], n_rows=n, **ratios)
    return say.exhibit("reasons", finding, rows)
