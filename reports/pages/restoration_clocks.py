"""The customer's, the crew's and the cable's clock: where the minutes pass, and how long each clock runs."""

from typing import Any

import pandas as pd

from reports.figures import restoration as figures
from reports.figures import restoration_compare, restoration_minutes
from reports.links import jobs_listed
from reports.marts import Judged
from reports.page import Exhibit
from reports.words import Words
from shared.settings import Settings

say = Words("restoration")

HALF_LOOPS = 25
"""Half-loops named on the page; the export has every one that was interrupted twice."""


def of_group(rows: pd.DataFrame, grouping: str) -> pd.DataFrame:
    """Rows of one grouping."""
    return rows[rows["grouped_by"] == grouping] if len(rows) else rows


def interval_words(settings: Settings) -> str:
    """How the limits are made."""
    return say("interval", settings=settings)


def size_names(sizes: pd.DataFrame) -> dict[str, str]:
    """The sizes of loop that have rows, in order, with their words."""
    return {size: words for size, words in say.text("sizes").items() if size in set(sizes["group_name"])}


def in_stages(stages: pd.DataFrame, order: tuple[str, ...]) -> pd.DataFrame:
    """Rows of some stages over all jobs, in the order given."""
    rows = of_group(stages, "all")
    return rows[rows["stage"].isin(order)].sort_values("stage", key=lambda names: names.map(order.index))


def waterfall(rows: pd.DataFrame, found: Judged) -> Exhibit:
    """Where the customer-minutes pass, by size of loop."""
    shares = rows.set_index(["grouped_by", "group_name", "part"])["share_of_minutes"] if len(rows) else pd.Series()
    if rows.empty or ("configuration", "loop", "arrive_to_locate") not in shares.index:
        return say.absent("waterfall")
    sizes = of_group(rows, "loop_size")
    names = size_names(sizes)
    loops = [size for size in names if size != "radial"]
    several = {}
    if len(loops) >= 2:
        ends = (loops[0], loops[-1])
        first, last = (shares["loop_size", size, "arrive_to_locate"] for size in ends)
        several = {"first": first, "last": last, "smallest": names[ends[0]].lower(), "largest": names[ends[1]].lower()}
    finding = say(
        "waterfall.in_percent" if found["search_share"] == "in_percent" else "waterfall.finding",
        bool(several) and "waterfall.by_size",
        judged=found["search_share"],
        share=shares["configuration", "loop", "arrive_to_locate"],
        travel=shares["configuration", "loop", "dispatch_to_arrive"],
        **several,
    )
    waiting = shares.get(("configuration", "radial", "locate_to_restore"))
    jobs = sizes.drop_duplicates("group_name")["jobs"]
    return say.exhibit(
        "waterfall",
        finding,
        sizes[sizes["group_name"].isin(list(names))],
        chart=restoration_minutes.chart_waterfall(sizes, names),
        more=(say(waiting is not None and "waterfall.more", waiting=waiting),),
        jobs=jobs,
        total=jobs.sum(),
    )


def stage_means(stages: pd.DataFrame, settings: Settings, found: Judged) -> Exhibit:
    """Mean of every stage from report to restoration."""
    rows = in_stages(stages, figures.CUSTOMER_STAGES)
    if rows.empty:
        return say.absent("stages")
    whole = of_group(stages, "all").set_index("stage")
    longest = rows.iloc[int(rows["mean_min"].argmax())]
    kept: Any = whole.loc["report_to_restore"] if "report_to_restore" in whole.index else None
    finding = say(
        "stages.finding",
        name=figures.STAGE_NAMES[longest["stage"]],
        share=found.of("stage_share", longest["stage"]),
        longest=longest,
        total=rows["mean_min"].sum(),
    )
    return say.exhibit(
        "stages",
        finding,
        rows,
        chart=figures.chart_customer_stages(rows),
        more=(say(kept is not None and "stages.more", kept=kept),),
        interval=interval_words(settings),
    )


def three_clocks(rows: pd.DataFrame, settings: Settings) -> Exhibit:
    """The three clocks, loops and radials apart."""
    own = of_group(rows, "configuration")
    own = own[own["group_name"].isin(["loop", "radial"])]
    customer = own[own["stage"] == "customer_clock"].set_index("group_name")
    if "loop" not in customer.index:
        return say.absent("clocks")
    both = "radial" in customer.index
    clocks = {"loop": customer.loc["loop"], "radial": customer.loc["radial"] if both else None}
    own = own.assign(clock=own["stage"].map(say.text("clock_names")))
    return say.exhibit(
        "clocks",
        say("clocks.finding", both and "clocks.radials", **clocks),
        own,
        chart=restoration_minutes.chart_clocks(own),
        more=(say("clocks.long_of_both" if both else "clocks.long", **clocks),),
        interval=interval_words(settings),
    )


