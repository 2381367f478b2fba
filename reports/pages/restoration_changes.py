"""Is it getting better, what would save minutes, and who differs: months, what-ifs and comparisons."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from pipelines.restoration.trend import compare_years
from reports import style
from reports.figures import restoration as figures
from reports.figures import restoration_compare, restoration_minutes
from reports.page import Exhibit, Table, absent
from reports.pages.restoration_clocks import REMEDY, SUMMARY, interval_words, of_group

if TYPE_CHECKING:
    from shared.settings import Settings

TREND = "marts.restoration_trend"
MATURITY = "marts.restoration_maturity"
LAG = "fitted.closing_lag"
WHAT_IF = "marts.restoration_what_if"
SEARCH = "marts.restoration_search"
COMPARISON = "marts.restoration_comparison"

MEASURE_NAMES = {
    "time_to_restore": ("Time to restore, jobs on loops", "Mean time to restore [min]"),
    "time_to_locate": ("Time to find the section", "Mean time to locate [min]"),
}


def months(rows: pd.DataFrame, measure: str, level: float) -> Exhibit:
    """Months of one measure on an individuals chart, and the last year beside the one before."""
    name, axis = MEASURE_NAMES[measure]
    key, title = f"months-{measure.removeprefix('time_to_')}", f"{name}, month by month"
    rows = rows[rows["measure"] == measure].sort_values("reported_month") if len(rows) else rows
    mature = rows[~rows["is_immature"].astype(bool)] if len(rows) else rows
    if len(mature) < 12:
        return absent(key, title, (TREND,), "There are fewer than twelve complete months to judge by.", REMEDY)
    first: Any = rows.iloc[0]
    outside, runs = (mature["signal"] == "outside").sum(), (mature["signal"] == "run").sum()
    if outside + runs == 0:
        finding = (
            f"The months vary about {style.number(first['centre_min'], 0)} minutes and none stands out: none of "
            f"{len(mature)} leaves the limits or holds one side."
        )
    else:
        parts = [style.counted(outside, "month") + " outside the limits"] if outside else []
        parts += [style.counted(runs, "month") + " in a run on one side"] if runs else []
        finding = (f"{' and '.join(parts)} of {len(mature)}: worth asking what was different.").capitalize()
    late = len(rows) - len(mature)
    years = year_words(mature["mean_min"], level)
    unjudged = (
        f"The last {style.counted(late, 'month')} {'is' if late == 1 else 'are'} not complete and not judged: slow "
        "jobs close last."
    )
    more = tuple(filter(None, (years, unjudged if late else "")))
    return Exhibit(
        key=key,
        title=title,
        finding=finding,
        more=more,
        sources=(TREND,),
        definition="Mean of the jobs reported in the month, local time. Limits: three estimated standard deviations "
        "to either side of the mean of the complete months shown, from their mean moving range. Signals: beyond a "
        "limit, or the eighth or later in a row on one side.",
        count=f"{style.counted(rows['jobs'].sum(), 'job')} in {len(rows)} months.",
        interval="Individuals chart (NIST/SEMATECH e-Handbook 6.3.2.2); adjusted means by the delta method; "
        f"{style.percent(level)} limits of the years' difference by Welch's t of the months.",
        left_out="Earlier months are in restoration_summary. Months hold few jobs each, so the limits are wide."
        + (" Radials are left out: they wait for the repair." if measure == "time_to_restore" else ""),
        chart=restoration_compare.chart_trend(rows.reset_index(drop=True), axis),
        tables=(
            Table(
                rows,
                (
                    "reported_month",
                    "jobs",
                    "mean_min",
                    "share_closed",
                    "is_immature",
                    "adjusted_mean_min",
                    "adjusted_lo",
                    "adjusted_hi",
                    "signal",
                ),
                TREND,
            ),
        ),
    )


def year_words(means: pd.Series, level: float) -> str:
    """Whether the last year differs from the one before, in a sentence; nothing where there are too few months."""
    found = compare_years(means.to_numpy(dtype=float, na_value=np.nan), level)
    if found is None:
        return ""
    last, before, difference, lo, hi = found
    verdict = "within chance" if lo <= 0 <= hi else f"a {'rise' if difference > 0 else 'fall'} beyond chance"
    return (
        f"The last twelve complete months average {style.number(last, 0)} minutes, the twelve before "
        f"{style.number(before, 0)}: a difference of {style.limits(lo, hi, 0)}, {verdict}."
    )


def latest_weeks(weeks: pd.DataFrame, lag: pd.DataFrame, settings: Settings) -> Exhibit:
    """How much of the latest weeks is on file, and their mean once adjusted."""
    title = "The latest weeks, once the slow jobs have come in"
    if weeks.empty or lag.empty:
        return absent(
            "weeks",
            title,
            (MATURITY,),
            "The closing lag is not known: no job has closed_at.",
            "load jobs.csv with closed_at, then run: loopwear refresh",
        )
    months_row: Any = weeks[weeks["window_weeks"] == 4].iloc[0]
    single = weeks[weeks["window_weeks"] == 1].sort_values("window_to", ascending=False)
    half = lag.loc[lag["share_closed"] >= 0.5, "lag_days"].min()
    most = lag.loc[lag["share_closed"] >= 0.95, "lag_days"].min()
    finding = (
        f"Of the jobs of the last four weeks about {style.percent(months_row['share_closed'])} are on file: "
        f"{style.number(months_row['jobs'], 0)} of some {style.number(months_row['jobs_expected'], 0)}."
    )
    if not style.is_missing(months_row["adjusted_mean_min"]):
        finding += (
            f" Their mean time to restore reads {style.number(months_row['mean_min'], 0)} minutes now and should come "
            f"to {style.number(months_row['adjusted_mean_min'], 0)} "
            f"({style.limits(months_row['adjusted_lo'], months_row['adjusted_hi'], 0)})."
        )
    lasting = (
        f"Half of the jobs are closed after {style.number(half, 0)} days, nineteen of twenty after "
        f"{style.number(most, 0)}. No fall inside that time is an improvement."
    )
    return Exhibit(
        key="weeks",
        title=title,
        finding=finding,
        more=(lasting,),
        sources=(MATURITY, LAG),
        definition="Share closed: the closing lag's distribution, estimated in reversed time since only closed jobs "
        "are seen (Lagakos and others 1988). Adjusted mean: divided by what settled jobs looked like at the same age "
        "over what they came to.",
        count=f"{style.counted(lag['jobs'].max(), 'job')} of the last five years behind the lag.",
        interval=f"{style.percent(settings.general.interval_level)}, delta method with Student's t.",
        left_out="Weeks with fewer than two jobs on file get no adjusted mean. A change in how fast paper is closed "
        "would mislead it.",
        chart=restoration_compare.chart_closing_lag(lag),
        tables=(
            Table(
                pd.concat([weeks[weeks["window_weeks"] == 4], single], ignore_index=True),
                (
                    "window_from",
                    "window_to",
                    "jobs",
                    "share_closed",
                    "jobs_expected",
                    "mean_min",
                    "adjusted_mean_min",
                    "adjusted_lo",
                    "adjusted_hi",
                    "is_immature",
                ),
                MATURITY,
            ),
        ),
    )


def saved_words(row: Any) -> str:
    """Share of the customer-minutes that a change saves, with limits."""
    lo, hi = (100 * float(row[end]) / float(row["customer_minutes"]) for end in ("saved_lo", "saved_hi"))
    return f"{style.percent(row['saved_share'], 1)} ({style.limits(lo, hi, 1)})"


def savings(rows: pd.DataFrame, settings: Settings) -> Exhibit:
    """What each change would have saved."""
    title = "What would have saved customer-minutes"
    whole = of_group(rows, "all").set_index("scenario") if len(rows) else rows
    if whole.empty or not (whole["customer_minutes"] > 0).any():
        return absent("savings", title, (WHAT_IF,), "There are no customer-minutes to save.", REMEDY)
    sooner: Any = whole.loc["arrive_10_minutes_sooner"]
    halved: Any = whole.loc["search_halved"]
    ratio = halved["saved_per_year"] / sooner["saved_per_year"] if sooner["saved_per_year"] > 0 else float("nan")
    finding = (
        f"Halving the search would save {style.number(halved['saved_per_year'], 0)} customer-minutes a year, "
        f"{saved_words(halved)} of all; arriving 10 minutes sooner {style.number(sooner['saved_per_year'], 0)}, "
        f"{saved_words(sooner)}."
    )
    if not style.is_missing(ratio):
        finding += f" The search is worth {style.number(ratio)} times as much as those ten minutes of travel."
    return Exhibit(
        key="savings",
        title=title,
        finding=finding,
        sources=(WHAT_IF,),
        definition="Every job on file replayed: with arrival 10 minutes sooner (never before the report), with half "
        "the time from arrival to the section found, and both; later steps move up and keep their length.",
        count=f"{style.counted(halved['jobs'], 'job')} with known customer-minutes.",
        interval=interval_words(settings),
        left_out="What the change would cost, and whatever a step waited for besides the crew. Jobs without the "
        "stamps claim no saving.",
        chart=restoration_minutes.chart_savings(whole.reset_index()),
        tables=(
            Table(
                rows[rows["grouped_by"].isin(["all", "configuration", "loop_size", "district"])],
                (
                    "scenario",
                    "grouped_by",
                    "group_name",
                    "jobs",
                    "customer_minutes",
                    "saved_customer_minutes",
                    "saved_lo",
                    "saved_hi",
                    "saved_share",
                    "saved_per_year",
                ),
                WHAT_IF,
                filters=("scenario", "grouped_by"),
            ),
        ),
    )


def search_effort(rows: pd.DataFrame, settings: Settings) -> Exhibit:
    """Tests used against the least that halving needs."""
    title = "Tests used to find the section"
    whole = of_group(rows, "all")
    if whole.empty:
        return absent(
            "search",
            title,
            (SEARCH,),
            "No job with a known section states its tests.",
            "load jobs.csv with section_id and test_shots, or test_shots.csv, then run: loopwear refresh",
        )
    every: Any = whole.iloc[0]
    sizes = of_group(rows, "loop_size").sort_values("mean_least_tests").reset_index(drop=True)
    shown = pd.concat([whole, sizes, of_group(rows, "method")], ignore_index=True)
    finding = (
        f"Crews use {style.number(every['mean_tests'], 2)} tests to find the section where halving by the chance of "
        f"failure would need {style.number(every['mean_least_tests'], 2)}: {style.number(every['excess_tests'], 2)} "
        f"too many ({style.limits(every['excess_lo'], every['excess_hi'], 2)})."
    )
    if not style.is_missing(every["excess_min"]):
        finding += (
            f" One more test goes with {style.number(every['minutes_per_test'], 0)} minutes more, so this is some "
            f"{style.number(every['excess_min'], 0)} minutes a job."
        )
    large = sizes[sizes["jobs"] >= settings.general.small_group]
    more: tuple[str, ...] = ()
    if len(large) >= 2:
        worst: Any = large.sort_values("excess_tests").iloc[-1]
        most = f"{style.number(worst['excess_tests'], 2)} tests"
        more = (f"The excess is largest on {loop_words(worst['group_name'])}: {most}.",)
    return Exhibit(
        key="search",
        title=title,
        finding=finding,
        more=more,
        sources=(SEARCH,),
        definition="Least: the half-loop's sections in service on the day, each weighed by its class's failures per "
        "km times its length, split again and again where the chance of failure is nearest one half. Averaged over "
        "jobs; it says nothing about any one job.",
        count=f"{style.counted(every['jobs'], 'job')}; each group's count stands behind its name.",
        interval=interval_words(settings),
        left_out="Jobs whose section was seen from above ground, and jobs without tests or without a known section. "
        "Where a crew may switch is not known here: some terminals cannot be opened safely, so part of the excess is "
        "no one's choice.",
        chart=restoration_minutes.chart_search(shown),
        tables=(
            Table(
                shown.assign(group_name=shown["group_name"].str.replace("_", " ")),
                (
                    "group_name",
                    "jobs",
                    "mean_tests",
                    "mean_least_tests",
                    "mean_least_tests_by_count",
                    "excess_tests",
                    "excess_lo",
                    "excess_hi",
                    "excess_min",
                ),
                SEARCH,
            ),
        ),
    )


def loop_words(size: str) -> str:
    """A size of loop inside a sentence."""
    return "radials" if size == "radial" else f"loops of {size}"


def funnel(rows: pd.DataFrame, grouping: str, measure: str, settings: Settings) -> Exhibit:
    """Groups of one grouping against the fleet, their jobs made alike."""
    what = {"time_to_locate": "time to find the section", "time_to_restore": "time to restore"}[measure]
    plural = {"district": "districts", "crew": "crews", "method": "methods"}[grouping]
    key, title = f"funnel-{grouping}-{measure.removeprefix('time_to_')}", f"{plural.capitalize()}: {what}"
    rows = rows[(rows["grouped_by"] == grouping) & (rows["measure"] == measure)] if len(rows) else rows
    if len(rows) < 2:
        return absent(
            key,
            title,
            (COMPARISON,),
            f"Fewer than two {plural} have enough jobs to be compared.",
            "load more jobs, or lower restoration.comparison_min_jobs (now "
            f"{settings.restoration.comparison_min_jobs}) in the settings, then run: loopwear refresh",
        )
    rows = rows.sort_values(["ratio_adjusted", "group_name"]).reset_index(drop=True)
    out = rows[rows["verdict"] != "within"]
    if out.empty:
        finding = f"None of {len(rows)} {plural} differs from the fleet by more than chance."
    else:
        said = [
            f"{name.replace('_', ' ')} {difference_words(ratio)} ({difference_limits(lo, hi)})"
            for name, ratio, lo, hi in zip(
                out["group_name"], out["ratio_adjusted"], out["ratio_lo"], out["ratio_hi"], strict=True
            )
        ]
        finding = f"Beyond chance: {'; '.join(said)}."
        if len(out) < len(rows):
            rest = len(rows) - len(out)
            finding += f" The other {rest} {plural} are within it." if rest > 1 else " The other one is within it."
    chosen = (
        "A method is chosen for the job it is given, so a difference here is not yet an advantage. Faults seen from "
        "above ground are not compared."
    )
    more = (chosen,) if grouping == "method" else ()
    return Exhibit(
        key=key,
        title=title,
        finding=finding,
        more=more,
        sources=(COMPARISON,),
        definition="Geometric mean against the fleet's, once jobs are made alike in number of sections and night: a "
        "regression of log minutes. The funnel is where a group of so many jobs would wander by chance.",
        count=f"{style.counted(rows['jobs'].sum(), 'job')} on loops; groups under "
        f"{settings.restoration.comparison_min_jobs} jobs are not compared.",
        interval=f"{style.percent(settings.general.interval_level)} of each ratio, normal with White's covariance; "
        "funnel at 95 and 99.8 % (Spiegelhalter 2005).",
        left_out="Radials. What the regression does not know: ground, traffic, weather, who was free.",
        chart=restoration_compare.chart_funnel(rows),
        tables=(
            Table(
                rows.assign(group_name=rows["group_name"].str.replace("_", " ")),
                (
                    "group_name",
                    "jobs",
                    "ratio_seen",
                    "ratio_adjusted",
                    "ratio_lo",
                    "ratio_hi",
                    "funnel_998_lo",
                    "funnel_998_hi",
                    "verdict",
                ),
                COMPARISON,
                labels={"funnel_998_lo": "Chance, low", "funnel_998_hi": "Chance, high"},
            ),
        ),
    )


def difference_words(ratio: float) -> str:
    """A ratio as people say it: '12 % slower'."""
    return f"{style.percent(abs(ratio - 1))} {'slower' if ratio > 1 else 'faster'}"


def difference_limits(lo: float, hi: float) -> str:
    """Limits of a ratio as differences, the nearer to the fleet first."""
    near, far = (lo, hi) if lo + hi > 2 else (hi, lo)
    if (near - 1) * (far - 1) <= 0:
        return "limits on both sides"
    return f"{style.number(100 * abs(near - 1), 0)} to {style.percent(abs(far - 1))}"


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
            f"{style.number(worst['mean_time_to_restore_min'], 0)} minutes; the two intervals "
            f"{'do not touch' if apart else 'overlap'}."
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
        f"stands behind its name. Groups under {small} jobs are pale.",
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
