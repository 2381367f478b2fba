"""The sheet of a job: what happened when, to scale, its customers, its reading, and what was set aside."""

from typing import Any

import pandas as pd
from markupsafe import Markup

from pipelines.restoration.stages import STAGES
from pipelines.survival.history import counts_as_failure
from reports import style
from reports.figures.restoration import STAGE_NAMES, chart_timeline
from reports.marts import Marts
from reports.page import Exhibit, Page, Section
from reports.pages.sheet import COUNT_WORDS, facts, find_row, lead, listing, one, say
from shared import dictionary
from shared.settings import Settings


def build(marts: Marts, settings: Settings, ident: str) -> Page:
    """The sheet of a job.

    Raises
    ------
    UserError
        There is no such job.

    Notes
    -----
    Checked by: tests/end_to_end/test_sheets.py (through render_sheet)
    """
    entered = find_row(marts, "staging.jobs", "job_id", ident)
    job, failures = one(marts, "core.job_stages", "job_id", ident), marts.read_only("core.failures", "job_id", [ident])
    timeline = marts.read_only("marts.jobs_timeline", "job_id", [ident]).sort_values(
        ["at", "moment"], ignore_index=True
    )
    what = (happened(timeline), stages(job, marts), customers(job, settings))
    reading = (read(marts, ident), listing("job-shots", marts.read_only("staging.test_shots", "job_id", [ident])))
    return Page(
        key="job",
        title=f"Job {ident}",
        question=say("job.question", job=entered),
        summary=(say("job.summary" if job else "job.no_loop", job=job),),
        sections=(
            Section(say.text("job.what"), what),
            Section(say.text("job.reading"), reading),
            Section(say.text("job.kept"), (counted(entered, job, failures, settings), *doubts(marts, entered))),
        ),
    )


def happened(timeline: pd.DataFrame) -> Exhibit:
    """The moments of the job to scale, with the customers still out."""
    if timeline.empty:
        return say.absent("timeline")
    last = timeline.iloc[-1]
    return say.exhibit(
        "timeline",
        say("timeline.finding", n=len(timeline), last=last),
        timeline,
        chart=chart_timeline(timeline),
        n=len(timeline),
    )


def stages(job: Any, marts: Marts) -> Exhibit:
    """The length of each stage beside the mean of its district and of all jobs."""
    if job is None:
        return say.absent("job-stages")
    means = marts.read_only("marts.restoration_stages", "grouped_by", ["all", "district"])
    own = means[means["group_name"].isin(("all", job.district_id))]
    of = own.set_index(["grouped_by", "stage"])["mean_min"]
    rows = pd.DataFrame(
        {
            "stage": stage,
            "minutes_of_job": getattr(job, f"{stage}_min"),
            "mean_of_district": of.get(("district", stage)),
            "mean_of_all": of.get(("all", stage)),
        }
        for stage in STAGES
    )
    over = rows.assign(over=rows["minutes_of_job"] - rows["mean_of_district"]).dropna(subset=["over"])
    late = over[over["over"] > 0].sort_values("over", ascending=False).head(1)
    told = [say("job-stages.finding", name=STAGE_NAMES[w["stage"]], worst=w) for w in late.to_dict("records")]
    finding = told[0] if told else say("job-stages.short")
    return say.exhibit("job-stages", finding, rows, job=job)


def customers(job: Any, settings: Settings) -> Exhibit:
    """Customers, their minutes and how those were counted."""
    if job is None:
        return say.absent("job-customers")
    listed = [
        ("Customers interrupted", style.number(job.customers_interrupted, 0)),
        (
            f"Out for more than {style.number(settings.restoration.sustained_min)} minutes",
            style.number(job.customers_sustained, 0),
        ),
        ("Customer-minutes", style.number(job.customer_minutes, 0)),
        ("Counted from", say("job-customers.from", code=job.minutes_from) if job.minutes_from else style.MISSING),
        ("If all had waited for the last", style.number(job.customer_minutes_naive, 0)),
        ("Major event day", "yes" if job.is_major_event else "not marked as one"),
    ]
    if settings.restoration.show_crews:
        listed.append(("Crew", job.crew_id or style.MISSING))
    return facts("job-customers", say("job-customers.finding", job=job), listed)


