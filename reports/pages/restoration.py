"""Where the restoration minutes go: the page of the restoration manager."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import pandas as pd

from reports import style
from reports.figures import restoration as figures
from reports.page import Answer, Exhibit, Page, Section, Table, absent, largest

if TYPE_CHECKING:
    from reports.marts import Marts
    from shared.settings import Settings

QUESTION = "Where do the restoration minutes go?"

REMEDY = (
    "load jobs.csv with reported_at and restored_at (and arrived_at, located_at for the time to locate), "
    "then run: loopwear refresh"
)

SUMMARY = "marts.restoration_summary"
STAGES = "marts.restoration_stages"


def build(marts: Marts, settings: Settings) -> Page:
    """The restoration page."""
    summary, stages = marts.read(SUMMARY), marts.read(STAGES)
    return Page(
        key="restoration",
        title="Restoration",
        question=QUESTION,
        summary=answer(marts, settings).sentences,
        sections=(
            Section(
                "The customer's clock",
                (
                    stage_means(stages, settings),
                    months(summary, settings),
                    indices(summary),
                ),
                "From the report to the last customer back: the time that customers feel and the indices count.",
            ),
            Section(
                "The cable's clock",
                (later_stages(stages, settings),),
                "From the section found to the loop back to normal: hours and days with less reserve than planned.",
            ),
            Section(
                "Side by side",
                tuple(
                    groups(summary, grouping, title, settings)
                    for grouping, title in (
                        ("method", "By the method that found the section"),
                        ("district", "By district"),
                        ("cable_class", "By cable class"),
                    )
                ),
                "Raw means of groups differ by what the groups are given to do as well as by how they do it; "
                "a difference here is a question, not a finding about people.",
            ),
        ),
    )


def answer(marts: Marts, settings: Settings) -> Answer:
    """The manager's question in three sentences."""
    del settings
    stages = of_group(marts.read(STAGES), "all")
    summary = of_group(marts.read(SUMMARY), "all")
    link = {"link": "restoration.html", "link_text": "Stage by stage, by method and district"}
    if stages.empty or summary.empty:
        return Answer(QUESTION, ("There are no closed jobs to answer from yet.", f"To do: {REMEDY}."), **link)
    row = summary.iloc[0]
    by_stage = stages.set_index("stage")
    means = {str(s): float(m) for s, m in zip(stages["stage"], stages["mean_min"], strict=True)}
    present = [s for s in figures.CUSTOMER_STAGES if s in means]
    longest = max(present, key=lambda s: means[s]) if present else None
    first = (
        f"A cable fault keeps customers out for {style.number(row.mean_time_to_restore_min, 0)} minutes on average "
        f"({style.limits(row.mean_time_to_restore_lo, row.mean_time_to_restore_hi, 0)}), and for more than "
        f"{style.number(row.p90_time_to_restore_min, 0)} minutes in one job of ten."
    )
    second = "The stamps do not tell the stages apart."
    if longest:
        found: Any = by_stage.loc[longest]
        share = means[longest] / sum(means[s] for s in present)
        second = (
            f"The longest stage is {figures.STAGE_NAMES[longest].lower()}: "
            f"{style.number(found['mean_min'], 0)} minutes ({style.limits(found['mean_lo'], found['mean_hi'], 0)}), "
            f"{style.percent(share)} of the way from report to restoration."
        )
    third = (
        f"That is from {style.counted(row.jobs, 'closed job')}, cable faults alone; slow jobs close last, so the "
        "newest weeks look better than they are."
    )
    return Answer(QUESTION, (first, second, third), **link)


def of_group(rows: pd.DataFrame, grouping: str) -> pd.DataFrame:
    return rows[rows["grouped_by"] == grouping] if len(rows) else rows


def interval_words(settings: Settings) -> str:
    return (
        f"{style.percent(settings.general.interval_level)} percentile bootstrap of the mean over jobs, "
        f"{style.counted(settings.restoration.bootstrap_replicates, 'replicate')}, seeded."
    )


