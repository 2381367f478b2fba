"""How complete, how rounded, how attached to the register are the values, and how has that changed?"""

from __future__ import annotations

import pandas as pd

from reports.figures import validation as figures
from reports.marts import Marts
from reports.page import Exhibit, largest
from reports.words import Words
from shared import dictionary
from shared.settings import Settings

say = Words("data_quality")

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
    jobs = marts.read("staging.jobs")
    table = dictionary.tables()["raw.jobs"]
    fields = [
        c
        for c in table.columns
        if c in jobs.columns and c not in (*table.required, *table.derived, "revision", "status", "date_only_columns")
    ]
    dated = jobs[jobs["reported_at"].notna()] if len(jobs) else jobs
    if dated.empty:
        return say.absent("completeness")
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
    return say.exhibit(
        "completeness",
        find_hole(given, month) + _completeness_words(rows, int(is_late.sum()), int((~is_late).sum())),
        rows,
        chart=figures.chart_completeness(by_month[rows["field"].tolist()].reindex(months)) if len(rows) else None,
        n_dated=len(dated),
        n_by_month=len(by_month),
        ending="Nothing." if not never else f"Never given: {', '.join(never)}.",
    )


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
                said = say(
                    "find_hole.said",
                    field=field,
                    inside=inside,
                    index=months.index[0],
                    index_2=months.index[-1],
                    share=share,
                )
    return said


def _completeness_words(rows: pd.DataFrame, late: int, before: int) -> str:
    if rows.empty:
        return "No optional field is ever given."
    head = rows.iloc[0]
    said = say("_completeness_words.said", head=head, given_pct=head["given_pct"] / 100)
    if min(late, before) < LEAST_JOBS:
        return say("_completeness_words.said_2", said=said)
    fall = rows.assign(fall=rows["before_pct"] - rows["late_pct"])
    worst = fall.iloc[int(fall["fall"].to_numpy(dtype=float).argmax())]
    if worst["fall"] <= 100.0 * FELL:
        return say("_completeness_words.said_3", said=said, fell=FELL)
    return say(
        "_completeness_words.said_4",
        worst=worst,
        before_pct=worst["before_pct"] / 100,
        late_pct=worst["late_pct"] / 100,
        said=said,
    )


def orphans(marts: Marts, settings: Settings) -> Exhibit:
    """Share of the jobs of a year whose section is not in the register."""
    from pipelines.validation.heaping import binomial_limits

    jobs, sections = marts.read("staging.jobs"), marts.read("staging.sections")
    named = jobs[jobs["section_id"].notna() & jobs["reported_at"].notna()] if len(jobs) else jobs
    if named.empty or sections.empty:
        return say.absent("orphans")
    counts = (
        named.assign(
            gone=~named["section_id"].isin(set(sections["section_id"])),
            reported_year=pd.to_datetime(named["reported_at"], utc=True).dt.year,
        )
        .groupby("reported_year", as_index=False)
        .agg(jobs=("job_id", "size"), orphans=("gone", "sum"))
    )
    coverage = settings.general.interval_coverage
    lo, hi = binomial_limits(counts["orphans"], counts["jobs"], coverage)
    counts = counts.assign(orphan_pct=100.0 * counts["orphans"] / counts["jobs"], pct_lo=100.0 * lo, pct_hi=100.0 * hi)
    total, gone = int(counts["jobs"].sum()), int(counts["orphans"].sum())
    finding = say("orphans.finding")
    if gone:
        head = largest(counts, "orphan_pct")
        finding = say(
            "orphans.finding_2",
            gone_2=gone / total,
            reported_year=int(head["reported_year"]),
            head=head,
            jobs_2=int(head["jobs"]),
        )
    return say.exhibit("orphans", finding, counts, chart=figures.chart_orphans(counts), total=total, coverage=coverage)


def recorded(marts: Marts, settings: Settings) -> Exhibit:
    """Districts whose early years have failures missing, and how to leave those years out."""
    rows, audit = marts.read("marts.record_completeness"), marts.read("marts.register_audit")
    if rows.empty:
        return say.absent("recorded")
    short = rows[rows["completeness_verdict"].eq("likely_incomplete")]
    sums = short.groupby("district_id", as_index=False).agg(
        first=("year", "min"), last=("year", "max"), failures=("failures", "sum"), expected=("expected_failures", "sum")
    )
    moved = audit[audit["finding"].eq("incomplete_years") & audit["effect_pct"].notna()]
    unsure = rows["completeness_verdict"].eq("too_few_to_tell")
    return say.exhibit(
        "recorded",
        say(
            "recorded.finding" if len(sums) else "recorded.none_found",
            len(sums) > 0 and "recorded.remedy_of",
            len(moved) > 0 and "recorded.effect",
            bool(unsure.any()) and "recorded.unsure",
            listed="; ".join(say("recorded.one", row=row) for row in sums.to_dict("records")),
            starts=", ".join(
                say("recorded.start", row=row) for row in sums.assign(start=sums["last"] + 1).to_dict("records")
            ),
            moved=largest(moved, "effect_pct") if len(moved) else None,
            n_unsure=int(unsure.sum()),
            n_rows=len(rows),
        ),
        rows,
        failures=rows["failures"].sum(),
        districts=rows["district_id"].nunique(),
        settings=settings,
    )


