"""What was loaded, what was refused and why: the page to read before the others."""

import pandas as pd

from reports import style
from reports.figures import validation as figures
from reports.marts import Marts
from reports.page import Exhibit, Page, Section, largest
from reports.pages import data_quality_decisions as decisions
from reports.pages import data_quality_values as values
from reports.words import Words
from shared import dictionary
from shared.settings import Settings

say = Words("data_quality")

QUESTION = "What are the figures based on?"


SHOWN_FINDINGS = 2_000
"""Findings in the page at most; the export has all."""


def build(marts: Marts, settings: Settings) -> Page:
    """The data quality page."""
    findings = marts.read("marts.quarantine")
    return Page(
        key="data_quality",
        title="Data quality",
        question=QUESTION,
        summary=(say("build.intro"), say("build.intro_2"), what_waits(marts, findings)),
        sections=(
            Section("Rows loaded", (tables_loaded(marts), files_read(marts), values.trend(marts))),
            Section(
                "Whole files",
                (
                    values.whole_files(marts),
                    values.completeness(marts),
                    gaps(marts),
                    values.orphans(marts, settings),
                    values.recorded(marts, settings),
                    values.heaping(marts, settings),
                ),
            ),
            Section(
                "Waiting for a decision",
                (decisions.effects(marts), decisions.proposals(marts), decisions.clusters(marts)),
            ),
            Section("Single rows", (rules(findings), single_findings(findings))),
        ),
    )


def what_waits(marts: Marts, findings: pd.DataFrame) -> str:
    """One sentence: what is there to mend, to read and to decide on."""
    kept_out = findings.loc[findings["severity"] == "reject", ["batch", "table", "file", "row_number"]]
    results = marts.read("marts.batch_results")
    slips = marts.read("marts.proposed_corrections")["job_id"].nunique()
    waiting = (
        (len(kept_out.drop_duplicates()), "row in quarantine", "rows in quarantine"),
        (int((findings["severity"] == "empty").sum()), "value taken out", "values taken out"),
        (int(results["message"].notna().sum()), "warning of a whole file", "warnings of whole files"),
        (slips, "job with a suspected error", "jobs with a suspected error"),
        (len(marts.read("marts.job_clusters")), "possible duplicate job", "possible duplicate jobs"),
    )
    said = [style.counted(n, one, several) for n, one, several in waiting if n]
    if not said:
        return say("what_waits.said")
    return "Waiting for a person: " + (", ".join(said[:-1]) + " and " if len(said) > 1 else "") + said[-1] + "."


def staged(marts: Marts) -> dict[str, pd.DataFrame]:
    """The latest word on each thing, by file stem."""
    return {stem: marts.read(f"staging.{stem}") for stem in dictionary.source_tables()}


def tables_loaded(marts: Marts) -> Exhibit:
    """Rows in use by table."""
    frames = staged(marts)
    rows = pd.DataFrame(
        {
            "table": list(frames),
            "rows": [len(f) for f in frames.values()],
            "grain": [dictionary.tables()[f"staging.{stem}"].grain for stem in frames],
        }
    )
    if not rows["rows"].sum():
        return say.absent("tables")
    jobs = frames["jobs"]
    finding = say("tables.finding", n_jobs=len(jobs), n_sections=len(frames["sections"]), n_loops=len(frames["loops"]))
    if len(jobs):
        first, last = style.date_words(jobs["reported_at"].min()), style.date_words(jobs["reported_at"].max())
        finding += f" The jobs run from {first} to {last} (UTC)."
    empty = rows.loc[rows["rows"] == 0, "table"].tolist()
    more = (say("tables.more", value=", ".join(empty)),) if empty else ()
    return say.exhibit("tables", finding, rows, more=more, rows_2=rows["rows"].sum())


