"""Is it getting better, what would save minutes, and who differs: months, what-ifs and comparisons."""

from typing import Any

import pandas as pd

from reports import style
from reports.figures import restoration as figures
from reports.figures import restoration_compare, restoration_minutes
from reports.marts import Judged
from reports.page import Exhibit
from reports.pages.restoration_clocks import interval_words, of_group, say
from shared.settings import Settings

SEARCH_BACKTEST = "marts.search_backtest"

MEASURE_NAMES = {
    "time_to_restore": ("Time to restore, jobs on loops", "Mean time to restore [min]"),
    "time_to_locate": ("Time to find the section", "Mean time to locate [min]"),
}


def months(rows: pd.DataFrame, years: pd.DataFrame, measure: str, settings: Settings) -> Exhibit:
    """Months of one measure on an individuals chart, and the last year beside the one before."""
    name, axis = MEASURE_NAMES[measure]
    key = f"months-{measure.removeprefix('time_to_')}"
    rows = rows[rows["measure"] == measure].sort_values("reported_month")
    mature = rows[~rows["is_immature"].astype(bool)]
    if len(mature) < 12:
        return say.absent(key, "months", name=name)
    outside, runs = (mature["signal"] == "outside").sum(), (mature["signal"] == "run").sum()
    parts = (say(outside and "months.outside", outside=outside), say(runs and "months.runs", runs=runs))
    listed = " and ".join(filter(None, parts))
    late = len(rows) - len(mature)
    return say.exhibit(
        key,
        say("months.signals" if listed else "months.finding", first=rows.iloc[0], n_mature=len(mature), parts=listed),
        rows,
        words="months",
        chart=restoration_compare.chart_trend(rows.reset_index(drop=True), axis),
        more=(year_words(years, measure), say(late and "months.unjudged", late=late)),
        name=name,
        jobs=rows["jobs"].sum(),
        settings=settings,
        radials=" " + say("months.radials") if measure == "time_to_restore" else "",
    )


def year_words(years: pd.DataFrame, measure: str) -> str:
    """Whether the last year differs from the one before, in a sentence; nothing where there are too few months."""
    rows = years[years["measure"] == measure].itertuples()
    return "".join(say("months.years_few" if row.judged == "too_few" else "months.years", year=row) for row in rows)


def latest_weeks(weeks: pd.DataFrame, lag: pd.DataFrame, settings: Settings, found: Judged) -> Exhibit:
    """How much of the latest weeks is on file, and their mean once adjusted; or why that cannot be told."""
    if weeks.empty or lag.empty:
        return say.absent("weeks")
    whole = weeks[weeks["window_weeks"] == 4]
    single = weeks[weeks["window_weeks"] == 1].sort_values("window_to", ascending=False)
    month: Any = whole.iloc[0]
    why, is_adjusted = str(month["unknown_because"]), not style.is_missing(month["adjusted_mean_min"])
    known = not why or why == "too_few_settled"
    return say.exhibit(
        "weeks",
        say(known and "weeks.finding", is_adjusted and "weeks.adjusted", why and f"weeks.{why}", month=month),
        pd.concat([whole, single], ignore_index=True),
        chart=restoration_compare.chart_closing_lag(lag),
        more=(say("weeks.lasting", found=found),),
        jobs=lag["jobs"].max(),
        settings=settings,
    )


def saved_words(row: Any, found: Judged) -> str:
    """Share of the customer-minutes that a lever saves, with limits."""
    ends = {f"saved_pct_{end}": found.of(f"saved_{end}_pct", row.name) for end in ("lo", "hi")}
    return say("savings.share", row=pd.concat([row, pd.Series(ends, dtype=float)]))


def by_lever(rows: pd.DataFrame) -> pd.DataFrame:
    """Savings over all jobs, by lever; empty where there is nothing to save."""
    whole = of_group(rows, "all")
    return whole.set_index("lever") if len(whole) and (whole["customer_minutes"] > 0).any() else whole[:0]


def savings(rows: pd.DataFrame, settings: Settings, found: Judged) -> Exhibit:
    """What each lever would have saved, alone and on top of the others, and at what cost."""
    whole = by_lever(rows)
    if whole.empty:
        return say.absent("savings")
    sooner, halved = whole.loc["arrive_sooner"], whole.loc["search_shorter"]
    ratio, levers = found["search_over_travel"], settings.restoration
    cut = "savings.halving" if halved["scenario"] == "search_halved" else "savings.cutting"
    finding = say(
        cut,
        "savings.finding",
        *((cut, "savings.ratio") if ratio is not None else ()),
        halved=halved,
        sooner=sooner,
        search_saved=saved_words(halved, found),
        travel_saved=saved_words(sooner, found),
        ratio=ratio,
        levers=levers,
    )
    names = {lever: say(f"levers.{lever}", levers=levers) for lever in say.text("levers")}
    together = whole.loc["all_together"] if "all_together" in whole.index else None
    costed = whole["cost_per_saved_minute"].dropna().index
    costs = "; ".join(
        say("savings.cost", name=names[lever], row=whole.loc[lever], currency=settings.general.currency)
        for lever in names
        if lever in costed
    )
    return say.exhibit(
        "savings",
        finding,
        rows[rows["lever"].isin(list(names))].sort_values(
            "lever", key=lambda own: own.map(list(names).index), kind="stable"
        ),
        chart=restoration_minutes.chart_savings(whole.reset_index(), names),
        more=(
            "" if together is None else say("savings.together", row=together, saved=saved_words(together, found)),
            say("savings.costs" if costs else "savings.no_costs", costs=costs),
            say(not levers.indicator_loops and "savings.chosen", levers=levers),
            say("savings.cautions"),
        ),
        wordings={"lever": names},
        halved=halved,
        unknown=whole["jobs_without_record"].max(),
        interval=interval_words(settings),
    )


