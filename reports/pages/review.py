"""The manager's month: what happened, against what is usual, what took the minutes, what cost most, what is still open.

Everything is of the published results: the figures of the month are those that the page of restoration gives for the
same choice.
"""

from __future__ import annotations

import calendar
import datetime as dt
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from markupsafe import Markup

from reports import style
from reports.choice import Choice, compared_with, in_words, period_words
from reports.figures.restoration import CUSTOMER_STAGES, STAGE_NAMES
from reports.page import cautions_of, largest
from reports.pages.restoration_against import compare
from reports.words import Words
from shared import dictionary

if TYPE_CHECKING:
    from reports.results import Results

say = Words("review")

FIGURES = {
    "jobs": ("Jobs", 0),
    "customers_interrupted": ("Customers interrupted", 0),
    "customer_minutes": ("Customer-minutes", 0),
    "mean_time_to_locate_min": ("Time to locate, mean [min]", 1),
    "mean_time_to_restore_min": ("Time to restore, mean [min]", 1),
    "median_time_to_restore_min": ("Time to restore, median [min]", 1),
}
"""Figures of a month that a review states, with their words and decimals."""

MONTHS = 60
"""Months before by which it is told what is usual, as on the page's charts."""

FEWEST_MONTHS = 12
DRAWN = 36
"""Months drawn as bars."""

COSTLIEST = 5
LISTED, NAMED = 6, 5
"""Rows in quarantine that are listed, and jobs that a sentence names; more are counted."""

SOURCES = ("marts.closed_jobs", "marts.restoration_stages", "marts.restoration_indices", "marts.restoration_trend")


def figures_of(jobs: pd.DataFrame) -> dict[str, float | None]:
    """The figures of some jobs; none where no job has them.

    Checked by: tests/unit/test_reports_review.py
    """
    locate, restore = (jobs[f"{stage}_min"].astype(float) for stage in ("arrive_to_locate", "report_to_restore"))
    found = {
        "jobs": len(jobs),
        "customers_interrupted": jobs["customers_interrupted"].sum(),
        "customer_minutes": jobs["customer_minutes"].sum(),
        "mean_time_to_locate_min": locate.mean(),
        "mean_time_to_restore_min": restore.mean(),
        "median_time_to_restore_min": restore.median(),
    }
    return {name: None if pd.isna(value) else round(float(value), FIGURES[name][1]) for name, value in found.items()}


def by_month(jobs: pd.DataFrame, first: pd.Timestamp, last: pd.Timestamp) -> pd.DataFrame:
    """The figures of every month between two, a row a month; a month without jobs has none of anything."""
    own = dict(list(jobs.groupby("reported_month")))
    months = pd.date_range(first, last, freq="MS")
    rows = [figures_of(own.get(month, jobs.head(0))) for month in months]
    return pd.DataFrame(rows, index=months, columns=list(FIGURES)).astype(float)


def month_rows(jobs: pd.DataFrame, choice: Choice, other: Choice, results: Results) -> list[dict[str, Any]]:
    """Each figure of the month beside its usual range, the period compared with, and the same month of other years."""
    assert choice.first is not None and other.first is not None and other.last is not None
    month, level = pd.Timestamp(choice.first), results.settings.general.interval_coverage
    whole = by_month(jobs, min(jobs["reported_month"].min(), month), month)
    before, same = whole.iloc[-MONTHS - 1 : -1], whole.iloc[-13::-12]
    limits = stage_limits(results, choice)
    months_other = len(pd.period_range(other.first, other.last, freq="M"))
    own = jobs[jobs["reported_on"].between(pd.Timestamp(other.first), pd.Timestamp(other.last))]
    is_on_record = other.last >= results.known.first
    compared = figures_of(own) if is_on_record else dict.fromkeys(FIGURES)
    rows = []
    for name, (words, decimals) in FIGURES.items():
        value, then = whole[name].iloc[-1], compared[name]
        if name in ("jobs", "customers_interrupted", "customer_minutes") and then is not None:
            then /= months_other
        usual = before[name].dropna()
        lo, hi = (usual.quantile((1 + side * level) / 2) for side in (-1, 1))
        is_told = len(usual) >= FEWEST_MONTHS and not np.isnan(value)
        years = same[name].dropna()
        rows.append(
            {
                "name": words,
                "value": style.number(value, decimals),
                "limits": limits.get(name, ""),
                "usual": style.limits(lo, hi, decimals) if len(usual) >= FEWEST_MONTHS else style.MISSING,
                "judged": ("above" if value > hi else "below" if value < lo else "within") if is_told else "untold",
                "then": style.number(then, decimals),
                "years": say("month.years", mean=years.mean(), lo=years.min(), hi=years.max(), n=len(years))
                if len(years)
                else style.MISSING,
            }
        )
    return rows


