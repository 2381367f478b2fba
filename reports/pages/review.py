"""The manager's month: what happened, against what is usual, what took the minutes, what cost most, what is still open.

Everything is of the published results: the figures of the month are those that the page of restoration gives for the
same choice.
"""

from __future__ import annotations

import calendar
import datetime as dt
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from markupsafe import Markup

from reports import style
from reports.choice import Choice, compared_with, in_words, period_words
from reports.figures.restoration import CUSTOMER_STAGES, STAGE_NAMES
from reports.page import cautions_of
from reports.pages.restoration_against import compare
from reports.words import Words
from shared import dictionary

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

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

SUMS = ("jobs", "customers_interrupted", "customer_minutes")
"""Figures that grow with the length of a period."""

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


@dataclass(frozen=True)
class Part:
    """A part of the page: its title, headings and note stand in the words; a row is its cells, the first its name."""

    key: str
    rows: Sequence[Sequence[str]] = ()
    sentences: tuple[str, ...] = ()
    drawn: Markup = Markup("")
    told: Mapping[str, str] = field(default_factory=dict)

    def of(self, what: str) -> Any:
        """Title, headings or note, filled in."""
        text = say.text(f"parts.{self.key}").get(what, "")
        return [head.format_map(self.told) for head in text] if what == "heads" else text.format_map(self.told)


def month_part(jobs: pd.DataFrame, choice: Choice, other: Choice, results: Results) -> tuple[Part, dict[str, str]]:
    """Each figure of the month beside its usual range, the period compared with, and the same month of other years.

    The second says of each figure with a usual range whether it is above, below or within it.
    """
    assert choice.first is not None and other.first is not None and other.last is not None
    month, level = pd.Timestamp(choice.first), results.settings.general.interval_coverage
    whole = by_month(jobs, min(jobs["reported_month"].min(), month), month)
    limits, months = stage_limits(results, choice), len(pd.period_range(other.first, other.last, freq="M"))
    own = jobs[jobs["reported_on"].between(pd.Timestamp(other.first), pd.Timestamp(other.last))]
    compared = figures_of(own) if other.last >= results.known.first else dict.fromkeys(FIGURES)
    rows, judged = [], dict[str, str]()
    for name, (words, decimals) in FIGURES.items():
        value, then = whole[name].iloc[-1], compared[name]
        then = then / months if then is not None and name in SUMS else then
        usual, years = whole[name].iloc[-MONTHS - 1 : -1].dropna(), whole[name].iloc[-13::-12].dropna()
        lo, hi = (usual.quantile((1 + side * level) / 2) for side in (-1, 1))
        is_told = len(usual) >= FEWEST_MONTHS
        if is_told and not np.isnan(value):
            judged[name] = "above" if value > hi else "below" if value < lo else "within"
        before = say("years", mean=years.mean(), lo=years.min(), hi=years.max(), n=len(years)) if len(years) else ""
        said = judged_words(judged.get(name, "untold"))
        limit = style.limits(lo, hi, decimals) if is_told else style.MISSING
        shown = style.number(value, decimals)
        rows.append((words, shown, limits.get(name, ""), limit, said, style.number(then, decimals), before))
    then = period_words(other.first, other.last) + (", a month" if months > 1 else "")
    told = {"then": then, "years": f"{choice.first:%B}s before", "level": style.percent(level), "months": str(MONTHS)}
    return Part("month", rows, drawn=months_drawn(jobs, choice), told=told), judged


def judged_words(code: str) -> Markup:
    """A judgement in a word, in another ink where it is out of the ordinary."""
    out = " class=out" if code in ("above", "below", "longer", "shorter") else ""
    return Markup("<span{}>{}</span>").format(Markup(out), say.text("judged")[code])


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
    said = say("drawn", n=len(values), top=top)
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