def search_effort(rows: pd.DataFrame, settings: Settings, found: Judged) -> Exhibit:
    """Tests used against the least that halving needs."""
    whole = of_group(rows, "all")
    if whole.empty:
        return say.absent("search")
    every: Any = whole.iloc[0]
    sizes = of_group(rows, "loop_size").sort_values("mean_least_tests").reset_index(drop=True)
    shown = pd.concat([whole, sizes, of_group(rows, "method")], ignore_index=True)
    large = sizes[[found.of("has_enough_jobs", f"loop_size {name}") == "enough" for name in sizes["group_name"]]]
    worst = ""
    if len(large) >= 2:
        row: Any = large.sort_values("excess_tests").iloc[-1]
        size = "radials" if row["group_name"] == "radial" else f"loops of {row['group_name']}"
        worst = say("search.worst", size=size, tests=row["excess_tests"])
    return say.exhibit(
        "search",
        say("search.finding", not style.is_missing(every["excess_min"]) and "search.excess", every=every),
        shown.assign(group_name=shown["group_name"].str.replace("_", " ")),
        chart=restoration_minutes.chart_search(shown),
        more=(worst,),
        every=every,
        interval=interval_words(settings),
    )


def search_backtest(rows: pd.DataFrame, settings: Settings) -> Exhibit:
    """Tests that the order of search-sequence would have needed on past jobs."""
    if rows.empty:
        return say.absent("search-backtest")
    every: Any = of_group(rows, "all").iloc[0]
    return say.exhibit(
        "search-backtest", say("search-backtest.finding", every=every), rows, every=every, settings=settings
    )


def funnel(rows: pd.DataFrame, grouping: str, measure: str, settings: Settings, found: Judged) -> Exhibit:
    """Groups of one grouping against the fleet, their jobs made alike."""
    what = {"time_to_locate": "time to find the section", "time_to_restore": "time to restore"}[measure]
    key, plural = f"funnel-{grouping}-{measure.removeprefix('time_to_')}", say.text("plurals")[grouping]
    words: dict[str, Any] = {"what": what, "plural": plural, "groups": plural.capitalize(), "settings": settings}
    rows = rows[(rows["grouped_by"] == grouping) & (rows["measure"] == measure)]
    if len(rows) < 2:
        return say.absent(key, "funnel", **words)
    rows = rows.sort_values(["ratio_adjusted", "group_name"]).reset_index(drop=True)
    out, blind = rows[rows["verdict"].isin(["slower", "faster"])], rows[rows["verdict"] == "not_separable"]
    rest = len(rows) - len(out) - len(blind)
    finding = say(
        "funnel.beyond" if len(out) else "funnel.finding",
        len(out) > 0 and rest > 0 and ("funnel.others" if rest > 1 else "funnel.other_one"),
        n_rows=len(rows),
        plural=plural,
        rest=rest,
        listed="; ".join(difference_words(row, found) for row in out.to_dict("records")),
    )
    return say.exhibit(
        key,
        finding,
        rows.assign(group_name=rows["group_name"].str.replace("_", " ")),
        words="funnel",
        chart=restoration_compare.chart_funnel(rows),
        more=(
            say(grouping == "method" and "funnel.chosen"),
            say(len(blind) > 0 and "funnel.blind", names=", ".join(blind["group_name"])),
        ),
        jobs=rows["jobs"].sum(),
        **words,
    )


def difference_words(row: dict[Any, Any], found: Judged) -> str:
    """A group's ratio as people say it, '12 % slower', with its limits, the nearer to the fleet first."""
    side = found.of("ratio_limits", f"{row['grouped_by']} {row['measure']} {row['group_name']}")
    far, near = (
        abs(row[end] - 1) for end in (("ratio_hi", "ratio_lo") if side == "above" else ("ratio_lo", "ratio_hi"))
    )
    limits = say("funnel.both_sides" if side == "both_sides" else "funnel.limits", near=near, far=far)
    name, size = row["group_name"].replace("_", " "), abs(row["ratio_adjusted"] - 1)
    return say("funnel.group", name=name, size=size, verdict=row["verdict"], limits=limits)


def cable_classes(summary: pd.DataFrame, settings: Settings, found: Judged) -> Exhibit:
    """Times to locate and to restore by cable class."""
    rows = of_group(summary, "cable_class")
    rows = rows.dropna(subset=["mean_time_to_restore_min"]) if len(rows) else rows
    if rows.empty:
        return say.absent("by-cable-class")
    rows = rows.sort_values(["mean_time_to_restore_min", "group_name"]).reset_index(drop=True)
    few = [found.of("has_enough_jobs", f"cable_class {name}") == "few" for name in rows["group_name"]]
    large = rows[[not is_few for is_few in few]]
    apart = found["class_limits"]
    ends = {"best": large.iloc[0], "worst": large.iloc[-1]} if apart else {}
    small = settings.general.small_group
    return say.exhibit(
        "by-cable-class",
        say("by-cable-class.finding" if apart else "by-cable-class.too_few", apart=apart, small=small, **ends),
        rows,
        chart=figures.chart_groups(rows, few),
        jobs=rows["jobs"].sum(),
        small=small,
        interval=interval_words(settings),
    )
