"""What is to be done about a loop: the options of its sections, the decisions that stand, work near it."""

import datetime as dt
from typing import Any

import numpy as np
import pandas as pd
from markupsafe import Markup

from reports import style
from reports.figures.map import lay_flat
from reports.figures.strip_marks import letter, letters_of
from reports.marts import Marts
from reports.page import Exhibit
from reports.pages.replacement_money import work_words
from reports.pages.sheet import lead, say, with_limits
from shared import dictionary
from shared.settings import Settings

NEAR_M = 1_000.0
"""Metres between the nearest terminals of two loops within which work on one is told on the sheet of the other."""


FORGONE = (("cost_of_it", 0), ("failures_forgone", 2))
"""What a decision costs against the free plan, and its decimals."""


def calendar_year(plan_year: float, settings: Settings) -> int:
    """The calendar year in which a year of the plan begins; the first begins the day after the as-of day."""
    assert settings.general.as_of is not None
    return (settings.general.as_of + dt.timedelta(days=1)).year + int(plan_year) - 1


def work_by_year(work: pd.DataFrame, settings: Settings) -> str:
    """What the plan does on some loop, year by year: '2026: replaces 0.4 km; 2028: injects 1.1 km'."""
    years = {year: work[work["plan_year"].eq(year)] for year in sorted(set(work["plan_year"].tolist()))}
    return "; ".join(f"{calendar_year(year, settings)}: {work_words(own, 2)}" for year, own in years.items())


# ------------------------------------------------------------------ the options of its sections


def list_sections(ident: str, work: pd.DataFrame, marts: Marts) -> pd.DataFrame:
    """The sections of a loop that rank, by rank, with what can be done about each and what the plan does."""
    sections = marts.read_only("marts.section_ranking", "loop_id", [ident]).sort_values(["rank", "section_id"])
    options = marts.read_only("marts.section_options", "loop_id", [ident]).drop(columns="loop_id")
    options["inject_over_cost"] = options["inject_avoided_cost"] / options["inject_cost"]
    made = sections.merge(options, on="section_id", how="left")
    return made.merge(work[["section_id", "action"]], on="section_id", how="left")


def section_rows(sections: pd.DataFrame, strip: pd.DataFrame, shared: str, settings: Settings) -> list[list[object]]:
    """The grid of the sections: what each is, its forecast, what replacing, injecting and waiting come to."""
    places, rows = letters_of(sorted(strip["cable_class"].unique())), list[list[object]]()
    row: Any
    for row in sections.itertuples(index=False):
        cable = letter(places[row.cable_class]) if row.cable_class in places else row.cable_class
        laid = style.MISSING if style.is_missing(row.installed_on) else f"{row.installed_on.year}"
        best = style.MISSING if style.is_missing(row.best_year) else f"{row.best_year}"
        is_planned = not (style.is_missing(row.plan_year) or style.is_missing(row.action))
        planned = f"{row.action} {calendar_year(row.plan_year, settings)}" if is_planned else ""
        decided = "" if style.is_missing(row.decided) or row.decided == "free" else row.decided
        rows.append([
            lead("section", row.section_id, less=shared), f"{cable} {laid}", 1000 * row.length_km,
            row.failures_recorded, with_limits(row, "expected_failures", 2), with_limits(row, "rank", 0),
            row.replace_cost, row.replace_avoided_cost, with_limits(row, "benefit_cost_growing", 2), best,
            row.inject_cost, row.inject_avoided_cost, style.number(row.inject_over_cost, 2), row.cost_of_waiting,
            ": ".join(filter(None, (decided, planned))),
        ])  # fmt: skip
    return rows


def section_list(sections: pd.DataFrame, shared: str, retired: int, body: Markup, settings: Settings) -> Exhibit:
    """The sections of a loop with their forecast and their options."""
    return say.exhibit(
        "loop-sections",
        say("loop-sections.finding" if len(sections) else "loop-sections.none", n=len(sections)),
        sections if len(sections) else None,
        body=body,
        more=(
            say(retired > 0 and "loop-sections.retired", n=retired),
            say(bool(shared) and len(sections) > 0 and "loop-sections.shared", shared=shared),
        ),
        settings=settings,
    )


# ------------------------------------------------------------------ decisions and work near it


def decision_rows(decided: pd.DataFrame, shared: str) -> list[list[object]]:
    """The grid of the decisions that stand for a loop or its sections."""
    outcomes = dictionary.codes()["decision_outcome"]
    return [
        [
            row["decision_id"],
            lead("section", row["section_id"], less=shared) if row["section_id"] else say.text("loop-decisions.whole"),
            *(style.cell(row[name], name) for name in ("decision", "year", "project_id", "decided_on")),
            row["reason"],
            row["conflict"] or outcomes.get(row["outcome"], style.MISSING),
            *(style.number(row[name] if row[name] != "" else None, n) for name, n in FORGONE),
        ]
        for row in decided.astype(object).fillna("").to_dict("records")
    ]


