"""The customer's, the crew's and the cable's clock: where the minutes pass, and how long each clock runs."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import pandas as pd

from reports import style
from reports.figures import restoration as figures
from reports.figures import restoration_compare, restoration_minutes
from reports.page import Exhibit, Table, absent, largest

if TYPE_CHECKING:
    from shared.settings import Settings

REMEDY = (
    "load jobs.csv with reported_at and restored_at (and arrived_at, located_at for the time to locate), then run: "
    "loopwear refresh"
)

SUMMARY = "marts.restoration_summary"
STAGES = "marts.restoration_stages"
CLOCKS = "marts.restoration_clocks"
WATERFALL = "marts.restoration_waterfall"
NAIVE = "marts.restoration_naive"
INDICES = "marts.restoration_indices"
CUSTOMERS = "marts.restoration_customers"
ABNORMAL = "marts.restoration_abnormal"
MAJOR = "marts.restoration_major_events"

CLOCK_NAMES = {
    "customer_clock": "Customer: report to last customer back",
    "crew_clock": "Crew: on site to fault pinpointed",
    "asset_clock": "Cable: report to normal switching",
}

SIZE_NAMES = {
    "1 to 4 sections": "Loops of 1 to 4 sections",
    "5 to 8 sections": "Loops of 5 to 8 sections",
    "9 to 12 sections": "Loops of 9 to 12 sections",
    "13 sections and more": "Loops of 13 sections and more",
    "radial": "Radials",
}


def of_group(rows: pd.DataFrame, grouping: str) -> pd.DataFrame:
    """Rows of one grouping."""
    return rows[rows["grouped_by"] == grouping] if len(rows) else rows


def interval_words(settings: Settings) -> str:
    """How the limits are made."""
    return (
        f"{style.percent(settings.general.interval_level)} percentile bootstrap: means over whole days, since jobs of "
        "one stormy day are alike (over jobs where there are fewer than ten days), by saddlepoint, under ten by "
        f"{style.counted(settings.restoration.bootstrap_replicates, 'resample')}, seeded; medians and 90th percentiles "
        "over jobs by order statistics; shares by Wilson."
    )


def waterfall(rows: pd.DataFrame) -> Exhibit:
    """Where the customer-minutes pass, by size of loop."""
    title = "Where the customer-minutes pass"
    shares = rows.set_index(["grouped_by", "group_name", "part"])["share_of_minutes"] if len(rows) else pd.Series()
    if rows.empty or ("configuration", "loop", "arrive_to_locate") not in shares.index:
        return absent(
            "waterfall",
            title,
            (WATERFALL,),
            "There are no customer-minutes on loops to split.",
            "load jobs.csv with customers_interrupted and all stamps, then run: loopwear refresh",
        )
    sizes = of_group(rows, "loop_size")
    names = {size: words for size, words in SIZE_NAMES.items() if size in set(sizes["group_name"])}
    on_loops = float(shares["configuration", "loop", "arrive_to_locate"])
    finding = (
        f"{share_words(on_loops)} of the customer-minutes on loops pass while the section is being found "
        f"({style.percent(on_loops)})."
    )
    loops = [size for size in names if size != "radial"]
    if len(loops) >= 2:
        first, last = (float(shares["loop_size", size, "arrive_to_locate"]) for size in (loops[0], loops[-1]))
        finding += (
            f" On {SIZE_NAMES[loops[0]].lower()} it is {style.percent(first)}, on {SIZE_NAMES[loops[-1]].lower()} "
            f"{style.percent(last)}; travel takes "
            f"{style.percent(shares['configuration', 'loop', 'dispatch_to_arrive'])} on loops."
        )
    more: tuple[str, ...] = ()
    if ("configuration", "radial", "locate_to_restore") in shares.index:
        waiting = shares["configuration", "radial", "locate_to_restore"]
        part = f"{style.percent(waiting)} of its minutes"
        more = (f"A radial has no second feed: {part} pass after the section is found, until the repair is done.",)
    counts = sizes.drop_duplicates("group_name")["jobs"]
    return Exhibit(
        key="waterfall",
        title=title,
        finding=finding,
        more=more,
        sources=(WATERFALL,),
        definition="Each block of customers is charged minute by minute to the stage it sat through, by the job's "
        "stamps and restoration steps; without steps everyone waits until the last restoration.",
        count=f"{style.counted(counts.sum(), 'job')}, {style.counted_range(counts, 'job')} a bar.",
        interval="None: the shares count what happened.",
        left_out="Jobs whose customers or restoration are unknown or not believed. Minutes that a missing stamp "
        "leaves without a stage are shown as not to be told.",
        chart=restoration_minutes.chart_waterfall(sizes, names),
        tables=(
            Table(
                sizes[sizes["group_name"].isin(list(names))],
                ("group_name", "part", "jobs", "customer_minutes", "share_of_minutes"),
                WATERFALL,
            ),
        ),
    )


def share_words(share: float) -> str:
    """A share as people say it, where a common fraction is near enough (two points), else in percent."""
    for fraction, words in (
        (1 / 4, "A quarter"),
        (1 / 3, "A third"),
        (1 / 2, "Half"),
        (2 / 3, "Two thirds"),
        (3 / 4, "Three quarters"),
    ):
        if abs(share - fraction) <= 0.02:
            return words
    return "More than half" if 0.52 < share < 2 / 3 else style.percent(share)


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
                f"ten within {style.number(kept['p90_min'], 0)}. A mean above its median says that a few long jobs "
                "carry much of it."
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
        "that stage alone. As each stage has its own jobs, the means need not add up to the mean of the whole. Loops "
        "and radials are together here; in the next figure they are apart.",
        chart=figures.chart_customer_stages(rows),
        tables=(Table(rows, ("stage", "jobs", "mean_min", "mean_lo", "mean_hi", "median_min", "p90_min"), STAGES),),
    )


def three_clocks(rows: pd.DataFrame, settings: Settings) -> Exhibit:
    """The three clocks, loops and radials apart."""
    title = "Three clocks, loops and radials apart"
    own = of_group(rows, "configuration")
    own = own[own["group_name"].isin(["loop", "radial"])] if len(own) else own
    customer = own[own["stage"] == "customer_clock"].set_index("group_name") if len(own) else own
    if "loop" not in customer.index:
        return absent("clocks", title, (CLOCKS,), "No job on a loop has both stamps of the customer's clock.", REMEDY)
    loop: Any = customer.loc["loop"]
    finding = f"On loops half of the jobs have everyone back within {style.number(loop['median_min'], 0)} minutes."
    long = (
        f"More than 4 hours: {style.percent(loop['share_over_4h'], 1)} of the jobs on loops "
        f"({style.number(100 * loop['share_over_4h_lo'], 1)} to {style.percent(loop['share_over_4h_hi'], 1)})"
    )
    if "radial" in customer.index:
        radial: Any = customer.loc["radial"]
        finding += (
            f" On radials it takes {style.number(radial['median_min'], 0)} minutes: one mean of both would describe "
            "neither."
        )
        long += (
            f", {style.percent(radial['share_over_4h'])} on radials. More than 8 hours: "
            f"{style.percent(loop['share_over_8h'], 1)} and {style.percent(radial['share_over_8h'])}."
        )
    else:
        long += "."
    own = own.assign(clock=own["stage"].map(CLOCK_NAMES))
    return Exhibit(
        key="clocks",
        title=title,
        finding=finding,
        more=(long,),
        sources=(CLOCKS,),
        definition="Customer: reported_at to restored_at. Crew: arrived_at to pinpointed_at. Cable: reported_at to "
        "normal_at.",
        count=f"{style.counted_range(own['jobs'], 'job')} a clock and kind of loop.",
        interval=interval_words(settings),
        left_out="Jobs without one of the two stamps, or with one that is not believed, are left out of that clock.",
        chart=restoration_minutes.chart_clocks(own),
        tables=(
            Table(
                own,
                (
                    "clock",
                    "group_name",
                    "jobs",
                    "mean_min",
                    "mean_lo",
                    "mean_hi",
                    "median_min",
                    "median_lo",
                    "median_hi",
                    "p90_min",
                    "share_over_4h",
                    "share_over_4h_lo",
                    "share_over_4h_hi",
                    "share_over_8h",
                ),
                CLOCKS,
                labels={
                    "group_name": "Kind",
                    "share_over_4h": "Over 4 h",
                    "share_over_4h_lo": "low",
                    "share_over_4h_hi": "high",
                    "share_over_8h": "Over 8 h",
                },
            ),
        ),
    )


def naive_figure(rows: pd.DataFrame) -> Exhibit:
    """What the naive figure overstates."""
    title = "What it costs to ignore the steps"
    sizes = of_group(rows, "loop_size")
    whole = of_group(rows, "configuration").set_index("group_name") if len(rows) else rows
    if sizes.empty:
        return absent(
            "naive",
            title,
            (NAIVE,),
            "No job has restoration steps.",
            "load restoration_steps.csv, then run: loopwear refresh",
        )
    names = {size: words for size, words in SIZE_NAMES.items() if size in set(sizes["group_name"])}
    sizes = sizes.set_index("group_name").reindex(list(names)).reset_index()
    every: Any = of_group(rows, "all").iloc[0]
    finding = (
        "Counting everyone as out until the last customer is back overstates the customer-minutes by "
        f"{style.percent(every['overstated_pct'] / 100)}."
    )
    if "loop" in whole.index and "radial" in whole.index:
        finding += (
            f" It is {style.percent(whole['overstated_pct']['loop'] / 100)} on loops and "
            f"{style.percent(whole['overstated_pct']['radial'] / 100)} on radials, whose last customers wait for the "
            "repair."
        )
    return Exhibit(
        key="naive",
        title=title,
        finding=finding,
        sources=(NAIVE,),
        definition="From the steps: customers restored by each step times the minutes since the report. Naive: all of "
        "them times the minutes to the last step.",
        count=f"{style.counted(every['jobs'], 'job')} with steps.",
        interval="None: both figures count what is on file.",
        left_out="Jobs without steps: for them the naive figure is all there is, so earlier years read high.",
        chart=restoration_minutes.chart_naive(sizes, names),
        tables=(
            Table(sizes, ("group_name", "jobs", "customer_minutes", "customer_minutes_naive", "overstated_pct"), NAIVE),
        ),
    )


def indices(rows: pd.DataFrame, major: pd.DataFrame) -> Exhibit:
    """SAIDI, SAIFI and CAIDI by year, with and without the major event days."""
    title = "Indices by year, cable faults alone"
    rows = rows.dropna(subset=["saidi_min", "saifi"]) if len(rows) else rows
    if rows.empty:
        return absent(
            "indices",
            title,
            (INDICES,),
            "The indices cannot be computed: customers served are not loaded.",
            "load customers_by_year.csv, or districts.csv with customers_served, then run: loopwear refresh",
        )
    rows = rows.sort_values(["year", "is_without_major_events"]).reset_index(drop=True)
    every, without = (rows[rows["is_without_major_events"] == part] for part in (False, True))
    last = every.iloc[-1]
    finding = (
        f"In {last['year']} cable faults cost the average customer {style.number(last['saidi_min'], 1)} minutes: "
        f"{style.number(last['saifi'], 3)} interruptions of {style.number(last['caidi_min'], 0)} minutes each."
    )
    if len(every) >= 4:
        before = every.iloc[:-1]
        finding += (
            f" The years before ran from {style.number(before['saidi_min'].min(), 1)} to "
            f"{style.number(before['saidi_min'].max(), 1)} minutes."
        )
    days = int(without["days_left_out"].sum())
    share = 1 - without["customer_minutes_sustained"].sum() / every["customer_minutes_sustained"].sum()
    marked = set(major.loc[major["is_major_event_day"], "marked_by"]) if len(major) else set()
    how = "by the utility's own flags" if "flags" in marked else "by the 2.5 beta rule on cable faults alone"
    more = (
        f"{style.counted(days, 'major event day')} ({how}) hold {style.percent(share, 1)} of the customer-minutes."
        if days
        else "No day is set apart as a major event.",
        f"Momentary interruptions: {style.counted(every['customers_momentary'].sum(), 'customer')} in all years.",
    )
    return Exhibit(
        key="indices",
        title=title,
        finding=finding,
        more=more,
        sources=(INDICES, MAJOR),
        definition="IEEE Std 1366 definitions over sustained interruptions (more than 5 minutes): SAIDI = "
        "customer-minutes over customers served, SAIFI = customers interrupted over customers served, CAIDI = SAIDI "
        "over SAIFI. Customers back by a step within 5 minutes are momentary.",
        count=f"{style.counted(every['jobs'].sum(), 'job')} in {len(every)} years; minutes unknown for "
        f"{style.counted(every['jobs_without_minutes'].sum(), 'job')}.",
        interval="None: the indices count what happened.",
        left_out="Faults of other equipment, so this is a part of the system's index. The first and the last year may "
        "be incomplete.",
        chart=restoration_compare.chart_years(rows),
        tables=(
            Table(
                rows,
                (
                    "year",
                    "is_without_major_events",
                    "jobs",
                    "days_left_out",
                    "customers_served",
                    "customers_sustained",
                    "customers_momentary",
                    "customer_minutes_sustained",
                    "saidi_min",
                    "saifi",
                    "caidi_min",
                    "maifi",
                ),
                INDICES,
                labels={
                    "is_without_major_events": "Without major event days",
                    "saidi_min": "SAIDI",
                    "saifi": "SAIFI",
                    "caidi_min": "CAIDI",
                    "maifi": "MAIFI",
                },
            ),
        ),
    )


def hit_customers(rows: pd.DataFrame) -> Exhibit:
    """Customers with several, or with long, interruptions in a year."""
    title = "Customers hit several times, or for long"
    rows = rows[rows["customers"].notna()] if len(rows) else rows
    shown = rows[(rows["measure"] == "celid") | rows["threshold"].isin([2, 3])] if len(rows) else rows
    if shown.empty:
        return absent(
            "customers",
            title,
            (CUSTOMERS,),
            "No half-loop was interrupted twice in a year, or for 4 hours.",
            "load sections.csv with customers, and jobs.csv with section_id, then run: loopwear refresh",
        )
    once = rows[(rows["measure"] == "cemi") & (rows["threshold"] == 1)]
    year = int(shown["year"].max())
    found = shown[shown["year"] == year].set_index(["measure", "threshold"])["customers"]
    finding = (
        f"In {year} {style.counted(found.get(('cemi', 2), 0), 'customer')} had two or more interruptions by cable "
        f"faults, and {style.counted(found.get(('celid', 4), 0), 'customer')} one of four hours or more."
    )
    return Exhibit(
        key="customers",
        title=title,
        finding=finding,
        sources=(CUSTOMERS,),
        definition="CEMI-n: customers with n or more sustained interruptions in the year. CELID: customers with one "
        "interruption of that many hours or more (IEEE Std 1366 definitions). Counted by half-loop: a fault "
        "interrupts the half-loop it lies on.",
        count=f"{style.counted(once['half_loops'].sum(), 'half-loop')} interrupted, counted anew every year.",
        interval="None: the figures count what happened.",
        left_out="Jobs whose section is unknown. Where a half-loop had two long interruptions, the larger is counted: "
        "whether they met the same customers is not known.",
        chart=restoration_compare.chart_customers(shown),
        tables=(
            Table(
                rows.sort_values(["year", "measure", "threshold"]),
                ("year", "measure", "threshold", "half_loops", "customers", "share_of_served"),
                CUSTOMERS,
            ),
        ),
    )


def duration_words(minutes: float) -> str:
    """Minutes as people say them: hours up to two days, then days."""
    if minutes < 48 * 60:
        return f"{style.number(minutes / 60, 1)} hours"
    return f"{style.number(minutes / 1440, 1)} days"


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
        f"{duration_words(longest['median_min'])}, one in ten more than {duration_words(longest['p90_min'])}."
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


def abnormal_days(rows: pd.DataFrame, settings: Settings) -> Exhibit:
    """Days away from the normal open point, and expected strandings."""
    title = "Days away from the normal open point"
    whole = of_group(rows, "all")
    if whole.empty:
        return absent(
            "abnormal",
            title,
            (ABNORMAL,),
            "No job on a loop has normal_at.",
            "load jobs.csv with normal_at, then run: loopwear refresh",
        )
    every: Any = whole.iloc[0]
    districts = pd.concat([whole, of_group(rows, "district")], ignore_index=True)
    finding = (
        f"After one fault in {style.number(1 / every['share_over_10_days'], 0)} the loop stays away from its normal "
        f"open point for more than 10 days ({style.percent(every['share_over_10_days'], 1)}, "
        f"{style.number(100 * every['share_over_10_days_lo'], 1)} to "
        f"{style.percent(every['share_over_10_days_hi'], 1)})."
        if every["share_over_10_days"] > 0
        else "No loop stayed away from its normal open point for more than 10 days."
    )
    finding += (
        f" Half are back to normal within {style.number(every['median_days'], 1)} days. In the "
        f"{style.number(every['abnormal_loop_years'], 1)} loop-years on file so spent, "
        f"{style.number(every['expected_strandings'], 1)} second faults were to be expected, each with no second feed."
    )
    return Exhibit(
        key="abnormal",
        title=title,
        finding=finding,
        sources=(ABNORMAL,),
        definition="From reported_at to normal_at. Expected strandings: failures a year of the loop's cable, by the "
        "rates of its classes over all ages, times the time it was away from normal.",
        count=f"{style.counted(every['jobs'], 'job')} on loops; each group's count stands behind its name.",
        interval=interval_words(settings),
        left_out="Radials, which have no second feed at any time. A loop that has just failed is likely worse than "
        "its class, so the expected strandings err on the low side.",
        chart=restoration_minutes.chart_abnormal(districts),
        tables=(
            Table(
                districts,
                (
                    "group_name",
                    "jobs",
                    "mean_days",
                    "mean_days_lo",
                    "mean_days_hi",
                    "median_days",
                    "p90_days",
                    "share_over_10_days",
                    "share_over_10_days_lo",
                    "share_over_10_days_hi",
                    "abnormal_loop_years",
                    "expected_strandings",
                ),
                ABNORMAL,
            ),
        ),
    )
