"""Where the restoration minutes go: the page of the restoration manager."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from reports import style
from reports.page import Answer, Page, Section
from reports.pages import restoration_changes as changes
from reports.pages import restoration_clocks as clocks
from reports.pages.restoration_clocks import REMEDY, STAGES, SUMMARY, of_group

if TYPE_CHECKING:
    from reports.marts import Marts
    from shared.settings import Settings

QUESTION = "Where do the restoration minutes go?"


def build(marts: Marts, settings: Settings) -> Page:
    """The restoration page."""
    level = settings.general.interval_level
    stages = marts.read(STAGES)
    trend = marts.read(changes.TREND)
    comparison = marts.read(changes.COMPARISON)
    compared = ["district", "method", *(["crew"] if settings.restoration.show_crews else [])]
    return Page(
        key="restoration",
        title="Restoration",
        question=QUESTION,
        summary=answer(marts, settings).sentences,
        seldom=frozenset(("naive", "customers", "by-cable-class")),
        sections=(
            Section(
                "The customer's clock",
                (
                    clocks.waterfall(marts.read(clocks.WATERFALL)),
                    clocks.stage_means(stages, settings),
                    clocks.three_clocks(marts.read(clocks.CLOCKS), settings),
                    clocks.naive_figure(marts.read(clocks.NAIVE)),
                    clocks.indices(marts.read(clocks.INDICES), marts.read(clocks.MAJOR)),
                    clocks.hit_customers(marts.read(clocks.CUSTOMERS)),
                ),
                "From the report to the last customer back: the time that customers feel and the indices count.",
            ),
            Section(
                "What would save minutes",
                (
                    changes.savings(marts.read(changes.WHAT_IF), settings),
                    changes.search_effort(marts.read(changes.SEARCH), settings),
                ),
            ),
            Section(
                "Is it getting better?",
                (
                    changes.months(trend, "time_to_restore", level),
                    changes.months(trend, "time_to_locate", level),
                    changes.latest_weeks(marts.read(changes.MATURITY), marts.read(changes.LAG), settings),
                ),
                "Only closed jobs are on file and slow jobs close last: every latest month looks fast until it is "
                "complete.",
            ),
            Section(
                "The cable's clock",
                (clocks.later_stages(stages, settings), clocks.abnormal_days(marts.read(clocks.ABNORMAL), settings)),
                "From the section found to the loop back to normal: hours and days with less reserve than planned.",
            ),
            Section(
                "Side by side",
                (
                    *(
                        changes.funnel(comparison, grouping, measure, settings)
                        for grouping in compared
                        for measure in ("time_to_locate", "time_to_restore")
                    ),
                    changes.groups(marts.read(SUMMARY), "cable_class", "By cable class, as seen", settings),
                ),
                "Groups differ by what they are given to do as well as by how they do it; a difference here is a "
                "question, not a finding about people."
                + (
                    ""
                    if settings.restoration.show_crews
                    else " Crews are not shown unless restoration.show_crews = true."
                ),
            ),
        ),
    )


def answer(marts: Marts, settings: Settings) -> Answer:
    """The manager's question in three sentences."""
    link = {"link": "restoration.html", "link_text": "Stage by stage, by method and district"}
    summary = of_group(marts.read(SUMMARY), "all")
    if summary.empty:
        return Answer(QUESTION, ("There are no closed jobs to answer from yet.", f"To do: {REMEDY}."), **link)
    row: Any = summary.iloc[0]
    first = where_minutes_go(marts)
    trend = marts.read(changes.TREND)
    if len(trend):
        trend = trend[(trend["measure"] == "time_to_restore") & ~trend["is_immature"].astype(bool)]
    years = changes.year_words(trend.sort_values("reported_month")["mean_min"], settings.general.interval_level)
    second = what_would_save(marts)
    if years:
        second = f"{second.removesuffix('.')}; {years[:1].lower()}{years[1:]}"
    doubted = int(row.jobs_restoration_doubted)
    third = (
        f"That is from {style.counted(row.jobs, 'closed job')}, cable faults alone"
        + (
            f", of which {style.counted(doubted, 'restoration time')} {'is' if doubted == 1 else 'are'} not believed"
            if doubted
            else ""
        )
        + "; slow jobs close last, so the newest weeks look better than they are."
    )
    return Answer(QUESTION, (first, second, third), **link)


def where_minutes_go(marts: Marts) -> str:
    """The first sentence: how long, and in which part of it the minutes pass."""
    by_clock = marts.read(clocks.CLOCKS)
    rows = by_clock[by_clock["stage"] == "customer_clock"]
    kept = rows[(rows["grouped_by"] == "configuration") & (rows["group_name"] == "loop")]
    place = "on a loop "
    if kept.empty:
        kept, place = of_group(rows, "all"), ""
    if kept.empty:
        return "No job has both the report and a restoration that can be believed."
    row: Any = kept.iloc[0]
    if not row.mean_min > 0:
        return "Every job is restored at the moment of its report: the source keeps no times of restoration."
    said = (
        f"A cable fault {place}keeps customers out for {style.number(row.mean_min, 0)} minutes on average "
        f"({style.limits(row.mean_lo, row.mean_hi, 0)})"
    )
    search = of_group(marts.read(STAGES), "all")
    search = search[search["stage"] == "arrive_to_locate"] if len(search) else search
    if len(search):
        found: Any = search.iloc[0]
        said += (
            f"; from arrival to the section found it takes {style.number(found.mean_min, 0)} "
            f"({style.limits(found.mean_lo, found.mean_hi, 0)})"
        )
    parts = marts.read(clocks.WATERFALL)
    finding = parts[
        (parts["grouped_by"] == "configuration")
        & (parts["group_name"] == "loop")
        & (parts["part"] == "arrive_to_locate")
    ]
    if finding.empty:
        return said + "."
    share = float(finding.iloc[0]["share_of_minutes"])
    return said + f", and {style.percent(share)} of the customer-minutes pass while the section is being found."


def what_would_save(marts: Marts) -> str:
    """The second sentence: what the two changes would save."""
    rows = of_group(marts.read(changes.WHAT_IF), "all")
    found = rows.set_index("scenario") if len(rows) else rows
    if found.empty or not (found["customer_minutes"] > 0).any():
        return "Without customers and stamps nothing can be said of what would save minutes."
    halved: Any = found.loc["search_halved"]
    sooner: Any = found.loc["arrive_10_minutes_sooner"]
    return (
        f"Halving the search would save {changes.saved_words(halved)} of all customer-minutes, arriving 10 minutes "
        f"sooner {changes.saved_words(sooner)}."
    )