def read(marts: Marts, ident: str) -> Exhibit:
    """The job's reading: displayed, corrected and dug."""
    row = one(marts, "marts.locating_errors", "job_id", ident)
    if row is None:
        return listing("job-readings", marts.read_only("core.locating_readings", "job_id", [ident]))
    listed = (
        ("Instrument", lead("instrument", row.instrument_id)),
        ("Velocity setting", f"{style.number(row.velocity_setting_pct, 1)} % of c"),
        ("Displayed", style.quantity(row.estimated_distance_m, "m", 1)),
        ("Corrected by today's fit", style.quantity(row.corrected_distance_m, "m", 1)),
        ("Dug", style.quantity(row.dug_distance_m, "m", 1)),
        ("Error, displayed less dug", style.quantity(row.error_m, "m", 1)),
        ("Error after correction", style.quantity(row.corrected_error_m, "m", 1)),
        ("Section named", lead("section", row.called_section_id)),
        ("Section dug", lead("section", row.section_id)),
        (
            "The record contradicts itself",
            dictionary.codes()["record_contradiction"].get(row.record_contradiction, "no"),
        ),
    )
    return facts("job-reading", say("job-reading.finding", row=row), listed)


def counted(entered: dict[str, Any], job: Any, failures: pd.DataFrame, settings: Settings) -> Exhibit:
    """Whether the job counts as a failure, what of it was set aside, and where it came from."""
    why = "".join(failures["why_not"].fillna(""))  # one row at most
    listed = [
        ("Counts as a failure of the cable", COUNT_WORDS.get(why, why) if len(failures) else style.MISSING),
        ("Loop", lead("loop", entered["loop_id"])),
        ("Section", section_led_to(entered)),
        ("Cause", entered["cause"] or style.MISSING),
        ("Failed component", entered["failed_component"] or style.MISSING),
        (
            "Time of restoration",
            say("job-counted.doubted" if job is not None and job.is_restoration_doubted else "job-counted.kept"),
        ),
        ("Stamps out of order", style.number(job.negative_spans, 0) if job is not None else style.MISSING),
        ("Revision", style.number(entered["revision"], 0)),
        ("Loaded from", say("job-counted.source", job=entered)),
    ]
    if settings.restoration.show_notes and entered["notes"]:
        listed.append(("Notes", str(entered["notes"])))
    return facts(
        "job-counted",
        say("job-counted.finding", judged="counts" if counts_as_failure(failures).any() else "no"),
        listed,
    )


def section_led_to(entered: dict[str, Any]) -> Markup | str:
    """The section of the job, and the id that the job itself names where it is another."""
    section, named = entered["section_id"], entered["named_section_id"]
    if style.is_missing(named) or section == named:
        return lead("section", section)
    if style.is_missing(section):
        return f"unknown: several sections came of {named}, which the job names"
    return lead("section", section, f", which the job calls {named}")


def doubts(marts: Marts, entered: dict[str, Any]) -> tuple[Exhibit, ...]:
    """What validation found in the job's row, duplicates, and corrections proposed or decided."""
    ident, row = entered["job_id"], {"table": ["jobs"], "row_number": [str(entered["row_number"])]}
    found, _ = marts.select("marts.quarantine", row | {"file": [entered["source_file"]]})
    pairs = pd.concat(
        [marts.read_only("marts.job_clusters", column, [ident]) for column in ("job_id", "joined_with")]
    ).drop_duplicates(["job_id", "joined_with"], ignore_index=True)
    proposed = marts.read_only("marts.proposed_corrections", "job_id", [ident])
    return listing("job-findings", found), listing("job-duplicates", pairs), listing("job-corrections", proposed)