def stage_means(stages: pd.DataFrame, settings: Settings) -> Exhibit:
    """Mean of every stage from report to restoration."""
    title = "Minutes from the report to the last customer back"
    rows = of_group(stages, "all")
    rows = rows[rows["stage"].isin(figures.CUSTOMER_STAGES)] if len(rows) else rows
    if rows.empty:
        return absent("stages", title, (STAGES,), "There are no stages to show: no closed job has the stamps.", REMEDY)
    rows = (
        rows.set_index("stage").reindex([s for s in figures.CUSTOMER_STAGES if s in set(rows["stage"])]).reset_index()
    )
    total = rows["mean_min"].sum()
    longest = largest(rows, "mean_min")
    whole = of_group(stages, "all").set_index("stage")
    finding = (
        f"{figures.STAGE_NAMES[longest['stage']]} takes {style.percent(longest['mean_min'] / total)} of the minutes: "
        f"{style.number(longest['mean_min'], 0)} of {style.number(total, 0)} on average."
    )
    more: tuple[str, ...] = ()
    if "report_to_restore" in whole.index:
        kept: Any = whole.loc["report_to_restore"]
        more = (
            (
                f"Half of the jobs have everyone back within {style.number(kept['median_min'], 0)} minutes, nine of "
                "ten "
                f"within {style.number(kept['p90_min'], 0)}. A mean above its median says that a few long jobs carry "
                "much of it."
            ),
        )
    return Exhibit(
        key="stages",
        title=title,
        finding=finding,
        more=more,
        sources=(STAGES,),
        definition="Each stage is the time between two stamps of the job. Its mean is over the jobs that carry both.",
        count=f"{style.counted_range(rows['jobs'], 'job')} a stage.",
        interval=interval_words(settings),
        left_out="Jobs without one of the two stamps, with a date only, or with stamps out of order are left out of "
        "that "
        "stage alone. As each stage has its own jobs, the means need not add up to the mean of the whole.",
        chart=figures.chart_customer_stages(rows),
        tables=(Table(rows, ("stage", "jobs", "mean_min", "mean_lo", "mean_hi", "median_min", "p90_min"), STAGES),),
    )


def later_stages(stages: pd.DataFrame, settings: Settings) -> Exhibit:
    """Length of the stages after the section is known."""
    title = "Hours from the section found to the loop back to normal"
    rows = of_group(stages, "all")
    rows = rows[rows["stage"].isin(figures.LATER_STAGES)] if len(rows) else rows
    rows = rows.dropna(subset=["mean_min"]) if len(rows) else rows
    if rows.empty:
        return absent(
            "later-stages",
            title,
            (STAGES,),
            "The later stages cannot be shown: their stamps are not loaded.",
            "load jobs.csv with pinpointed_at, repaired_at, normal_at and closed_at, then run: loopwear refresh",
        )
    rows = rows.set_index("stage").reindex([s for s in figures.LATER_STAGES if s in set(rows["stage"])]).reset_index()
    longest = largest(rows, "median_min")
    finding = (
        f"{figures.STAGE_NAMES[longest['stage']]} is the longest of these: half take more than "
        f"{style.number(longest['median_min'] / 60, 1)} hours, one in ten more than "
        f"{style.number(longest['p90_min'] / 1440, 1)} days."
    )
    return Exhibit(
        key="later-stages",
        title=title,
        finding=finding,
        sources=(STAGES,),
        definition="Time between the two stamps that name the stage. The loop is away from its normal open point "
        "until normal_at.",
        count=f"{style.counted_range(rows['jobs'], 'job')} a stage.",
        interval=interval_words(settings),
        left_out="Jobs without both stamps, or with a date in place of a time, are left out of that stage.",
        chart=figures.chart_later_stages(rows),
        tables=(Table(rows, ("stage", "jobs", "mean_min", "mean_lo", "mean_hi", "median_min", "p90_min"), STAGES),),
    )


def months(summary: pd.DataFrame, settings: Settings) -> Exhibit:
    """Mean time to restore by month."""
    title = "Time to restore by month"
    rows = of_group(summary, "month")
    rows = rows.dropna(subset=["mean_time_to_restore_min"]) if len(rows) else rows
    if len(rows) < 2:
        return absent(
            "months", title, (SUMMARY,), "There are fewer than two months with jobs, so no course to show.", REMEDY
        )
    rows = rows.sort_values("group_name").tail(60).reset_index(drop=True)
    last, before = rows.tail(12), rows.iloc[:-12].tail(12)
    here = weighted(last)
    finding = f"Over the last {len(last)} months with jobs the mean is {style.number(here, 0)} minutes"
    finding += f", over the {len(before)} before {style.number(weighted(before), 0)}." if len(before) else "."
    finding += (
        " The newest months hold only the jobs that closed quickly, so no fall at the right edge is an improvement."
    )
    return Exhibit(
        key="months",
        title=title,
        finding=finding,
        sources=(SUMMARY,),
        definition="Mean of restored_at minus reported_at over the jobs reported in the month, local time.",
        count=f"{style.counted(rows['jobs'].sum(), 'job')} in {len(rows)} months.",
        interval=interval_words(settings),
        left_out="Months before the last 60 with jobs are in the export. No correction is made for jobs still open.",
        chart=figures.chart_months(rows),
        tables=(
            Table(
                rows,
                (
                    "group_name",
                    "jobs",
                    "mean_time_to_restore_min",
                    "mean_time_to_restore_lo",
                    "mean_time_to_restore_hi",
                    "median_time_to_restore_min",
                ),
                SUMMARY,
                labels={"group_name": "Month"},
            ),
        ),
    )