def naive_figure(rows: pd.DataFrame) -> Exhibit:
    """What the naive figure overstates."""
    sizes = of_group(rows, "loop_size")
    if sizes.empty:
        return say.absent("naive")
    whole = of_group(rows, "configuration").set_index("group_name")["overstated_pct"]
    names = size_names(sizes)
    sizes = sizes.set_index("group_name").reindex(list(names)).reset_index()
    both = {"loop", "radial"} <= set(whole.index)
    every = of_group(rows, "all").iloc[0]
    return say.exhibit(
        "naive",
        say("naive.finding", both and "naive.kinds", every=every, whole=whole),
        sizes,
        chart=restoration_minutes.chart_naive(sizes, names),
        every=every,
    )


def hit_customers(rows: pd.DataFrame) -> Exhibit:
    """Customers with several, or with long, interruptions in a year."""
    rows = rows[rows["customers"].notna()] if len(rows) else rows
    shown = rows[(rows["measure"] == "celid") | rows["threshold"].isin([2, 3])] if len(rows) else rows
    if shown.empty:
        return say.absent("customers")
    once = rows[(rows["measure"] == "cemi") & (rows["threshold"] == 1)]
    year = int(shown["year"].max())
    found = shown[shown["year"] == year].set_index(["measure", "threshold"])["customers"]
    return say.exhibit(
        "customers",
        say("customers.finding", year=year, twice=found.get(("cemi", 2), 0), long=found.get(("celid", 4), 0)),
        rows.sort_values(["year", "measure", "threshold"]),
        chart=restoration_compare.chart_customers(shown),
        half_loops=once["half_loops"].sum(),
    )


def later_stages(stages: pd.DataFrame, settings: Settings) -> Exhibit:
    """Length of the stages after the section is known."""
    rows = in_stages(stages, figures.LATER_STAGES).dropna(subset=["mean_min"])
    if rows.empty:
        return say.absent("later-stages")
    longest = rows.iloc[int(rows["median_min"].argmax())]
    return say.exhibit(
        "later-stages",
        say("later-stages.finding", name=figures.STAGE_NAMES[longest["stage"]], longest=longest),
        rows,
        chart=figures.chart_later_stages(rows),
        interval=interval_words(settings),
    )


def abnormal_days(rows: pd.DataFrame, settings: Settings, found: Judged) -> Exhibit:
    """Days away from the normal open point, and expected strandings."""
    whole = of_group(rows, "all")
    if whole.empty:
        return say.absent("abnormal")
    every: Any = whole.iloc[0]
    districts = pd.concat([whole, of_group(rows, "district")], ignore_index=True)
    one_in = found["away_one_in"]
    return say.exhibit(
        "abnormal",
        say("abnormal.finding" if one_in else "abnormal.none", "abnormal.half", one_in=one_in, every=every),
        districts,
        chart=restoration_minutes.chart_abnormal(districts),
        every=every,
        interval=interval_words(settings),
    )


def most_interrupted(rows: pd.DataFrame) -> Exhibit:
    """Half-loops with the most sustained interruptions: in the last 12 months, else in the latest year with any."""
    if rows.empty:
        return say.absent("most-interrupted")
    period = rows["period"].max()  # words come after years
    rows = rows[rows["period"] == period].sort_values("rank")
    rows, total = rows.head(HALF_LOOPS), len(rows)
    planned = int(rows["is_in_programme"].astype(bool).sum())
    return say.exhibit(
        "most-interrupted",
        say(
            "most-interrupted.finding",
            period="The " * period.startswith("last") + period,
            total=total,
            first=rows.iloc[0],
        ),
        rows,
        chart=restoration_compare.chart_interrupted(rows.head(12)),
        more=(say("most-interrupted.programme", planned=planned, shown=len(rows)),),
        extra=total - len(rows),
        interruptions=rows["interruptions"].sum(),
        to={"interruptions": [jobs_listed(ids) for ids in rows["job_ids"]]},
    )