def files_read(marts: Marts) -> Exhibit:
    """What became of the rows of every file."""
    files = marts.read_book("files")
    wanted = {
        "load_id",
        "file",
        "read",
        "new",
        "revised",
        "unchanged",
        "superseded",
        "quarantined",
        "emptied",
        "warned",
    }
    if files.empty or not wanted <= set(files.columns):
        return say.absent("files")
    rows = files.assign(loaded=files["new"] + files["revised"])
    read, kept_out = int(rows["read"].sum()), int(rows["quarantined"].sum())
    finding = say(
        "files.finding",
        read=read,
        n_rows=len(rows),
        kept_out=kept_out,
        kept_out_2=kept_out / max(read, 1),
        emptied=rows["emptied"].sum(),
        warned=rows["warned"].sum(),
        warned_2=int(rows["warned"].sum()),
    )
    worst = rows[rows["read"] > 0].assign(share=lambda r: r["quarantined"] / r["read"])
    if len(worst) and worst["share"].max() > 0:
        head = largest(worst, "share")
        finding += f" The largest share is in {head['file']}: {style.percent(head['share'], 1)}."
    return say.exhibit(
        "files", finding, rows, chart=figures.chart_files(rows.tail(40)), load_id=rows["load_id"].nunique()
    )


def gaps(marts: Marts) -> Exhibit:
    """How often a wanted value is missing."""
    made = []
    for stem, frame in staged(marts).items():
        for column in dictionary.tables()[f"raw.{stem}"].wanted:
            if len(frame) and column in frame.columns:
                missing = int(frame[column].isna().sum())
                made.append((f"{stem}.{column}", len(frame), missing, missing / len(frame)))
    rows = pd.DataFrame(made, columns=["name", "rows", "missing", "share"])
    if rows.empty:
        return say.absent("gaps")
    rows = rows.sort_values(["share", "name"], ascending=[False, True]).reset_index(drop=True)
    head = rows.iloc[0]
    finding = say("gaps.finding", head=head) if head["missing"] else "No wanted value is missing."
    return say.exhibit(
        "gaps",
        finding,
        rows,
        chart=figures.chart_gaps(rows[rows["missing"] > 0]) if (rows["missing"] > 0).any() else None,
        n_rows=len(rows),
    )


def rules(findings: pd.DataFrame) -> Exhibit:
    """Findings by rule."""
    if findings.empty:
        return say.exhibit("rules", say("no_rules.finding"), words="no_rules")
    counts = findings.groupby(["rule", "severity"], as_index=False, sort=True).agg(
        findings=("rule", "size"), rows=("row_number", "nunique"), example=("message", "first")
    )
    total = counts.groupby("rule")["findings"].transform("sum")
    counts = (
        counts.assign(total=total)
        .sort_values(["total", "rule", "severity"], ascending=[False, True, True])
        .reset_index(drop=True)
    )
    by_severity = findings["severity"].value_counts()
    head = counts.iloc[0]
    finding = say(
        "rules.finding",
        n_findings=len(findings),
        rule=counts["rule"].nunique(),
        kept_out=by_severity.get("reject", 0),
        emptied=by_severity.get("empty", 0),
        flagged=by_severity.get("warn", 0),
        head=head,
    )
    return say.exhibit("rules", finding, counts, chart=figures.chart_rules(counts), n_findings=len(findings))


def single_findings(findings: pd.DataFrame) -> Exhibit:
    """The findings one by one."""
    if findings.empty:
        return say.nothing("findings")
    rejects_first = (
        findings.assign(order=findings["severity"].map(list(dictionary.codes()["severity"]).index))
        .sort_values(["order", "batch", "file", "row_number", "rule", "column"])
        .reset_index(drop=True)
    )
    shown = rejects_first.head(SHOWN_FINDINGS)
    return say.exhibit(
        "findings",
        say("findings.finding"),
        shown,
        extra=len(findings) - len(shown),
        n_findings=len(findings),
        ending="Nothing."
        if len(shown) == len(findings)
        else f"Findings after the first {len(shown):,}: in the export.",
    )
