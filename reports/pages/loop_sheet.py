"""The sheet of a loop, one printed side: strip, record, forecast, what to do about it, decisions, work nearby."""

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
from reports.pages import loop_work
from reports.pages.sheet import facts, failure_words, find_row, grid, lead, one, say, with_limits
from shared import dictionary
from shared.settings import Settings

LINES = 19
"""Lines of the four grids that one printed side holds beside the drawing and the words, on either paper."""

LEAST = {"loop-sections": 6, "loop-jobs": 4, "loop-decisions": 2, "loop-nearby": 2}
"""Rows that each grid is sure of, in the order in which they take what the others leave."""

LINES_OF = {"loop-decisions": 3}
"""Lines of a row, where it is more than one: a decision has its reason and what is in its way."""


def share_side(counts: dict[str, int]) -> dict[str, int]:
    """How many rows of each grid stand on the printed side; the others follow on the next.

    Checked by: tests/unit/test_reports_sheets.py
    """
    shown = {key: min(counts[key], least) for key, least in LEAST.items()}
    room = LINES - (counts["loop-decisions"] > 0)  # where decisions are on record their grid has a heading too
    for key in LEAST:
        free = room - sum(n * LINES_OF.get(name, 1) for name, n in shown.items())
        shown[key] += min(counts[key] - shown[key], free // LINES_OF.get(key, 1))
    return shown


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
    work = marts.read_only("marts.programme", "loop_id", [ident])
    decided = marts.read_only("marts.decisions", "loop_id", [ident])
    jobs = failure_words(marts.read_only("core.failures", "loop_id", [ident]))
    closed = marts.read_only("marts.closed_jobs", "loop_id", [ident])
    minutes = closed[["job_id", "customers_interrupted", "customer_minutes", "report_to_restore_min"]]
    jobs = jobs.merge(minutes, on="job_id", how="left")
    sections = loop_work.list_sections(ident, work, marts)
    near, is_placed = loop_work.list_nearby(ident, marts, settings)
    shared, _ = short_names(sections["section_id"].tolist())
    rows = {
        "loop-sections": loop_work.section_rows(sections, strip, shared, settings),
        "loop-jobs": job_rows(jobs, shared),
        "loop-decisions": loop_work.decision_rows(decided, shared),
        "loop-nearby": loop_work.nearby_rows(near),
    }
    shown = share_side({key: len(own) for key, own in rows.items()})
    left = {key: own[shown[key] :] for key, own in rows.items() if len(own) > shown[key]}
    body = {
        key: grid_of(key, own, shown[key]) + goes_on(len(left.get(key, ()))) if own else Markup("")
        for key, own in rows.items()
    }
    retired = marts.read_only("core.section_exposure", "loop_id", [ident])["retired_on"].notna().sum()
    return Page(
        key="loop",
        title=f"Loop {ident}",
        question=say("loop.question", loop=loop, district=loop["district_id"]),
        summary=(say("loop.summary" if rank else "loop.unranked", rank=rank, settings=settings),),
        sections=(
            Section(
                say.text("loop.record"), (drawing(ident, strip, marts), job_list(ident, jobs, marts, body["loop-jobs"]))
            ),
            Section(
                say.text("loop.forecast"),
                (
                    forecast_facts(rank, work, settings),
                    loop_work.section_list(sections, shared, int(retired), body["loop-sections"], settings),
                ),
            ),
            Section(
                say.text("loop.decisions"),
                (
                    loop_work.decision_list(decided, body["loop-decisions"], settings),
                    loop_work.nearby_list(near, is_placed, body["loop-nearby"]),
                ),
            ),
            Section(say.text("loop.search"), (search_order(loop, strip, marts, settings),), is_printed=False),
        ),
        is_dense=True,
        continued=Markup("").join(
            Markup("<h3>{}</h3>{}").format(say.text(f"{key}.title"), grid_of(key, own)) for key, own in left.items()
        ),
    )


def grid_of(key: str, rows: list[list[object]], shown: int | None = None) -> Markup:
    """The grid of a key, under its own headings."""
    return grid(say.text(f"{key}.title"), say.text(f"{key}.heads"), rows, shown)


def goes_on(left: int) -> Markup:
    """That a grid goes on overleaf, where it does."""
    said = say(left > 0 and "loop.continued", n=left)
    return Markup('<p class="on-paper source">{}</p>').format(said) if said else Markup("")


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


def job_rows(jobs: pd.DataFrame, shared: str) -> list[list[object]]:
    """The grid of the jobs, the latest first."""
    codes = dictionary.codes()
    return [
        [
            style.cell(row["failed_on"], "failed_on"),
            lead("job", row["job_id"]),
            lead("section", row["section_id"], less=shared),
            *(codes[name].get(row[name], style.MISSING) for name in ("failed_component", "cause")),
            *row[["counted", "customers_interrupted", "customer_minutes", "report_to_restore_min"]],
        ]
        for _, row in jobs.iloc[::-1].iterrows()
    ]


def job_list(ident: str, jobs: pd.DataFrame, marts: Marts, body: Markup | str = "") -> Exhibit:
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
        jobs if len(jobs) else None,
        body=body,
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


def forecast_facts(rank: Any, work: pd.DataFrame, settings: Settings) -> Exhibit:
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
        ("Work in the plan", loop_work.work_by_year(work, settings) or say("loop-facts.no_work")),
    )
    finding = say("loop-facts.finding", rank=rank, settings=settings)
    return facts("loop-facts", finding, listed, settings=settings)