def district_part(now: pd.DataFrame, results: Results, choice: Choice) -> Part:
    """Each district of the choice: its jobs, customers, customer-minutes and time to restore, the most first."""
    stages = results.marts(choice).read("marts.restoration_stages")
    times = stages[(stages["grouped_by"] == "district") & (stages["stage"] == "report_to_restore")]
    by_name, total = times.set_index("group_name"), now["customer_minutes"].sum()
    found = {name: figures_of(now[now["district_id"] == name]) for name in choice.districts or results.known.districts}
    rows = []
    for name, own in sorted(found.items(), key=lambda item: -(item[1]["customer_minutes"] or 0)):
        time: Any = by_name.loc[name] if name in by_name.index else None
        share = style.percent((own["customer_minutes"] or 0) / total if total else None)
        sums = (style.number(own[column], 0) for column in SUMS)
        limits = "" if time is None else between(time.mean_lo, time.mean_hi, 0)
        rows.append((name, *sums, share, style.number(own["mean_time_to_restore_min"], 0), limits))
    return Part("districts", rows if len(rows) > 1 else ())


def stage_part(results: Results, choice: Choice, other: Choice) -> tuple[Part, dict[str, float], Any]:
    """The customer's stages: their share of the customer-minutes, and their mean against the period compared with.

    Also the shares by stage, and the row of the whole time to restore.
    """
    parts = results.marts(choice).read("marts.restoration_waterfall")
    share = parts[parts["grouped_by"] == "all"].set_index("part")["share_of_minutes"].dropna().to_dict()
    shares = {stage: share[stage] for stage in CUSTOMER_STAGES if stage in share}
    compared: Any = compare(results, choice, other).set_index("stage")
    bar = Markup('<svg width="100" height="9" aria-hidden="true"><rect width="{:.1f}" height="9"/></svg>{}')
    rows = []
    for stage in (*CUSTOMER_STAGES, "report_to_restore"):
        row, part = compared.loc[stage], shares.get(stage)
        drawn = "" if part is None else bar.format(100 * part, style.percent(part))
        means = (style.number(row.mean_min, 0), style.number(row.mean_before_min, 0))
        limits = between(row.difference_lo, row.difference_hi, 0)
        rows.append((STAGE_NAMES[stage], drawn, *means, limits, judged_words(row.judged)))
    assert other.first is not None and other.last is not None
    return Part("stages", rows, told={"then": period_words(other.first, other.last)}), shares, row


def costliest(now: pd.DataFrame, results: Results) -> Part:
    """The jobs with the most customer-minutes, and what the record says of each."""
    most = now.dropna(subset=["customer_minutes"]).sort_values(["customer_minutes", "job_id"], ascending=[False, True])
    most, codes = most.head(COSTLIEST), dictionary.codes()
    pairs = results.whole.read_only("marts.job_clusters", "job_id", most["job_id"].tolist())
    undecided = pairs[pairs["cluster_decision"].fillna("") == ""].groupby("job_id")["joined_with"].first().to_dict()
    entered = results.whole.read_only("staging.jobs", "job_id", most["job_id"].tolist()).set_index("job_id")
    rows = []
    for row in most.to_dict("records"):
        known = {STAGE_NAMES[stage].lower(): row[f"{stage}_min"] for stage in CUSTOMER_STAGES}
        known = {name: float(minutes) for name, minutes in known.items() if not pd.isna(minutes)}
        longest = max(known, key=known.__getitem__) if known else ""
        notes = entered.loc[row["job_id"], "notes"] if results.settings.restoration.show_notes else None
        told = say(
            "costliest.record",
            bool(longest) and "costliest.longest",
            bool(row["is_restoration_doubted"]) and "costliest.doubted",
            row["job_id"] in undecided and "costliest.twice",
            not pd.isna(notes) and bool(notes) and "costliest.notes",
            coded={key: codes[key].get(row[key], "not on record") for key in ("failed_component", "cause", "method")},
            longest=longest,
            minutes=known.get(longest),
            other=undecided.get(row["job_id"]),
            notes=notes,
        )
        place = row["loop_id"] if pd.isna(row["section_id"]) else row["section_id"]
        sizes = (
            style.number(row[c], 0) for c in ("customers_interrupted", "customer_minutes", "report_to_restore_min")
        )
        day = row["reported_on"]
        rows.append((row["job_id"], f"{day.day} {day:%b}", place, *sizes, told))
    return Part("costliest", rows)


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


