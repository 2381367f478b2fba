"""What waits for a person's decision, and what would deciding change?"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import pandas as pd

from reports import style
from reports.figures import validation as figures
from reports.page import Exhibit, Table, largest
from shared import dictionary

if TYPE_CHECKING:
    from reports.marts import Marts

SHOWN = 2_000
SCENARIOS = {
    "value_without_applied": "without the corrections applied", "value_with_slips": "with every slip corrected",
    "value_with_joins": "with every cluster joined",
}  # fmt: skip
DECIDING = "Fill in {column} in a copy of exports/{file}.csv and load that; nothing is changed before."


def proposals(marts: Marts) -> Exhibit:
    """Slips proposed, each with its likelihood and evidence."""
    title = "Proposed corrections"
    rows = marts.read("marts.proposed_corrections")
    if rows.empty:
        return Exhibit(
            key="proposals", title=title, sources=("marts.proposed_corrections",),
            finding="No record carries the signature of a slip that is still to be decided on.",
        )  # fmt: skip
    rows = rows.sort_values(["likelihood", "job_id", "column", "slip"], ascending=[False, True, True, True])
    counts = rows.groupby("slip")["job_id"].nunique().sort_values(ascending=False, kind="stable")
    listed = ", ".join(f"{str(slip).replace('_', ' ').replace('utc', 'UTC')} {n}" for slip, n in counts.items())
    unsure = int((rows["likelihood"] < 0.8).sum())
    shown = rows.head(SHOWN).reset_index(drop=True)
    return Exhibit(
        key="proposals", title=title, sources=("marts.proposed_corrections",),
        finding=f"{style.counted(rows['job_id'].nunique(), 'job')} carry the signature of a slip: {listed}. {unsure:,} "
        f"of {style.counted(len(rows), 'proposal')} {'is' if unsure == 1 else 'are'} less likely than 80 %.",
        more=(DECIDING.format(column="decision", file="proposed_corrections"),),
        definition="The likelihood is the probability of the slip given the record and how common such slips are "
        "taken to be (Bayes' rule). It is our judgement, not a measured share: the evidence is beside it.",
        count=f"{style.counted(len(rows), 'proposal')}.", interval="None.",
        left_out="Slips already applied or refused, and those less likely than 50 %.",
        tables=(Table(
            shown, ("job_id", "slip", "column", "value_now", "value_proposed", "likelihood", "grounds"),
            "marts.proposed_corrections", extra=len(rows) - len(shown),
        ),),
    )  # fmt: skip


def clusters(marts: Marts) -> Exhibit:
    """Jobs that may be one."""
    title = "Jobs that may be one"
    rows = marts.read("marts.job_clusters")
    if rows.empty:
        return Exhibit(key="clusters", title=title, sources=("marts.job_clusters",),
                       finding="No two jobs look like one that are still to be decided on.")  # fmt: skip
    counts = rows.groupby("likeness").size()
    words = {"entered_twice": "entered twice", "opened_again": "opened again"}
    listed = " and ".join(f"{n} {words[str(kind)]}" for kind, n in counts.items())
    shown = rows.head(SHOWN)
    return Exhibit(
        key="clusters", title=title, sources=("marts.job_clusters",),
        finding=f"{style.counted(len(rows), 'job')} may be one with another, in "
        f"{style.counted(rows['cluster_id'].nunique(), 'cluster')}: {listed}. All are counted as separate jobs until "
        "decided.",
        more=(DECIDING.format(column="cluster_decision", file="job_clusters"),),
        definition="Entered twice: reported within 15 minutes on one loop. Opened again: dug within 30 days and 3 m "
        "on one section, from one terminal. What hangs together by a chain of such pairs is one cluster.",
        count=f"{style.counted(len(rows), 'job')}.", interval="None.",
        left_out="Jobs that were joined or separated by a decision.",
        tables=(Table(
            shown, ("job_id", "joined_with", "likeness", "jobs_in_cluster", "grounds"), "marts.job_clusters",
            extra=len(rows) - len(shown),
        ),),
    )  # fmt: skip


def effects(marts: Marts) -> Exhibit:
    """The answers without the corrections applied, and with those proposed."""
    title = "What the corrections change"
    rows = marts.read("marts.correction_effects")
    given = [name for name in SCENARIOS if name in rows and rows[name].notna().any()]
    if rows.empty or not given:
        return Exhibit(
            key="effects", title=title, sources=("marts.correction_effects",),
            finding="Nothing was corrected and nothing is proposed, so there is no effect to show.",
        )  # fmt: skip
    order = {name: place for place, name in enumerate(dictionary.codes()["answer"])}
    rows = rows.sort_values(["answer", "group_name"], key=lambda c: c.map(order) if c.name == "answer" else c)
    rows = rows.reset_index(drop=True)
    rows = rows[rows["value_standing"].notna()].reset_index(drop=True)
    rows = rows.assign(name=[_name(row) for row in rows.to_dict("records")])
    changes = {name: 100.0 * (rows[name] / rows["value_standing"] - 1.0) for name in given}
    return Exhibit(
        key="effects", title=title, sources=("marts.correction_effects",),
        finding=" ".join(_largest_change(rows, name, changes[name]) for name in given),
        definition="The jobs are altered in a copy, staging and core are built from it and the velocities fitted "
        "again, as in a refresh. Time to locate is from arrival to location; a slip that moves both stamps does not "
        "move it.",
        count=f"{style.counted(len(rows), 'answer')} in {len(given) + 1} versions.",
        interval="None: both versions stand on the same jobs.",
        left_out="The rates and the ranking, which are not fitted again; the failures that count are shown.",
        chart=figures.chart_effects(rows["name"].tolist(), {SCENARIOS[n]: changes[n].tolist() for n in given}),
        tables=(Table(
            rows, ("name", "value_standing", *given), "marts.correction_effects",
            labels={"name": "Answer", "value_standing": "As it stands",
                    **{n: SCENARIOS[n].capitalize() for n in SCENARIOS}},
        ),),
    )  # fmt: skip


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
    return (
        f"{words}, {head['name']} would be {style.number(head[scenario])} instead of "
        f"{style.number(head['value_standing'])}; {style.counted(others, 'answer')} of {len(moved)} would move by 1 % "
        "or more."
    )