def months_drawn(jobs: pd.DataFrame, choice: Choice) -> Markup:
    """Customer-minutes of the month and the months before it as bars, the month itself in another ink."""
    assert choice.first is not None
    last = pd.Timestamp(choice.first)
    first = max(last - pd.DateOffset(months=DRAWN - 1), jobs["reported_month"].min())
    values = by_month(jobs, first, last)["customer_minutes"].fillna(0.0)
    if len(values) < FEWEST_MONTHS:
        return Markup("")
    top, step = max(float(values.max()), 1.0), 860 / len(values)
    bars = [
        f'<rect x="{place * step:.1f}" y="{58 - 56 * value / top:.1f}" width="{step - 3:.1f}" '
        f'height="{max(56 * value / top, 0.5):.1f}"{" class=this" if month == last else ""}>'
        f"<title>{month:%B %Y}: {style.number(value, 0)} customer-minutes</title></rect>"
        for place, (month, value) in enumerate(values.items())
    ]
    named = [
        f'<text x="{place * step:.1f}" y="72">{month:%Y}</text>'
        for place, month in enumerate(values.index)
        if month.month == 1
    ]
    said = say("month.drawn", n=len(values), top=top)
    drawn = f'<svg class="months" viewBox="0 0 860 76" role="img" aria-label="{said}">{"".join(bars + named)}</svg>'
    return Markup(f"{drawn}<p class=note>{said}</p>")


def between(lo: Any, hi: Any, decimals: int) -> str:
    """Both limits of an interval, or nothing where there are none."""
    return "" if style.is_missing(lo) or style.is_missing(hi) else style.limits(lo, hi, decimals)


def stage_limits(results: Results, choice: Choice) -> dict[str, str]:
    """Limits of the month's own mean and median times, in words, as the page of restoration has them."""
    stages = results.marts(choice).read("marts.restoration_stages")
    whole: Any = stages[stages["grouped_by"] == "all"].set_index("stage")
    places = (
        ("mean_time_to_locate_min", "arrive_to_locate", "mean"),
        ("mean_time_to_restore_min", "report_to_restore", "mean"),
        ("median_time_to_restore_min", "report_to_restore", "median"),
    )
    return {
        name: between(whole.loc[stage, f"{what}_lo"], whole.loc[stage, f"{what}_hi"], 0)
        for name, stage, what in places
        if stage in whole.index
    }


def district_rows(now: pd.DataFrame, results: Results, choice: Choice) -> list[dict[str, Any]]:
    """Each district of the choice: its jobs, customers, customer-minutes and time to restore."""
    stages = results.marts(choice).read("marts.restoration_stages")
    times = stages[(stages["grouped_by"] == "district") & (stages["stage"] == "report_to_restore")]
    by_name, total = times.set_index("group_name"), now["customer_minutes"].sum()
    rows = []
    for district in choice.districts or results.known.districts:
        own = figures_of(now[now["district_id"] == district])
        time: Any = by_name.loc[district] if district in by_name.index else None
        rows.append(
            {
                "name": district,
                "minutes": own["customer_minutes"],
                **{name: style.number(own[name], 0) for name in ("jobs", "customers_interrupted", "customer_minutes")},
                "share": style.percent((own["customer_minutes"] or 0) / total if total else None),
                "restore": style.number(own["mean_time_to_restore_min"], 0),
                "limits": "" if time is None else between(time.mean_lo, time.mean_hi, 0),
            }
        )
    return sorted(rows, key=lambda row: -(row["minutes"] or 0))


def stage_rows(results: Results, choice: Choice, other: Choice) -> list[dict[str, Any]]:
    """The customer's stages: their share of the customer-minutes, and their mean against the period compared with."""
    parts = results.marts(choice).read("marts.restoration_waterfall")
    share = parts[parts["grouped_by"] == "all"].set_index("part")["share_of_minutes"].to_dict()
    rows = compare(results, choice, other).set_index("stage")
    listed = [(stage, share.get(stage)) for stage in (*CUSTOMER_STAGES, "report_to_restore")]
    return [
        {
            "name": STAGE_NAMES[stage],
            "share": minutes,
            "share_words": style.percent(minutes),
            "mean": style.number(row.mean_min, 0),
            "then": style.number(row.mean_before_min, 0),
            "difference": between(row.difference_lo, row.difference_hi, 0),
            "judged": row.judged,
        }
        for stage, minutes in listed
        for row in (rows.loc[stage],)
    ]