def open_part(now: pd.DataFrame, results: Results, choice: Choice) -> Part:
    """What of the month is not settled: sentences, and the rows in quarantine."""
    rows, unread = waiting(results, choice)
    ids, doubted = now["job_id"].tolist(), now["is_restoration_doubted"].astype(bool)
    pairs = results.whole.read_only("marts.job_clusters", "job_id", ids)
    proposed = results.whole.read_only("marts.proposed_corrections", "job_id", ids)["job_id"]
    sets = {
        "no_end": now[now["report_to_restore_min"].isna() & ~doubted],
        "doubted": now[doubted],
        "minutes": now[now["customer_minutes"].isna()],
        "twice": now[now["job_id"].isin(pairs.loc[pairs["cluster_decision"].fillna("") == "", "job_id"])],
        "proposed": now[now["job_id"].isin(proposed)],
    }
    said = (
        say("open.waiting" if len(rows) else "open.none", n=len(rows)),
        say(len(rows) > LISTED and "open.more", more=len(rows) - LISTED),
        say(unread > 0 and "open.unread", n=unread),
        *(
            say(f"open.{key}", n=len(own), minutes=own["customer_minutes"].sum(), named=named(own["job_id"].tolist()))
            for key, own in sets.items()
            if len(own)
        ),
    )
    columns = ["row_key", "loop_as_received", "reported_as_received", "customers_as_received", "kept_out_because"]
    cells = rows[columns].head(LISTED).astype(object).fillna(style.MISSING)
    return Part("open", cells.to_numpy().tolist(), tuple(filter(None, said)))


def year_part(results: Results, choice: Choice) -> Part:
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
            figures = (("jobs", 0), ("saidi_min", 1), ("saifi", 3), ("caidi_min", 0))
            cells = (style.number(own[name].iloc[0] if len(own) else None, decimals) for name, decimals in figures)
            rows.append((period_words(dt.date(year, 1, 1), end), say.text("days")[without], *cells))
    return Part("year", rows)


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


def build(results: Results, choice: Choice, jobs: pd.DataFrame) -> tuple[dict[str, Any], dict[str, float | None]]:
    """What the page of a month shows, and the figures that it states.

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
    month, judged = month_part(jobs, choice, other, results)
    stages, shares, whole = stage_part(results, choice, other)
    districts, figures = district_part(now, results, choice), figures_of(now)
    unusual = {FIGURES[name][0].partition(" [")[0].lower(): code for name, code in judged.items() if code != "within"}
    most = max(shares, key=shares.__getitem__) if shares else ""
    summary = (
        say("summary.month", figures=figures),
        say(
            "summary.unusual" if unusual else "summary.usual" if judged else "summary.untold",
            listed="; ".join(f"{name} {code}" for name, code in unusual.items()),
            fewest=FEWEST_MONTHS,
        ),
        say(bool(most) and "summary.stage", name=STAGE_NAMES.get(most, "").lower(), share=shares.get(most)),
        say(bool(districts.rows) and "summary.district", first=districts.rows[0] if districts.rows else None),
        say("summary.against", judged=whole.judged, before=stages.told["then"]),
    )
    content = {
        "title": f"{choice.first:%B %Y}",
        "population": in_words(choice, results.known),
        "is_over": choice.last <= results.known.last,
        "summary": " ".join(filter(None, summary)),
        "late": trend_words(results, choice),
        "parts": (
            month, districts, stages, costliest(now, results), open_part(now, results, choice),
            year_part(results, choice),
        ),
        "limits": cautions_of(SOURCES, is_safety=False),
    }  # fmt: skip
    return content, figures