def decision_list(decided: pd.DataFrame, body: Markup, settings: Settings) -> Exhibit:
    """The decisions that stand for a loop."""
    if decided.empty:
        return say.nothing("loop-decisions")
    finding = say("loop-decisions.finding", n=len(decided))
    return say.exhibit("loop-decisions", finding, decided, body=body, settings=settings)


def list_nearby(ident: str, marts: Marts, settings: Settings) -> tuple[pd.DataFrame, bool]:
    """Other loops with work in the plan or a decision, near by or of the same project; and whether its place is known.

    Checked by: tests/unit/test_reports_sheets.py
    """
    work, decisions = marts.read("marts.programme"), marts.read("marts.decisions")
    names = ["loop_id", "project_id"]
    both = pd.concat([rows.reindex(columns=names) for rows in (work, decisions)], ignore_index=True)
    projects = set(both.loc[both["loop_id"].eq(ident), "project_id"].dropna()) - {""}
    others = both[both["loop_id"].ne(ident)]
    apart = distances(ident, sorted(others["loop_id"].unique()), marts)
    same = set(others.loc[others["project_id"].isin(projects), "loop_id"])
    near = set() if apart is None else set(apart.index[apart <= NEAR_M])
    rows = pd.DataFrame({"loop_id": sorted(near | same)}, dtype="str")
    rows["nearest_m"] = rows["loop_id"].map(apart if apart is not None else pd.Series(dtype=float))
    rows["project_id"] = [name if name in same else "" for name in rows["loop_id"]]
    own = dict(list(work[work["loop_id"].isin(rows["loop_id"])].groupby("loop_id")))
    rows["work"] = [work_by_year(own[name], settings) if name in own else "" for name in rows["loop_id"]]
    rows["cost"] = [own[name]["cost"].sum() if name in own else np.nan for name in rows["loop_id"]]
    told = decisions[decisions["loop_id"].isin(rows["loop_id"])] if len(decisions) else decisions
    said = dict(list(told.groupby("loop_id"))) if len(told) else {}
    rows["decisions"] = [decisions_words(said[name]) if name in said else "" for name in rows["loop_id"]]
    return rows.sort_values(["nearest_m", "loop_id"], na_position="last", ignore_index=True), apart is not None


def decisions_words(decided: pd.DataFrame) -> str:
    """Decisions in short: 'replace 2027, exclude'."""
    told = decided[["decision", "year"]].drop_duplicates().astype(object).fillna("")
    return ", ".join(f"{row.decision} {row.year}".strip() for row in told.itertuples(index=False))


def distances(ident: str, others: list[str], marts: Marts) -> pd.Series | None:
    """Metres from the nearest terminal of each other loop; None where this one's place is not known in metres."""
    rows = marts.read_only("staging.terminals", "loop_id", [ident, *others]).dropna(subset=["x", "y"])
    rows = rows.merge(marts.read("marts.loop_places")[["loop_id", "straight_over_cable"]], on="loop_id")
    own = rows["loop_id"].eq(ident).to_numpy()
    plane = lay_flat(rows) if own.any() else None
    if plane is None or not plane.is_metric:
        return None
    x, y = plane.x[~own], plane.y[~own]
    least = np.full(len(x), np.inf)
    for a, b in zip(plane.x[own], plane.y[own], strict=True):
        np.minimum(least, np.hypot(x - a, y - b), out=least)
    return pd.Series(least, rows.loc[~own, "loop_id"]).groupby(level=0).min()


def nearby_rows(near: pd.DataFrame) -> list[list[object]]:
    """The grid of work nearby, the nearest first."""
    rows = near.assign(project_id=near["project_id"].ne("").map({True: "yes", False: ""}))
    columns = ["nearest_m", "project_id", "work", "cost", "decisions"]
    return [[lead("loop", row["loop_id"]), *row[columns]] for _, row in rows.iterrows()]


def nearby_list(near: pd.DataFrame, is_placed: bool, body: Markup) -> Exhibit:
    """Work in the plan and decisions near a loop."""
    return say.exhibit(
        "loop-nearby",
        say("loop-nearby.finding" if len(near) else "loop-nearby.none", n=len(near), near=NEAR_M),
        body=body,
        more=(say(not is_placed and "loop-nearby.no_place"),),
        near=NEAR_M,
    )
