"""What was loaded, what was refused and why: the page to read before the others."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd

from reports import style
from reports.figures import validation as figures
from reports.page import Exhibit, Page, Section, Table, absent, largest
from reports.pages import data_quality_decisions as decisions
from reports.pages import data_quality_values as values
from shared import dictionary

if TYPE_CHECKING:
    from reports.marts import Marts
    from shared.settings import Settings

QUESTION = "What do the figures stand on?"

QUARANTINE = "marts.quarantine"

REMEDY = "load the files with: loopwear load PATH..., then run: loopwear refresh"

SHOWN_FINDINGS = 2_000
"""Findings in the page at most; the export has all."""


def build(marts: Marts, settings: Settings) -> Page:
    """The data quality page."""
    findings = marts.read(QUARANTINE)
    return Page(
        key="data_quality",
        title="Data quality",
        question=QUESTION,
        summary=(
            "A row that was read is loaded, or already there, or replaced by a later revision, or in quarantine.",
            "Nothing is dropped and nothing is mended in silence.",
            what_waits(marts, findings),
        ),
        sections=(
            Section("What is loaded", (tables_loaded(marts), files_read(marts), values.trend(marts))),
            Section(
                "What the files said as a whole",
                (
                    values.whole_files(marts),
                    values.completeness(marts),
                    gaps(marts),
                    values.orphans(marts, settings),
                    values.heaping(marts, settings),
                ),
            ),
            Section(
                "What waits for a decision",
                (decisions.effects(marts), decisions.proposals(marts), decisions.clusters(marts)),
            ),
            Section("What was found in single rows", (rules(findings), single_findings(findings))),
        ),
    )


def what_waits(marts: Marts, findings: pd.DataFrame) -> str:
    """One sentence: what is there to mend, to read and to decide on."""
    kept_out = findings.loc[findings["severity"] == "reject", ["batch", "table", "file", "row_number"]]
    results = marts.read("marts.batch_results")
    slips = marts.read("marts.proposed_corrections")["job_id"].nunique()
    waiting = (
        (len(kept_out.drop_duplicates()), "row in quarantine", "rows in quarantine"),
        (int(results["message"].notna().sum()), "warning of a whole file", "warnings of whole files"),
        (slips, "job with a slip to decide on", "jobs with a slip to decide on"),
        (len(marts.read("marts.job_clusters")), "job that may be another one again", "jobs that may be others again"),
    )
    said = [style.counted(n, one, several) for n, one, several in waiting if n]
    if not said:
        return "Nothing waits to be mended or decided on."
    return "Waiting for a person: " + (", ".join(said[:-1]) + " and " if len(said) > 1 else "") + said[-1] + "."


def staged(marts: Marts) -> dict[str, pd.DataFrame]:
    """The latest word on each thing, by file stem."""
    return {stem: marts.read(f"staging.{stem}") for stem in dictionary.source_tables()}


def tables_loaded(marts: Marts) -> Exhibit:
    """Rows in use by table."""
    title = "Rows in use, by table"
    frames = staged(marts)
    rows = pd.DataFrame(
        {
            "table": list(frames),
            "rows": [len(f) for f in frames.values()],
            "grain": [dictionary.tables()[f"staging.{stem}"].grain for stem in frames],
        }
    )
    if not rows["rows"].sum():
        return absent("tables", title, (), "Nothing is loaded.", REMEDY)
    jobs = frames["jobs"]
    finding = (
        f"{style.counted(len(jobs), 'closed job')} and {style.counted(len(frames['sections']), 'section')} on "
        f"{style.counted(len(frames['loops']), 'loop')} are in use."
    )
    if len(jobs):
        first, last = style.date_words(jobs["reported_at"].min()), style.date_words(jobs["reported_at"].max())
        finding += f" The jobs run from {first} to {last} (UTC)."
    empty = rows.loc[rows["rows"] == 0, "table"].tolist()
    more = (f"Not loaded: {', '.join(empty)}. Figures that need them are left out.",) if empty else ()
    return Exhibit(
        key="tables",
        title=title,
        finding=finding,
        more=more,
        sources=(),
        definition="Rows after the latest revision of each thing is taken; of jobs, the closed ones.",
        count=f"{style.counted(rows['rows'].sum(), 'row')}.",
        interval="None.",
        left_out="Cancelled jobs and superseded revisions, which stay in the raw tables.",
        tables=(
            Table(rows, ("table", "rows", "grain"), "staging layer", labels={"rows": "Rows", "grain": "One row is"}),
        ),
    )


def files_read(marts: Marts) -> Exhibit:
    """What became of the rows of every file."""
    title = "What became of the rows of every file"
    files = marts.read_book("files")
    wanted = {"batch_id", "file", "read", "new", "revised", "unchanged", "superseded", "quarantined", "warned"}
    if files.empty or not wanted <= set(files.columns):
        return absent("files", title, (), "No record of files read.", REMEDY)
    rows = files.assign(loaded=files["new"] + files["revised"])
    read, kept_out = int(rows["read"].sum()), int(rows["quarantined"].sum())
    finding = (
        f"Of {style.counted(read, 'row')} read from {style.counted(len(rows), 'file')}, {kept_out:,} "
        f"({style.percent(kept_out / max(read, 1), 1)}) "
        f"are in quarantine; {style.counted(rows['warned'].sum(), 'row')} "
        f"{'was' if int(rows['warned'].sum()) == 1 else 'were'} kept and flagged."
    )
    worst = rows[rows["read"] > 0].assign(share=lambda r: r["quarantined"] / r["read"])
    if len(worst) and worst["share"].max() > 0:
        head = largest(worst, "share")
        finding += f" The largest share is in {head['file']}: {style.percent(head['share'], 1)}."
    return Exhibit(
        key="files",
        title=title,
        finding=finding,
        sources=(),
        definition="Loaded: new, or a later revision. Unchanged: already there. Superseded: an older revision than "
        "one already there. "
        "Read = loaded + unchanged + superseded + quarantined, checked for every file.",
        count=f"{style.counted(rows['batch_id'].nunique(), 'load')}.",
        interval="None.",
        left_out="Nothing: every load since the workspace was made.",
        chart=figures.chart_files(rows.tail(40)),
        tables=(
            Table(
                rows,
                (
                    "file",
                    "table",
                    "batch_id",
                    "read",
                    "new",
                    "revised",
                    "unchanged",
                    "superseded",
                    "quarantined",
                    "warned",
                ),
                "raw.files",
                labels={name: name.capitalize() for name in wanted - {"batch_id", "file"}},
            ),
        ),
    )


def gaps(marts: Marts) -> Exhibit:
    """How often a wanted value is missing."""
    title = "Wanted values that are missing"
    made = []
    for stem, frame in staged(marts).items():
        for column in dictionary.tables()[f"raw.{stem}"].wanted:
            if len(frame) and column in frame.columns:
                missing = int(frame[column].isna().sum())
                made.append((f"{stem}.{column}", len(frame), missing, missing / len(frame)))
    rows = pd.DataFrame(made, columns=["name", "rows", "missing", "share"])
    if rows.empty:
        return absent("gaps", title, (), "Nothing is loaded, so nothing is missing from it.", REMEDY)
    rows = rows.sort_values(["share", "name"], ascending=[False, True]).reset_index(drop=True)
    head = rows.iloc[0]
    finding = (
        f"{head['name']} is missing most often: in {style.percent(head['share'])} of "
        f"{style.counted(head['rows'], 'row')}."
        if head["missing"]
        else "No wanted value is missing."
    )
    return Exhibit(
        key="gaps",
        title=title,
        finding=finding,
        sources=(),
        definition="A wanted value is one that a figure needs; a row without it is kept, and left out of that figure "
        "alone.",
        count=f"{style.counted(len(rows), 'wanted column')} in the tables loaded.",
        interval="None.",
        left_out="Required values: a row without one is in quarantine. Optional values are not counted.",
        chart=figures.chart_gaps(rows[rows["missing"] > 0]) if (rows["missing"] > 0).any() else None,
        tables=(
            Table(
                rows,
                ("name", "rows", "missing", "share"),
                "staging layer",
                labels={"name": "Table and column", "rows": "Rows", "missing": "Missing", "share": "Share"},
            ),
        ),
    )


def rules(findings: pd.DataFrame) -> Exhibit:
    """Findings by rule."""
    title = "Findings by rule"
    if findings.empty:
        return Exhibit(
            key="rules",
            title=title,
            finding="No row broke a rule.",
            sources=(QUARANTINE,),
            count="No finding.",
            interval="None.",
            definition="Each row is tried against the named rules at the door.",
            left_out="Nothing.",
        )
    counts = findings.groupby(["rule", "severity"], as_index=False, sort=True).agg(
        findings=("rule", "size"), rows=("row_number", "nunique"), example=("message", "first")
    )
    total = counts.groupby("rule")["findings"].transform("sum")
    counts = (
        counts.assign(total=total)
        .sort_values(["total", "rule", "severity"], ascending=[False, True, True])
        .reset_index(drop=True)
    )
    kept_out = int((findings["severity"] == "reject").sum())
    head = counts.iloc[0]
    finding = (
        f"{style.counted(len(findings), 'finding')} by {style.counted(counts['rule'].nunique(), 'rule')}; "
        f"{kept_out:,} keep a row out, "
        f"{len(findings) - kept_out:,} flag it. The commonest is {head['rule']}, "
        f"{style.counted(head['total'], 'time')}."
    )
    return Exhibit(
        key="rules",
        title=title,
        finding=finding,
        sources=(QUARANTINE,),
        definition="A finding is one rule that one row failed; a row may fail several. Kept out: the row is in "
        "quarantine, as it came.",
        count=f"{style.counted(len(findings), 'finding')}.",
        interval="None.",
        left_out="Faults no rule looks for.",
        chart=figures.chart_rules(counts),
        tables=(
            Table(
                counts,
                ("rule", "severity", "findings", "example"),
                QUARANTINE,
                labels={"findings": "Findings", "example": "For example"},
            ),
        ),
    )


def single_findings(findings: pd.DataFrame) -> Exhibit:
    """The findings one by one."""
    title = "Findings, row by row"
    if findings.empty:
        return Exhibit(key="findings", title=title, finding="There is nothing to mend.", sources=(QUARANTINE,))
    rejects_first = (
        findings.assign(order=(findings["severity"] != "reject").astype(int))
        .sort_values(["order", "batch", "file", "row_number", "rule", "column"])
        .reset_index(drop=True)
    )
    shown = rejects_first.head(SHOWN_FINDINGS)
    return Exhibit(
        key="findings",
        title=title,
        sources=(QUARANTINE,),
        finding="Each row that was kept out can be mended and loaded again. "
        "The command loopwear quarantine --export FILE writes them in the form they came.",
        definition="Row number as a spreadsheet shows it: the header is row 1. Rows kept out come first.",
        count=f"{style.counted(len(findings), 'finding')}.",
        interval="None.",
        left_out="Nothing."
        if len(shown) == len(findings)
        else f"Findings after the first {len(shown):,}: in the export.",
        tables=(
            Table(
                shown,
                ("file", "row_number", "rule", "severity", "column", "value", "message"),
                QUARANTINE,
                extra=len(findings) - len(shown),
            ),
        ),
    )
