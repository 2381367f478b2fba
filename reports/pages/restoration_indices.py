"""SAIDI, SAIFI and CAIDI by year, and how far they hang on what the records get wrong."""

import pandas as pd

from reports.figures import restoration_compare
from reports.marts import Judged, Tables
from reports.page import Exhibit
from reports.pages.restoration_clocks import say
from shared.settings import Settings

REASONS = ["both_halves_counted", "more_came_back", "step_missing", "joined_away"]
BASES = ("as_recorded", "reconciled", "duplicates_joined")
WHOSE_DAYS = ("utility", "threshold")


def bounds_words(years: pd.DataFrame) -> str:
    """Between what bounds the jobs without an end leave the indices, in the year in which they matter most."""
    unknown = years[years["jobs_without_end"] > 0]
    if unknown.empty:
        return ""
    widest = unknown.iloc[int((unknown["saidi_most_min"] - unknown["saidi_least_min"]).to_numpy().argmax())]
    return say("indices.bounds", jobs=unknown["jobs_without_end"].sum(), widest=widest)


def indices(rows: pd.DataFrame, found: Judged) -> Exhibit:
    """SAIDI, SAIFI and CAIDI by year, with and without the major event days."""
    rows = rows.dropna(subset=["saidi_min", "saifi"]) if len(rows) else rows
    if rows.empty:
        return say.absent("indices")
    left_out_by = "utility" if found["major_marked_by"] == "flags" else "threshold"
    rows = rows[(rows["basis"] == "as_recorded") & rows["days_left_out_by"].isin(["", left_out_by])]
    rows = rows.sort_values(["year", "is_without_major_events"]).reset_index(drop=True)
    every, without = (rows[rows["is_without_major_events"] == part] for part in (False, True))
    days = int(without["days_left_out"].sum())
    more = (
        say("indices.major" if days else "indices.no_major", days=days, found=found),
        say("indices.momentary", customers=every["customers_momentary"].sum()),
        bounds_words(every),
    )
    finding = say(
        "indices.finding", found["saidi_before_lo"] is not None and "indices.before", last=every.iloc[-1], found=found
    )
    return say.exhibit(
        "indices",
        finding,
        rows,
        chart=restoration_compare.chart_years(rows, "is_without_major_events"),
        more=more,
        jobs=every["jobs"].sum(),
        years=len(every),
        unknown=every["jobs_without_minutes"].sum(),
    )


def bases(marts: Tables, settings: Settings) -> Exhibit:
    """The same years on the three bases, why these differ, and what waits in quarantine."""
    rows = marts.read("marts.restoration_indices")
    rows = rows.dropna(subset=["saidi_min", "saifi"]) if len(rows) else rows
    if rows.empty:
        return say.absent("indices-bases")
    rows = rows.sort_values(["year", "basis", "days_left_out_by"], ascending=[False, True, True])
    every = rows[rows["days_left_out_by"] == ""]
    on_bases = every.groupby("year")["basis"].nunique()
    on_all = on_bases[on_bases == len(BASES)]
    if on_all.empty:  # no year has jobs with known minutes on each of them
        return say.absent("indices-bases")
    last = every[every["year"] == on_all.index.max()].set_index("basis")
    jobs = marts.read("marts.restoration_bases").groupby("counted_otherwise")["job_id"].nunique()
    days = rows[rows["basis"] == "as_recorded"].groupby("days_left_out_by")["days_left_out"].agg(["sum", "count"])
    days = days.reindex(WHOSE_DAYS, fill_value=0)
    return say.exhibit(
        "indices-bases",
        say("indices-bases.finding", year=last["year"].iloc[0], on=last.to_dict("index")),
        rows,
        chart=restoration_compare.chart_years(every.sort_values("year"), "basis"),
        more=(
            say("indices-bases.why" if len(jobs) else "indices-bases.agree", jobs=jobs.reindex(REASONS, fill_value=0)),
            " ".join(say(f"indices-bases.{by}", days=days.loc[by]) for by in WHOSE_DAYS if days["count"][by]),
            quarantine_words(marts.read("marts.quarantined_jobs"), settings),
        ),
        years=every["year"].nunique(),
    )


def quarantine_words(waiting: pd.DataFrame, settings: Settings) -> str:
    """How many jobs wait in quarantine, and the year in which they could add most."""
    if waiting.empty:
        return ""
    bounded = waiting.dropna(subset=["saidi_added_at_most_min"]).sort_values("saidi_added_at_most_min")
    return say(
        "indices-bases.quarantine",
        len(bounded) > 0 and "indices-bases.most",
        jobs=waiting["jobs"].sum(),
        unread=waiting["jobs_not_bounded"].sum(),
        worst=bounded.iloc[-1] if len(bounded) else None,
        settings=settings,
    )
