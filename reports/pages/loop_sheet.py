"""The sheet of a loop: its strip, its record, its forecast and what that rests on."""

from typing import Any

import pandas as pd
from markupsafe import Markup

from pipelines.ranking.search_sequence import plan_loop
from pipelines.survival.history import counts_as_failure
from reports import style
from reports.figures.strip import draw_strip, short_names, terminal_names
from reports.figures.strip_layout import pieces_of
from reports.figures.strip_marks import letters_of
from reports.marts import Marts
from reports.page import Exhibit, Page, Section
from reports.pages.sheet import facts, failure_words, find_row, listing, one, say, with_limits
from shared.settings import Settings


def build(marts: Marts, settings: Settings, ident: str) -> Page:
    """The sheet of a loop.

    Raises
    ------
    UserError
        There is no such loop.

    Notes
    -----
    Checked by: tests/end_to_end/test_sheets.py (through render_sheet)
    """
    loop = find_row(marts, "staging.loops", "loop_id", ident)
    rank, strip = (
        one(marts, "marts.loop_ranking", "loop_id", ident),
        marts.read_only("marts.loop_strips", "loop_id", [ident]),
    )
    sections = marts.read_only("marts.section_ranking", "loop_id", [ident]).sort_values(["rank", "section_id"])
    work = marts.read_only("marts.programme", "loop_id", [ident])[["section_id", "plan_year", "action"]]
    jobs = failure_words(marts.read_only("core.failures", "loop_id", [ident]))
    closed = marts.read_only("marts.closed_jobs", "loop_id", [ident])
    minutes = closed[["job_id", "customers_interrupted", "customer_minutes", "report_to_restore_min"]]
    jobs = jobs.merge(minutes, on="job_id", how="left")
    record = (drawing(ident, strip, marts), job_list(ident, jobs, marts))
    forecast = (
        forecast_facts(rank, settings),
        listing("loop-sections", sections.merge(work, on="section_id", how="left")),
    )
    return Page(
        key="loop",
        title=f"Loop {ident}",
        question=say("loop.question", loop=loop, district=loop["district_id"]),
        summary=(say("loop.summary" if rank else "loop.unranked", rank=rank, settings=settings),),
        sections=(
            Section(say.text("loop.record"), record),
            Section(say.text("loop.forecast"), forecast),
            Section(say.text("loop.search"), (search_order(loop, strip, marts, settings),)),
        ),
    )


def drawing(ident: str, strip: pd.DataFrame, marts: Marts) -> Exhibit:
    """The loop drawn to scale, terminal by terminal, with its failures and splices."""
    if strip.empty:
        return say.absent("strip")
    marks = marts.read_only("marts.loop_strip_marks", "loop_id", [ident])
    places = letters_of(sorted(strip["cable_class"].unique()))
    picture = Markup(
        '<div class="scroller drawing" tabindex="0" role="region" aria-label="Drawing of loop {}">{}</div>'
    )
    shared, names = short_names(terminal_names(pieces_of(strip)))
    failed = marks[marks["mark_kind"] == "failure"]
    counts = failed["place_basis"].value_counts()
    return say.exhibit(
        "strip",
        say("strip.finding", n=len(strip), jobs=len(failed), dug=int(counts.get("dug", 0))),
        strip.assign(from_terminal_id=names[:-1], to_terminal_id=names[1:]),
        body=picture.format(ident, draw_strip(strip, marks, places, f"strip-{ident}")),
        more=(say(bool(shared) and "strip.shared", shared=shared), say("strip.more")),
    )


def search_order(loop: dict[str, Any], strip: pd.DataFrame, marts: Marts, settings: Settings) -> Exhibit:
    """Where to test first on each half-loop."""
    terminals = marts.read_only("staging.terminals", "loop_id", [loop["loop_id"]])
    planned = [one for one in plan_loop(strip, terminals, settings) if one.tests] if len(strip) else []
    if not planned:
        return say.absent("search-order")
    steps = [one.list_steps().assign(half_loop_id=one.chain.half_loop_id) for one in planned]
    rows = pd.concat(steps, ignore_index=True)
    shared, _ = short_names(terminal_names(pieces_of(strip)))
    for column in ("test_at", "toward_source", "beyond"):
        rows[column] = rows[column].str.replace(shared, "", regex=False)
    tried = marts.read("marts.search_backtest").query("grouped_by == 'district'").set_index("group_name")
    past = tried.loc[loop["district_id"]] if loop["district_id"] in tried.index else None
    return say.exhibit(
        "search-order",
        " ".join(
            say("search-order.half", one=one, first=part.iloc[0], tests=one.expected["tests"])
            for one, part in zip(planned, steps, strict=True)
        ),
        rows.assign(chance=[style.percent(chance) for chance in rows["chance"]]),
        more=(
            say(bool(shared) and "search-order.shared", shared=shared),
            say(past is not None and "search-order.tried", past=past),
        ),
    )


def job_list(ident: str, jobs: pd.DataFrame, marts: Marts) -> Exhibit:
    """The jobs of the loop, whether each counts as a failure of its cable, and undecided duplicates."""
    clusters = marts.read_only("marts.job_clusters", "job_id", jobs["job_id"].tolist())
    open_ = clusters[clusters["cluster_decision"].fillna("") == ""]
    ways = marts.read_only("marts.duplicates_both_ways", "group_name", [ident]).query("grouped_by == 'loop'")
    moved = ways[ways["failures"].ne(ways["failures_joined"]) | ways["rank"].ne(ways["rank_joined"])]
    pairs = [f"{job} and {other}" for job, other in zip(open_["job_id"], open_["joined_with"], strict=True)]
    return say.exhibit(
        "loop-jobs",
        say(
            "loop-jobs.finding" if len(jobs) else "loop-jobs.none",
            n=len(jobs),
            counted=int(counts_as_failure(jobs).sum()),
        ),
        jobs,
        more=(
            say(
                "loop-jobs.customers",
                customers=jobs["customers_interrupted"].sum(),
                minutes=jobs["customer_minutes"].sum(),
            ),
            say(bool(pairs) and "loop-jobs.doubted", pairs="; ".join(pairs)),
            say(bool(pairs) and len(moved) > 0 and "loop-jobs.joined", row=moved.iloc[0] if len(moved) else None),
        ),
    )


def forecast_facts(rank: Any, settings: Settings) -> Exhibit:
    """The loop's forecast and what it rests on."""
    if rank is None:
        return say.absent("loop-facts")
    currency, years = settings.general.currency, settings.general.horizon_years
    listed = (
        ("Rank", with_limits(rank, "rank", 0)),
        ("Rank by money", style.number(rank.rank_by_money, 0)),
        ("Length", f"{style.quantity(rank.length_km, 'km', 2)}, {style.counted(rank.sections, 'section')}"),
        ("Oldest cable installed", style.date_words(rank.oldest_installed)),
        ("Failures on record", say("loop-facts.recorded", rank=rank)),
        (f"Failures expected in {style.number(years)} years", with_limits(rank, "expected_failures", 2)),
        ("Times the rate of its class", with_limits(rank, "multiplier", 2)),
        ("Customer-minutes at risk", style.number(rank.customer_minutes_at_risk, 0)),
        ("Cost of replacing it whole", style.money(rank.replacement_cost, currency)),
        ("Cost that avoids", style.money(rank.avoided_cost, currency)),
        ("Benefit over cost", style.number(rank.benefit_cost_ratio, 2)),
    )
    finding = say("loop-facts.finding", rank=rank, settings=settings)
    return facts("loop-facts", finding, listed, settings=settings)
