"""Where the restoration minutes go: the page of the restoration manager."""

from dataclasses import replace
from typing import Any

from reports.marts import Judged, Marts, judged
from reports.page import Answer, Exhibit, Page, Section
from reports.pages import restoration_changes as changes
from reports.pages import restoration_clocks as clocks
from reports.pages import restoration_indices
from reports.pages.restoration_clocks import of_group, say
from shared import dictionary
from shared.settings import Settings

QUESTION = "Where do the restoration minutes go?"


def build(marts: Marts, settings: Settings) -> Page:
    """The restoration page."""
    stages, trend, years = (
        marts.read("marts.restoration_stages"),
        marts.read("marts.restoration_trend"),
        marts.read("fitted.restoration_year_change"),
    )
    comparison, found = marts.read("marts.restoration_comparison"), judged(marts, "restoration")
    show_crews = settings.restoration.show_crews
    compared = ["district", "method", "hour", "season", *(["crew"] if show_crews else [])]
    customer = (
        clocks.waterfall(marts.read("marts.restoration_waterfall"), found),
        clocks.stage_means(stages, settings, found),
        clocks.three_clocks(marts.read("marts.restoration_clocks"), settings),
        clocks.naive_figure(marts.read("marts.restoration_naive")),
        restoration_indices.indices(marts.read("marts.restoration_indices"), found),
        restoration_indices.bases(marts, settings),
        clocks.hit_customers(marts.read("marts.restoration_customers")),
        clocks.most_interrupted(marts.read("marts.most_interrupted")),
    )
    saving = (
        changes.savings(marts.read("marts.restoration_what_if"), settings, found),
        changes.search_effort(marts.read("marts.restoration_search"), settings, found),
        changes.search_backtest(marts.read(changes.SEARCH_BACKTEST), settings),
    )
    better = (
        changes.months(trend, years, "time_to_restore", settings),
        changes.months(trend, years, "time_to_locate", settings),
        changes.latest_weeks(
            marts.read("marts.restoration_maturity"), marts.read("fitted.closing_lag"), settings, found
        ),
    )
    cable = (
        clocks.later_stages(stages, settings),
        clocks.abnormal_days(marts.read("marts.restoration_abnormal"), settings, found),
    )
    funnels = (
        changes.funnel(comparison, grouping, measure, settings, found)
        for grouping in compared
        for measure in ("time_to_locate", "time_to_restore")
    )
    by_side = (*funnels, changes.cable_classes(marts.read("marts.restoration_summary"), settings, found))
    page = Page(
        key="restoration",
        title="Restoration",
        question=QUESTION,
        summary=answer(marts, settings).sentences,
        seldom=frozenset(("naive", "customers", "by-cable-class")),
        sections=(
            Section("Until the last customer is back", customer, say("intro.customer")),
            Section("Possible savings", saving),
            Section("Trend", better, say("intro.better")),
            Section("Until the loop is back to normal", cable, say("intro.cable")),
            Section("Groups compared", by_side, say("intro.groups", not show_crews and "intro.crews")),
        ),
    )
    named = (tuple(name_missing(exhibit, marts) for exhibit in section.exhibits) for section in page.sections)
    return replace(
        page, sections=tuple(replace(old, exhibits=new) for old, new in zip(page.sections, named, strict=True))
    )


def name_missing(exhibit: Exhibit, marts: Marts) -> Exhibit:
    """An empty figure with the first column that it needs and that no row has; as it is where no column is empty."""
    if not exhibit.is_absent:
        return exhibit
    for need in say.text("needs").get(exhibit.key, ()):
        places = [place.split(".") for place in need.split("|")]
        if any(marts.fills(f"staging.{table}", column) for table, column in places):
            continue
        table, column = places[0]
        key = "missing" if marts.fills(f"staging.{table}") else "missing_table"
        meaning = dictionary.tables()[f"staging.{table}"].meaning_of(column)
        told = {"table": table, "column": column, "meaning": meaning}
        return replace(exhibit, finding=say(key, **told), remedy=say("missing_remedy", **told))
    return exhibit


def answer(marts: Marts, settings: Settings) -> Answer:
    """The manager's question in three sentences."""
    link = {"link": "restoration", "link_text": say("answer.link"), "caution": "closed_jobs_alone"}
    summary = of_group(marts.read("marts.restoration_summary"), "all")
    if summary.empty:
        return Answer(QUESTION, (say("answer.nothing"), f"To do: {say('remedy')}."), **link)
    row: Any = next(summary.itertuples())
    second = what_would_save(marts, judged(marts, "restoration"), settings)
    third = say("answer.from", row=row, doubted=say(row.jobs_restoration_doubted and "answer.doubted", row=row))
    return Answer(QUESTION, (where_minutes_go(marts), second, third), **link)


def where_minutes_go(marts: Marts) -> str:
    """The first sentence: how long, and in which part of it the minutes pass."""
    by_clock = marts.read("marts.restoration_clocks")
    rows = by_clock[by_clock["stage"] == "customer_clock"]
    kept = rows[(rows["grouped_by"] == "configuration") & (rows["group_name"] == "loop")]
    place = " on a loop" if len(kept) else ""
    kept = kept if len(kept) else of_group(rows, "all")
    if kept.empty:
        return say("answer.no_times")
    if not kept.iloc[0].mean_min > 0:
        return say("answer.all_at_once")
    stages, parts = (
        of_group(marts.read("marts.restoration_stages"), "all"),
        of_group(marts.read("marts.restoration_waterfall"), "configuration"),
    )
    search = stages[stages["stage"] == "arrive_to_locate"]
    finding = parts[(parts["group_name"] == "loop") & (parts["part"] == "arrive_to_locate")]
    said = say("answer.minutes", place=place, row=kept.iloc[0])
    said += "".join(say("answer.search", row=row) for row in search.itertuples())
    return said + "".join(say("answer.share", share=share) for share in finding["share_of_minutes"]) + "."


def what_would_save(marts: Marts, found: Judged, settings: Settings) -> str:
    """The second sentence: what shorter searches and sooner arrivals would save."""
    whole = changes.by_lever(marts.read("marts.restoration_what_if"))
    if whole.empty:
        return say("answer.no_savings")
    search, travel = (changes.saved_words(whole.loc[lever], found) for lever in ("search_shorter", "arrive_sooner"))
    halved = whole.loc["search_shorter", "scenario"] == "search_halved"
    return say(
        "savings.halving" if halved else "savings.cutting",
        "answer.savings",
        search_saved=search,
        travel_saved=travel,
        levers=settings.restoration,
    )
