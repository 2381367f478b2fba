"""How complete, how rounded, how attached to the register are the values, and how has that changed?"""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd

from reports import style
from reports.figures import validation as figures
from reports.page import Exhibit, Table, absent, largest
from shared import dictionary

if TYPE_CHECKING:
    from reports.marts import Marts
    from shared.settings import Settings

REMEDY = "load the files with: loopwear load PATH..., then run: loopwear refresh"
LATE_DAYS = 365
LEAST_JOBS = 20
FELL = 0.10
"""Completeness is said to have fallen where it did so by more than this."""
LEAST_EXPECTED = 10.0
SHOWN_HEAPS = 16
HEAP_WORDS = {
    "midnight": "at midnight", "quarter_hour": "at quarters of an hour", "tens_of_metres": "at whole tens of metres",
    "tens_of_feet": "at whole tens of feet",
}  # fmt: skip


def completeness(marts: Marts) -> Exhibit:
    """Share of jobs that give each field, by month."""
    title = "Completeness of the jobs, by field and month"
    jobs = marts.read("staging.jobs")
    table = dictionary.tables()["raw.jobs"]
    fields = [
        c
        for c in table.columns
        if c in jobs.columns and c not in (*table.required, *table.derived, "revision", "status", "date_only_columns")
    ]
    dated = jobs[jobs["reported_at"].notna()] if len(jobs) else jobs
    if dated.empty:
        return absent("completeness", title, (), "No job is loaded.", REMEDY)
    given = dated[fields].notna()
    reported = pd.to_datetime(dated["reported_at"], utc=True)
    is_late = reported > reported.max() - pd.Timedelta(days=LATE_DAYS)
    rows = pd.DataFrame({
        "field": fields, "given_pct": 100.0 * given.mean().to_numpy(),
        "before_pct": 100.0 * given[~is_late].mean().to_numpy(), "late_pct": 100.0 * given[is_late].mean().to_numpy(),
    })  # fmt: skip
    never = rows.loc[rows["given_pct"] == 0, "field"].tolist()
    rows = rows[rows["given_pct"] > 0].sort_values(["given_pct", "field"]).reset_index(drop=True)
    month = reported.dt.strftime("%Y-%m")
    by_month = 100.0 * given.groupby(month).mean()
    months = pd.period_range(by_month.index.min(), by_month.index.max(), freq="M").strftime("%Y-%m")
    return Exhibit(
        key="completeness", title=title, sources=(),
        finding=find_hole(given, month) + _completeness_words(rows, int(is_late.sum()), int((~is_late).sum())),
        definition="Share of the closed jobs reported in a month (UTC) that give the field at all, right or wrong. "
        "Months without a job are blank. Fields that every row must have are left out.",
        count=f"{style.counted(len(dated), 'closed job')} in {style.counted(len(by_month), 'month')}.",
        interval="None: shares of all jobs loaded.",
        left_out="Nothing." if not never else f"Never given: {', '.join(never)}.",
        chart=figures.chart_completeness(by_month[rows["field"].tolist()].reindex(months)) if len(rows) else None,
        tables=(Table(
            rows, ("field", "given_pct", "before_pct", "late_pct"), "staging.jobs",
            labels={"field": "Field", "given_pct": "Given, all jobs [%]", "before_pct": "Before the last 12 months [%]",
                    "late_pct": "In the last 12 months [%]"},
        ),),
    )  # fmt: skip


def find_hole(given: pd.DataFrame, month: pd.Series[str]) -> str:
    """The field and months in a row, if any, in which no job gives a field that jobs else give.

    The hole is told in which the most values would have been expected, ten at least, by the share of the other jobs.
    """
    best, said = LEAST_EXPECTED, ""
    jobs = given.groupby(month).size()
    for field, counts in given.groupby(month).sum().items():
        is_empty = counts == 0
        run = (is_empty != is_empty.shift(fill_value=False)).cumsum()
        for _, months in counts[is_empty].groupby(run[is_empty]):
            inside = int(jobs[months.index].sum())
            outside = int(jobs.sum()) - inside
            share = float(counts.sum()) / outside if outside else 0.0
            if inside * share >= best:
                best = inside * share
                said = (
                    f"{field} is given in none of {style.counted(inside, 'job')} from {months.index[0]} to "
                    f"{months.index[-1]}, else in {style.percent(share)}. "
                )
    return said


def _completeness_words(rows: pd.DataFrame, late: int, before: int) -> str:
    if rows.empty:
        return "No optional field is ever given."
    head = rows.iloc[0]
    said = f"{head['field']} is given least often: in {style.percent(head['given_pct'] / 100)} of the jobs."
    if min(late, before) < LEAST_JOBS:
        return f"{said} There are too few jobs to say what changed in the last twelve months."
    fall = rows.assign(fall=rows["before_pct"] - rows["late_pct"])
    worst = fall.iloc[int(fall["fall"].to_numpy(dtype=float).argmax())]
    if worst["fall"] <= 100.0 * FELL:
        return f"{said} In the last twelve months no field fell by more than {style.percent(FELL)} of the jobs."
    return (
        f"{worst['field']} fell from {style.percent(worst['before_pct'] / 100)} of the jobs to "
        f"{style.percent(worst['late_pct'] / 100)} in the last twelve months. {said}"
    )