def weighted(rows: pd.DataFrame) -> float:
    """Mean over the jobs of several groups."""
    return float((rows["mean_time_to_restore_min"] * rows["jobs"]).sum() / rows["jobs"].sum())


def indices(summary: pd.DataFrame) -> Exhibit:
    """SAIDI, SAIFI and CAIDI by year."""
    title = "Indices by year, cable faults alone"
    rows = of_group(summary, "year")
    rows = rows.dropna(subset=["saidi_min", "saifi"]) if len(rows) else rows
    if rows.empty:
        return absent(
            "indices",
            title,
            (SUMMARY,),
            "The indices cannot be computed: customers served are not loaded.",
            "load customers_by_year.csv, or districts.csv with customers_served, then run: loopwear refresh",
        )
    rows = rows.sort_values("group_name").reset_index(drop=True)
    last = rows.iloc[-1]
    finding = (
        f"In {last['group_name']} cable faults cost the average customer {style.number(last['saidi_min'], 1)} minutes: "
        f"{style.number(last['saifi'], 3)} interruptions of {style.number(last['caidi_min'], 0)} minutes each."
    )
    whole = rows.iloc[:-1]
    if len(whole) >= 3:
        finding += (
            f" The years before ran from {style.number(whole['saidi_min'].min(), 1)} to "
            f"{style.number(whole['saidi_min'].max(), 1)} minutes."
        )
    return Exhibit(
        key="indices",
        title=title,
        finding=finding,
        sources=(SUMMARY,),
        definition="IEEE Std 1366 definitions over sustained interruptions: SAIDI = customer-minutes over customers "
        "served, "
        "SAIFI = customers interrupted over customers served, CAIDI = SAIDI over SAIFI.",
        count=f"{style.counted(rows['jobs'].sum(), 'job')} in {len(rows)} years.",
        interval="None: the indices count what happened.",
        left_out="Faults of other equipment, so this is a part of the system's index. The last year may be incomplete.",
        chart=figures.chart_indices(rows),
        tables=(
            Table(
                rows,
                ("group_name", "jobs", "customers_interrupted", "customer_minutes", "saidi_min", "saifi", "caidi_min"),
                SUMMARY,
                labels={"group_name": "Year", "saidi_min": "SAIDI", "saifi": "SAIFI", "caidi_min": "CAIDI"},
            ),
        ),
    )


def groups(summary: pd.DataFrame, grouping: str, title: str, settings: Settings) -> Exhibit:
    """Times to locate and to restore of the groups of one grouping."""
    key = f"by-{grouping.replace('_', '-')}"
    rows = of_group(summary, grouping)
    rows = rows.dropna(subset=["mean_time_to_restore_min"]) if len(rows) else rows
    if rows.empty:
        return absent(key, title, (SUMMARY,), f"No job names its {grouping.replace('_', ' ')}.", REMEDY)
    small = settings.general.small_group
    rows = rows.sort_values(["mean_time_to_restore_min", "group_name"]).reset_index(drop=True)
    large = rows[rows["jobs"] >= small]
    if len(large) >= 2:
        best, worst = large.iloc[0], large.iloc[-1]
        apart = best["mean_time_to_restore_hi"] < worst["mean_time_to_restore_lo"]
        finding = (
            f"From {best['group_name']} to {worst['group_name']} the mean time to restore runs from "
            f"{style.number(best['mean_time_to_restore_min'], 0)} to "
            f"{style.number(worst['mean_time_to_restore_min'], 0)} "
            f"minutes; the two intervals {'do not touch' if apart else 'overlap'}."
        )
    else:
        finding = f"Fewer than two groups have {small} jobs, so nothing can be compared."
    return Exhibit(
        key=key,
        title=title,
        finding=finding,
        sources=(SUMMARY,),
        definition="Time to locate: located_at minus arrived_at. Time to restore: restored_at minus reported_at.",
        count=f"{style.counted(rows['jobs'].sum(), 'job')} in {style.counted(len(rows), 'group')}; the count of each "
        "stands "
        f"behind its name. Groups under {small} jobs are pale.",
        interval=interval_words(settings),
        left_out="No adjustment for the number of sections, the hour, or loop against radial.",
        chart=figures.chart_groups(rows, small),
        tables=(
            Table(
                rows,
                (
                    "group_name",
                    "jobs",
                    "mean_time_to_locate_min",
                    "mean_time_to_locate_lo",
                    "mean_time_to_locate_hi",
                    "mean_time_to_restore_min",
                    "mean_time_to_restore_lo",
                    "mean_time_to_restore_hi",
                ),
                SUMMARY,
            ),
        ),
    )
