"""How firm is the ranking? What moved since the last one, and what other readings of the records would move."""

import pandas as pd

from reports.figures import replacement_evaluation as figures
from reports.marts import Judged, Marts, judged
from reports.page import Exhibit, Section
from reports.pages.replacement_ranking import SHOWN_LOOPS
from reports.words import Words
from shared import dictionary

say = Words("replacement")

CHURN = "marts.ranking_churn"
SENSITIVITY = "marts.ranking_sensitivity"


def section(marts: Marts) -> Section:
    """The section of the page."""
    return Section(
        "Changes and sensitivity of the ranking",
        (
            churn(marts.read(CHURN)),
            sensitivity(marts.read(SENSITIVITY)),
            duplicates(marts.read("marts.duplicates_both_ways"), judged(marts, "replacement")),
        ),
        say("section.firmness"),
    )


def churn(moves: pd.DataFrame) -> Exhibit:
    """Places moved since the last ranking that differed, with the reasons."""
    if moves.empty:
        return say.absent("churn")
    rows = moves.sort_values(["rank_now", "rank_then", "loop_id"], na_position="last").reset_index(drop=True)
    head = rows[rows["rank_now"].le(SHOWN_LOOPS).fillna(False) | rows["rank_then"].le(SHOWN_LOOPS).fillna(False)]
    then = f"{pd.Timestamp(rows['as_of_then'].iloc[0]):%Y-%m-%d}"
    moved = rows["places_moved"].fillna(1).ne(0)
    return say.exhibit(
        "churn",
        churn_sentence(rows, then),
        head,
        extra=len(rows) - len(head),
        chart=figures.chart_churn(head.dropna(subset=["rank_now", "rank_then"])),
        iloc=rows["run_then"].iloc[0],
        then=then,
        n_rows=len(rows),
        moved_2=int(moved.sum()),
        shown_loops=SHOWN_LOOPS,
    )


def churn_sentence(rows: pd.DataFrame, then: str) -> str:
    """Who came into the head and who left it, and the furthest move in it with its reason."""
    now_first = rows[rows["rank_now"].le(SHOWN_LOOPS).fillna(False)]
    came = now_first[~now_first["rank_then"].le(SHOWN_LOOPS).fillna(False)]
    gone = rows[rows["rank_then"].le(SHOWN_LOOPS).fillna(False) & ~rows["rank_now"].le(SHOWN_LOOPS).fillna(False)]
    first = say(
        "churn_sentence.first",
        n_now_first=len(now_first) - len(came),
        n_now_first_2=len(now_first),
        shown_loops=SHOWN_LOOPS,
        then=then,
    )
    names = ""
    if len(came) or len(gone):
        names = say(
            "churn_sentence.names",
            value=", ".join(came["loop_id"]) or "none",
            value_2=", ".join(gone["loop_id"]) or "none",
        )
    fallen = gone.dropna(subset=["rank_now"])
    if len(fallen):
        last = fallen.iloc[-1]
        names += say(
            "churn_sentence.names_2", last=last, rank_then=int(last["rank_then"]), rank_now=int(last["rank_now"])
        )
    moved = now_first[now_first["places_moved"].fillna(0).ne(0)]
    if moved.empty:
        return first + names + (" None of them changed its place." if not names else "")
    size = moved["places_moved"].abs().astype(float)
    furthest = moved.loc[size[size == size.max()].index[0]]
    return say(
        "churn_sentence.said",
        first=first,
        names=names,
        furthest=furthest,
        rank_then=int(furthest["rank_then"]),
        rank_now=int(furthest["rank_now"]),
    )


def sensitivity(variants: pd.DataFrame) -> Exhibit:
    """How many of the first loops stay first under other readings of the records."""
    if variants.empty:
        return say.absent("sensitivity")
    words = dictionary.codes()["variant"]
    rows = variants[variants["variant"] != "as_it_is"].sort_values(["top_stay", "variant"]).reset_index(drop=True)
    rows = rows.assign(reading=rows["variant"].map(words))
    worst, size = rows.iloc[0], int(rows["top_loops"].iloc[0])
    always = size - len({name for names in rows["top_left"] for name in str(names).split(", ") if name})
    finding = say(
        "sensitivity.finding", always=always, size=size, n_rows=len(rows), worst=worst, top_stay=int(worst["top_stay"])
    )
    return say.exhibit(
        "sensitivity",
        finding,
        rows,
        chart=figures.chart_sensitivity(rows),
        iloc=variants["loops_ranked"].iloc[0],
        loc=variants.loc[variants["variant"].eq("as_it_is"), "failures_used"].sum(),
    )


def duplicates(rows: pd.DataFrame, found: Judged) -> Exhibit:
    """Failures, rates and ranks with undecided duplicates as they are, and joined."""
    if rows.empty:
        return say.absent("duplicates")
    order = ["all", "cable_class", "loop"]
    shown = rows.sort_values(
        ["grouped_by", "rank", "group_name"], key=lambda one: one.map(order.index) if one.name == "grouped_by" else one
    )
    first = "duplicates.first" if found["first_if_joined"] is not None else "duplicates.same_first"
    return say.exhibit("duplicates", say("duplicates.finding", first, whole=shown.iloc[0], found=found), shown)