def costliest(now: pd.DataFrame, results: Results) -> list[dict[str, str]]:
    """The jobs with the most customer-minutes, and what the record says of each."""
    most = now.dropna(subset=["customer_minutes"]).sort_values(["customer_minutes", "job_id"], ascending=[False, True])
    most, codes = most.head(COSTLIEST), dictionary.codes()
    pairs = results.whole.read_only("marts.job_clusters", "job_id", most["job_id"].tolist())
    undecided = pairs[pairs["cluster_decision"].fillna("") == ""].groupby("job_id")["joined_with"].first().to_dict()
    entered = results.whole.read_only("staging.jobs", "job_id", most["job_id"].tolist()).set_index("job_id")
    rows = []
    for row in most.to_dict("records"):
        stages = {STAGE_NAMES[stage]: row[f"{stage}_min"] for stage in CUSTOMER_STAGES}
        known = {name: float(minutes) for name, minutes in stages.items() if not pd.isna(minutes)}
        longest = max(known, key=known.__getitem__) if known else ""
        coded = {key: codes[key].get(row[key], "not on record") for key in ("failed_component", "cause", "method")}
        notes = entered.loc[row["job_id"], "notes"] if results.settings.restoration.show_notes else None
        told = say(
            "costliest.record",
            bool(longest) and "costliest.longest",
            bool(row["is_restoration_doubted"]) and "costliest.doubted",
            row["job_id"] in undecided and "costliest.twice",
            not pd.isna(notes) and bool(notes) and "costliest.notes",
            coded=coded,
            longest=longest.lower(),
            minutes=known.get(longest),
            other=undecided.get(row["job_id"]),
            notes=notes,
        )
        rows.append(
            {
                "job": row["job_id"],
                "on": f"{row['reported_on']:%-d %b}",
                "place": row["loop_id"] if pd.isna(row["section_id"]) else row["section_id"],
                "customers": style.number(row["customers_interrupted"], 0),
                "minutes": style.number(row["customer_minutes"], 0),
                "restore": style.number(row["report_to_restore_min"], 0),
                "record": told,
            }
        )
    return rows


def waiting(results: Results, choice: Choice) -> tuple[pd.DataFrame, int]:
    """Rows in quarantine whose report may lie in the month, and how many whose report time cannot be read.

    Notes
    -----
    A text that can be read in two ways, such as 03/11/2025, is of the month if either way it is. A row whose loop is
    not known may be of any district.
    """
    rows = results.whole.read("marts.jobs_in_quarantine")
    loops = results.whole.read_only("staging.loops", "loop_id", rows["loop_as_received"].dropna().unique().tolist())
    of = rows["loop_as_received"].map(loops.set_index("loop_id")["district_id"])
    if choice.districts:
        rows = rows[of.isna() | of.isin(choice.districts)]
    texts = rows["reported_as_received"].astype("str")
    ways = [
        pd.to_datetime(texts, dayfirst=first, format="mixed", errors="coerce", utc=True).dt.strftime("%Y-%m")
        for first in (False, True)
    ]
    month = f"{choice.first:%Y-%m}"
    of_month = rows[(ways[0] == month) | (ways[1] == month)]
    return of_month, int((ways[0].isna() & ways[1].isna()).sum())


def named(ids: list[str]) -> str:
    """Some ids in order, the first of many."""
    return ", ".join(sorted(ids)[:NAMED]) + (", ..." if len(ids) > NAMED else "")


def open_points(now: pd.DataFrame, results: Results, choice: Choice) -> tuple[list[str], list[dict[str, str]]]:
    """What of the month is not settled: sentences, and the rows in quarantine."""
    rows, unread = waiting(results, choice)
    ids = now["job_id"].tolist()
    pairs = results.whole.read_only("marts.job_clusters", "job_id", ids)
    proposed = results.whole.read_only("marts.proposed_corrections", "job_id", ids)["job_id"]
    doubted = now["is_restoration_doubted"].astype(bool)
    sets = {
        "no_end": now[now["report_to_restore_min"].isna() & ~doubted],
        "doubted": now[doubted],
        "minutes": now[now["customer_minutes"].isna()],
        "twice": now[now["job_id"].isin(pairs.loc[pairs["cluster_decision"].fillna("") == "", "job_id"])],
        "proposed": now[now["job_id"].isin(proposed)],
    }
    said = [
        say("open.waiting" if len(rows) else "open.none", n=len(rows)),
        say(len(rows) > LISTED and "open.more", more=len(rows) - LISTED),
        say(unread > 0 and "open.unread", n=unread),
        *(
            say(f"open.{key}", n=len(own), minutes=own["customer_minutes"].sum(), named=named(own["job_id"].tolist()))
            for key, own in sets.items()
            if len(own)
        ),
    ]
    listed = [
        {
            "name": str(row.row_key),
            "loop": style.cell(row.loop_as_received, "loop_id"),
            "reported": style.cell(row.reported_as_received, "loop_id"),
            "customers": style.cell(row.customers_as_received, "loop_id"),
            "why": str(row.kept_out_because),
        }
        for row in rows.head(LISTED).itertuples()
    ]
    return [text for text in said if text], listed