def orphans(marts: Marts, settings: Settings) -> Exhibit:
    """Share of the jobs of a year whose section is not in the register."""
    from pipelines.validation.heaping import binomial_limits

    title = "Jobs on sections that are not in the register, by year"
    jobs, sections = marts.read("staging.jobs"), marts.read("staging.sections")
    named = jobs[jobs["section_id"].notna() & jobs["reported_at"].notna()] if len(jobs) else jobs
    if named.empty or sections.empty:
        return absent("orphans", title, (), "No register of sections, or no job that names one.", REMEDY)
    counts = (
        named.assign(
            gone=~named["section_id"].isin(set(sections["section_id"])),
            reported_year=pd.to_datetime(named["reported_at"], utc=True).dt.year,
        )
        .groupby("reported_year", as_index=False)
        .agg(jobs=("job_id", "size"), orphans=("gone", "sum"))
    )
    level = settings.general.interval_level
    lo, hi = binomial_limits(counts["orphans"], counts["jobs"], level)
    counts = counts.assign(orphan_pct=100.0 * counts["orphans"] / counts["jobs"], pct_lo=100.0 * lo, pct_hi=100.0 * hi)
    total, gone = int(counts["jobs"].sum()), int(counts["orphans"].sum())
    finding = "Every job that names a section names one of the register."
    if gone:
        head = largest(counts, "orphan_pct")
        finding = (
            f"{style.percent(gone / total, 1)} of the jobs that name a section name one that is not in the register; "
            f"most in {int(head['reported_year'])}, {style.counted(head['orphans'], 'job')} of {int(head['jobs']):,}. "
            "Such failures cannot be counted, so cable that has since left the register looks better than it was."
        )
    return Exhibit(
        key="orphans", title=title, sources=(), finding=finding,
        definition="A job names a section that no register loaded so far holds; years by UTC.",
        count=f"{style.counted(total, 'job')} that name a section.",
        interval=f"Clopper-Pearson limits of a share, {style.percent(level)}.",
        left_out="Jobs without section_id, which is no sign of a lost section.",
        chart=figures.chart_orphans(counts),
        tables=(Table(
            counts, ("reported_year", "jobs", "orphans", "orphan_pct", "pct_lo", "pct_hi"), "staging.jobs",
            labels={"reported_year": "Year", "jobs": "Jobs that name a section", "orphans": "Not in the register",
                    "orphan_pct": "Share [%]", "pct_lo": "Share, low [%]", "pct_hi": "Share, high [%]"},
        ),),
    )  # fmt: skip


def heaping(marts: Marts, settings: Settings) -> Exhibit:
    """Columns whose values gather at midnight, at quarters of an hour or at whole tens."""
    title = "Rounded and default values"
    rows = marts.read("marts.heaping")
    if rows.empty:
        return absent("heaping", title, ("marts.heaping",), "No column has 20 values yet.", REMEDY)
    rows = rows.sort_values(["is_heaped", "rounded_pct", "table", "column", "file", "heap"],
                            ascending=[False, False, True, True, True, True]).reset_index(drop=True)  # fmt: skip
    heaped = rows[rows["is_heaped"].astype(bool)]
    finding = f"In none of {style.counted(len(rows), 'place')} looked at do values gather more than by chance."
    if len(heaped):
        head = heaped.iloc[0]
        finding = (
            f"Values gather in {len(heaped)} of {len(rows)} places looked at. Most in {head['table']}.{head['column']} "
            f"of {head['file']}: {style.percent(head['heaped_pct'] / 100, 1)} of "
            f"{style.counted(head['values_given'], 'value')} lie {HEAP_WORDS[head['heap']]}, by chance "
            f"{style.percent(head['by_chance_pct'] / 100, 1)} would."
        )
    shown = rows.head(max(SHOWN_HEAPS, len(heaped)))
    return Exhibit(
        key="heaping", title=title, sources=("marts.heaping",), finding=finding,
        more=("A stage of minutes cannot be finer than its stamps, nor an error than the tape; nothing is repaired.",),
        definition="Stamps by the district's clock; a date without an hour counts as midnight, and midnights are left "
        "out of the quarters. Lengths: chance is set by the column's own last digit. Values gather where chance would "
        "put so many anywhere in the table in fewer than 1 table of 20 (exact binomial, Bonferroni).",
        count=f"{style.counted(len(rows), 'place')} of 20 values or more.",
        interval=f"Clopper-Pearson limits of a share, {style.percent(settings.general.interval_level)}.",
        left_out="Columns of a file with fewer than 20 values.",
        chart=figures.chart_heaping(shown),
        tables=(Table(
            rows, ("column", "table", "file", "heap", "values_given", "heaped_pct", "heaped_lo", "heaped_hi",
                   "by_chance_pct", "rounded_pct", "is_heaped"), "marts.heaping",
        ),),
    )  # fmt: skip


