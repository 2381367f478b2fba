"""What waits for a person's decision, and what would deciding change?"""

from __future__ import annotations

from typing import Any

import pandas as pd

from reports.figures import validation as figures
from reports.marts import Marts
from reports.page import Exhibit, largest
from reports.words import Words
from shared import dictionary

say = Words("data_quality")

SHOWN = 2_000
SCENARIOS = {
    "value_without_applied": "without the corrections applied",
    "value_with_slips": "with every suspected error corrected",
    "value_with_joins": "with every cluster joined",
}  # fmt: skip
DECIDING = "Fill in {column} in a copy of exports/{file}.csv and load that; until then nothing changes."


def proposals(marts: Marts) -> Exhibit:
    """Slips proposed, each with its likelihood and evidence."""
    rows = marts.read("marts.proposed_corrections")
    if rows.empty:
        return say.nothing("proposals")
    rows = rows.sort_values(["likelihood", "job_id", "column", "slip"], ascending=[False, True, True, True])
    counts = rows.groupby("slip")["job_id"].nunique().sort_values(ascending=False, kind="stable")
    listed = ", ".join(f"{str(slip).replace('_', ' ').replace('utc', 'UTC')} {n}" for slip, n in counts.items())
    unsure = int((rows["likelihood"] < 0.8).sum())
    shown = rows.head(SHOWN).reset_index(drop=True)
    return say.exhibit(
        "proposals",
        say("proposals.finding", job_id=rows["job_id"].nunique(), listed=listed, unsure=unsure, n_rows=len(rows)),
        shown,
        extra=len(rows) - len(shown),
        more=(DECIDING.format(column="decision", file="proposed_corrections"),),
        n_rows=len(rows),
    )


def clusters(marts: Marts) -> Exhibit:
    """Jobs that may be one."""
    rows = marts.read("marts.job_clusters")
    if rows.empty:
        return say.nothing("clusters")
    counts = rows.groupby("likeness").size()
    words = {"entered_twice": "entered twice", "opened_again": "opened again"}
    listed = " and ".join(f"{n} {words[str(kind)]}" for kind, n in counts.items())
    shown = rows.head(SHOWN)
    return say.exhibit(
        "clusters",
        say("clusters.finding", n_rows=len(rows), cluster_id=rows["cluster_id"].nunique(), listed=listed),
        shown,
        extra=len(rows) - len(shown),
        more=(DECIDING.format(column="cluster_decision", file="job_clusters"),),
        n_rows=len(rows),
    )


def effects(marts: Marts) -> Exhibit:
    """The answers without the corrections applied, and with those proposed."""
    rows = marts.read("marts.correction_effects")
    given = [name for name in SCENARIOS if name in rows and rows[name].notna().any()]
    if rows.empty or not given:
        return say.nothing("effects")
    order = {name: place for place, name in enumerate(dictionary.codes()["answer"])}
    rows = rows.sort_values(["answer", "group_name"], key=lambda c: c.map(order) if c.name == "answer" else c)
    rows = rows.reset_index(drop=True)
    rows = rows[rows["value_standing"].notna()].reset_index(drop=True)
    rows = rows.assign(name=[_name(row) for row in rows.to_dict("records")])
    changes = {name: 100.0 * (rows[name] / rows["value_standing"] - 1.0) for name in given}
    return say.exhibit(
        "effects",
        " ".join(_largest_change(rows, name, changes[name]) for name in given),
        rows[["name", "value_standing", *given]],
        chart=figures.chart_effects(rows["name"].tolist(), {SCENARIOS[n]: changes[n].tolist() for n in given}),
        n_rows=len(rows),
        n_given=len(given) + 1,
    )


def _name(row: dict[Any, Any]) -> str:
    said = str(dictionary.codes()["answer"].get(row["answer"], row["answer"]))
    return said if row["group_name"] == "all" else said.replace("to a cable class", f"to {row['group_name']}")


def _largest_change(rows: pd.DataFrame, scenario: str, change: pd.Series[Any]) -> str:
    """One sentence: what moves most in a version, or that nothing does."""
    moved = rows.assign(change=change).dropna(subset=["change"])
    words = SCENARIOS[scenario].capitalize()
    if moved.empty or moved["change"].abs().max() < 0.05:
        return f"{words}, no answer moves by a thousandth."
    head = largest(moved, "change")
    others = int((moved["change"].abs() >= 1.0).sum())
    return say("_largest_change.said", words=words, head=head, head_2=head[scenario], others=others, n_moved=len(moved))