def heaping(marts: Marts, settings: Settings) -> Exhibit:
    """Columns whose values gather at midnight, at quarters of an hour or at whole tens."""
    rows = marts.read("marts.heaping")
    if rows.empty:
        return say.absent("heaping")
    rows = rows.sort_values(["is_heaped", "rounded_pct", "table", "column", "file", "heap"],
                            ascending=[False, False, True, True, True, True]).reset_index(drop=True)  # fmt: skip
    heaped = rows[rows["is_heaped"].astype(bool)]
    finding = say("heaping.finding", n_rows=len(rows))
    if len(heaped):
        head = heaped.iloc[0]
        finding = say(
            "heaping.finding_2",
            n_heaped=len(heaped),
            n_rows=len(rows),
            head=head,
            heaped_pct=head["heaped_pct"] / 100,
            heap_words=HEAP_WORDS[head["heap"]],
            by_chance_pct=head["by_chance_pct"] / 100,
        )
    shown = rows.head(max(SHOWN_HEAPS, len(heaped)))
    return say.exhibit(
        "heaping",
        finding,
        rows,
        chart=figures.chart_heaping(shown),
        more=(say("heaping.more"),),
        n_rows=len(rows),
        settings=settings,
    )


def whole_files(marts: Marts) -> Exhibit:
    """Warnings of whole files."""
    results = marts.read("marts.batch_results")
    if results.empty:
        return say.exhibit("whole-files", say("no_whole_files.finding"), words="no_whole_files")
    broken = results[results["message"].notna()].sort_values(
        ["batch", "file", "rule", "column", "year"], ascending=[False, True, True, True, True])  # fmt: skip
    broken = broken.reset_index(drop=True)
    kept = int((results["measured"].notna() & results["message"].isna()).sum())
    counts = broken.groupby("rule").size().sort_values(ascending=False, kind="stable")
    finding = say(
        "whole-files.finding" if len(broken) else "whole-files.none_broken",
        "whole-files.within",
        n_broken=len(broken),
        batch=broken["batch"].nunique(),
        value=", ".join(f"{str(rule).replace('_', ' ')} {n}" for rule, n in counts.items()),
        kept=kept,
    )
    return say.exhibit(
        "whole-files",
        finding,
        broken if len(broken) else None,
        n_results=len(results),
        batch=results["batch"].nunique(),
    )


def trend(marts: Marts) -> Exhibit:
    """Share of rows kept out and flagged, load by load."""
    files, results = marts.read_book("files"), marts.read("marts.batch_results")
    if files.empty or not {"load_id", "read", "quarantined", "warned"} <= set(files.columns):
        return say.absent("trend")
    rows = files.groupby("load_id", as_index=False).agg(
        files=("file", "size"), read=("read", "sum"), out=("quarantined", "sum"), warned=("warned", "sum"))  # fmt: skip
    of_files = results[results["message"].notna()].groupby("batch").size()
    rows = rows[rows["read"] > 0].assign(
        out_pct=lambda r: 100.0 * r["out"] / r["read"], warned_pct=lambda r: 100.0 * r["warned"] / r["read"],
        warnings=lambda r: r["load_id"].map(of_files).fillna(0).astype(int),
    ).reset_index(drop=True)  # fmt: skip
    if rows.empty:
        return say.absent("trend")
    last, before = rows.iloc[-1], rows.iloc[:-1]
    finding = say("trend.finding", last=last, out_pct=last["out_pct"] / 100)
    finding += (
        "; it is the only one."
        if before.empty
        else say(
            "trend.finding_2",
            out=before["out"].sum() / before["read"].sum(),
            warned_pct=last["warned_pct"] / 100,
            warned=before["warned"].sum() / before["read"].sum(),
        )
    )
    return say.exhibit(
        "trend",
        finding,
        rows,
        chart=figures.chart_trend(rows) if len(rows) > 1 else None,
        n_rows=len(rows),
        read=rows["read"].sum(),
    )