def year_rows(results: Results, choice: Choice) -> list[dict[str, str]]:
    """The indices from January to the end of the month, beside the same span of the year before."""
    assert choice.first is not None and choice.last is not None
    until, days = min(choice.last, results.known.last), results.whole.read("marts.restoration_major_events")
    rows = []
    for year in (choice.first.year, choice.first.year - 1):
        end = dt.date(year, until.month, min(until.day, calendar.monthrange(year, until.month)[1]))
        span = replace(choice, first=dt.date(year, 1, 1), last=end, against="")
        found = results.marts(span).read("marts.restoration_indices")
        if "basis" in found:  # the rows that the page shows: as recorded, without the days that it leaves out
            by = "utility" if (days["marked_by"] == "flags").any() else "threshold"
            found = found[(found["basis"] == "as_recorded") & found["days_left_out_by"].isin(["", by])]
        for without in (False, True):
            own = found[found["is_without_major_events"].astype(bool) == without].head(1)
            row = own.iloc[0] if len(own) else None
            rows.append(
                {
                    "name": period_words(dt.date(year, 1, 1), end),
                    "days": "without major event days" if without else "all days",
                    **{
                        key: style.MISSING if row is None else style.number(row[key], decimals)
                        for key, decimals in (("jobs", 0), ("saidi_min", 1), ("saifi", 3), ("caidi_min", 0))
                    },
                }
            )
    return rows


def trend_words(results: Results, choice: Choice) -> tuple[str, ...]:
    """How complete the month is, and whether the page's chart finds it out of the ordinary."""
    assert choice.first is not None
    trend = results.marts(Choice(districts=choice.districts)).read("marts.restoration_trend")
    own = trend[pd.to_datetime(trend["reported_month"]) == pd.Timestamp(choice.first)]
    said = []
    for row in own.to_dict("records"):
        if row["measure"] == "time_to_restore" and row["is_immature"]:
            said.append(say("late.share", row=row))
            said.append(say(not style.is_missing(row["adjusted_mean_min"]) and "late.adjusted", row=row))
        if row["signal"]:
            said.append(say("late.signal", row=row))
    return tuple(filter(None, said))


@dataclass(frozen=True)
class Review:
    """A month's review: what its page shows, and the figures it states."""

    content: dict[str, Any]
    figures: dict[str, float | None]


def build(results: Results, choice: Choice, jobs: pd.DataFrame) -> Review:
    """The review of a month.

    Parameters
    ----------
    choice
        The districts, the month, and what it is compared with.
    jobs
        Rows of closed_jobs of the districts, of all months.

    Notes
    -----
    Checked by: tests/unit/test_reports_review.py
    """
    assert choice.first is not None and choice.last is not None
    other = compared_with(choice, results.known)
    now = jobs[jobs["reported_month"] == pd.Timestamp(choice.first)]
    rows, stages = month_rows(jobs, choice, other, results), stage_rows(results, choice, other)
    districts = district_rows(now, results, choice)
    split = pd.DataFrame(stages[:-1]).dropna(subset=["share"])
    most: Any = largest(split, "share") if len(split) else {}
    figures = figures_of(now)
    unusual = [row for row in rows if row["judged"] in ("above", "below")]
    said, kept_out = open_points(now, results, choice)
    assert other.first is not None and other.last is not None
    before = period_words(other.first, other.last)
    summary = [
        say("summary.month", figures=figures, n_districts=len(districts)),
        say(
            "summary.unusual" if unusual else "summary.usual",
            listed="; ".join(f"{row['name'].partition(' [')[0].lower()} {row['judged']}" for row in unusual),
        )
        if any(row["judged"] != "untold" for row in rows)
        else say("summary.untold", fewest=FEWEST_MONTHS),
        say(len(split) > 0 and "summary.stage", most=most, name=most["name"].lower() if len(split) else ""),
        say(len(districts) > 1 and "summary.district", first=districts[0]),
        say("summary.against", row=stages[-1], judged=stages[-1]["judged"], before=before),
    ]
    content = {
        "title": f"{choice.first:%B %Y}",
        "population": in_words(choice, results.known),
        "is_over": choice.last <= results.known.last,
        "summary": [text for text in summary if text],
        "rows": rows,
        "then": before + (", a month" if (other.last - other.first).days > 31 else ""),
        "years": f"{choice.first:%B}s before",
        "usual": any(row["judged"] != "untold" for row in rows),
        "months": MONTHS,
        "drawn": months_drawn(jobs, choice),
        "districts": districts if len(districts) > 1 else [],
        "stages": stages,
        "costliest": costliest(now, results),
        "open": said,
        "kept_out": kept_out,
        "indices": year_rows(results, choice),
        "late": trend_words(results, choice),
        "limits": cautions_of(SOURCES, is_safety=False),
        "words": say.text("judged"),
    }
    return Review(content, figures)