def whole_files(marts: Marts) -> Exhibit:
    """Warnings of whole files."""
    title = "Warnings of whole files"
    results = marts.read("marts.batch_results")
    if results.empty:
        return Exhibit(
            key="whole-files", title=title, sources=(), finding="No file broke a rule of whole files.",
            definition="See the rules page for what is measured.", count="Nothing was measured yet.",
        )  # fmt: skip
    broken = results[results["message"].notna()].sort_values(
        ["batch", "file", "rule", "column", "year"], ascending=[False, True, True, True, True])  # fmt: skip
    broken = broken.reset_index(drop=True)
    kept = int((results["measured"].notna() & results["message"].isna()).sum())
    within = f"{style.counted(kept, 'measure')} {'lies in its' if kept == 1 else 'lie in their'} bounds."
    finding = f"No file broke a rule; {within}"
    if len(broken):
        counts = broken.groupby("rule").size().sort_values(ascending=False, kind="stable")
        finding = (
            f"{style.counted(len(broken), 'warning')} of whole files in "
            f"{style.counted(broken['batch'].nunique(), 'load')}: "
            + ", ".join(f"{str(rule).replace('_', ' ')} {n}" for rule, n in counts.items())
            + f". {within}"
        )
    return Exhibit(
        key="whole-files", title=title, sources=("marts.batch_results",), finding=finding,
        definition="What no single row can tell: headings nobody reads, assumed encodings, orphans by year, columns "
        "that went empty, values unlike those loaded before. The rules page says what each measures; each is judged "
        "at its load, against what stood then.",
        count=f"{style.counted(len(results), 'result')} in {style.counted(results['batch'].nunique(), 'load')}.",
        interval="None.", left_out="Measures in their bounds: in the export batch_results.",
        tables=(Table(broken, ("file", "rule", "message", "batch"), "marts.batch_results"),)
        if len(broken) else (),
    )  # fmt: skip


def trend(marts: Marts) -> Exhibit:
    """Share of rows kept out and flagged, load by load."""
    title = "Load by load"
    files, results = marts.read_book("files"), marts.read("marts.batch_results")
    if files.empty or not {"batch_id", "read", "quarantined", "warned"} <= set(files.columns):
        return absent("trend", title, (), "No record of loads.", REMEDY)
    rows = files.groupby("batch_id", as_index=False).agg(
        files=("file", "size"), read=("read", "sum"), out=("quarantined", "sum"), warned=("warned", "sum"))  # fmt: skip
    of_files = results[results["message"].notna()].groupby("batch").size()
    rows = rows[rows["read"] > 0].assign(
        out_pct=lambda r: 100.0 * r["out"] / r["read"], warned_pct=lambda r: 100.0 * r["warned"] / r["read"],
        warnings=lambda r: r["batch_id"].map(of_files).fillna(0).astype(int),
    ).reset_index(drop=True)  # fmt: skip
    if rows.empty:
        return absent("trend", title, (), "No row was read yet.", REMEDY)
    last, before = rows.iloc[-1], rows.iloc[:-1]
    finding = f"The last load, {last['batch_id']}, kept out {style.percent(last['out_pct'] / 100, 1)} of its rows"
    finding += "; it is the only one." if before.empty else (
        f", those before it {style.percent(before['out'].sum() / before['read'].sum(), 1)}. It flagged "
        f"{style.percent(last['warned_pct'] / 100, 1)}, those before it "
        f"{style.percent(before['warned'].sum() / before['read'].sum(), 1)}."
    )  # fmt: skip
    return Exhibit(
        key="trend", title=title, sources=(), finding=finding,
        definition="Rows kept out (quarantine) and rows kept but flagged, of the rows a load read, as counted when it "
        "was loaded; rows mended since are still in the count of their load.",
        count=f"{style.counted(len(rows), 'load')}, {style.counted(rows['read'].sum(), 'row')}.",
        interval="None: shares of all rows.", left_out="Loads that were undone.",
        chart=figures.chart_trend(rows) if len(rows) > 1 else None,
        tables=(Table(
            rows, ("batch_id", "files", "read", "out", "out_pct", "warned", "warned_pct", "warnings"), "raw.files",
            labels={"batch_id": "Load", "files": "Files", "read": "Rows read", "out": "Kept out",
                    "out_pct": "Kept out [%]", "warned": "Flagged", "warned_pct": "Flagged [%]",
                    "warnings": "Warnings of whole files"},
        ),),
    )  # fmt: skip
