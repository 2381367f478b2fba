"""Random choices over all pages and random sheets, held to pandas over the exports and to direct calls.

python -m tests.simulated.choices_study WORKSPACE [--choices 200] [--sheets 200] [--seed 1] [--page restoration]

The page of restoration is held figure by figure: --choices 50 --sheets 0 --page restoration.
"""

from __future__ import annotations

import argparse
import datetime as dt
from collections import Counter
from importlib import import_module
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from pipelines.restoration.stages import GROUPINGS, STAGES, summarise_stages
from reports.choice import Choice, compared_with, to_query
from reports.links import Links
from reports.pages.restoration_against import compare
from reports.render import PAGES, render, render_sheet
from reports.results import Results
from shared.settings import Settings

COMPARED = Counter[str]()
"""Figures compared, by what they are."""

WORST: dict[str, float] = {}
"""Largest relative difference seen, by what is compared."""


def same(what: str, ours: object, theirs: object) -> None:
    """Hold one figure to another; missing is equal to missing."""
    one, other = (float(np.nan) if value is None or value is pd.NA else float(value) for value in (ours, theirs))  # type: ignore[arg-type]
    COMPARED[what] += 1
    if np.isnan(one) or np.isnan(other):
        assert np.isnan(one) and np.isnan(other), (what, ours, theirs)
        return
    apart = abs(one - other) / max(1.0, abs(other))
    WORST[what] = max(WORST.get(what, 0.0), apart)
    assert apart < 1e-9, (what, ours, theirs)


class Exports:
    """The exports as a reader of CSV files has them."""

    def __init__(self, folder: Path) -> None:
        self.jobs = pd.read_csv(folder / "closed_jobs.csv", parse_dates=["reported_on", "reported_month"])
        self.errors = pd.read_csv(folder / "locating_errors.csv").merge(
            self.jobs[["job_id", "district_id", "reported_on"]], on="job_id", how="left"
        )
        self.loops, self.sections = (pd.read_csv(folder / f"{stem}_ranking.csv") for stem in ("loop", "section"))
        self.timeline = pd.read_csv(folder / "jobs_timeline.csv")

    def add_from(self, results: Results) -> None:
        """What the figures count besides and the exports leave out: crews, other clocks, minutes by stage."""
        stages, groups = results.whole.read("core.job_stages"), results.whole.read("core.job_groups")
        of_job = [
            "job_id", "arrive_to_pinpoint_min", "report_to_normal_min", "report_to_dispatch_customer_minutes",
            "dispatch_to_arrive_customer_minutes", "arrive_to_locate_customer_minutes",
            "locate_to_restore_customer_minutes", "unsplit_customer_minutes", "test_shots",
        ]  # fmt: skip
        half = results.whole.read("core.section_exposure")[["section_id", "half_loop_id"]]
        self.jobs = self.jobs.merge(stages[of_job], on="job_id", validate="1:1")
        self.jobs = self.jobs.merge(groups[["job_id", "crew"]], on="job_id", validate="1:1")
        self.jobs = self.jobs.merge(half, on="section_id", how="left", validate="m:1")
        zones = results.whole.read("staging.districts").set_index("district_id")["timezone"].fillna("UTC")
        day = pd.Timestamp(results.settings.general.as_of) + pd.Timedelta(days=1)
        known_until = max(day.tz_localize(zone) for zone in zones.unique())  # as long as the as-of day lasts anywhere
        late = stages.loc[stages["closed_at"] > known_until, "job_id"]
        self.jobs["is_on_file"] = ~self.jobs["job_id"].isin(late)  # months and weeks know of no later closing
        reported = stages.set_index("job_id")["reported_at"].reindex(self.jobs["job_id"])
        self.jobs["local_hour"] = [
            at.tz_convert(zones.get(district, "UTC")).hour
            for at, district in zip(reported, self.jobs["district_id"], strict=True)
        ]

    def of(self, rows: pd.DataFrame, choice: Choice, instruments: pd.DataFrame) -> pd.DataFrame:
        """Rows that a choice keeps; a job has the instruments of its readings."""
        kept = pd.Series(True, index=rows.index)
        if choice.districts:
            kept &= rows["district_id"].isin(choice.districts)
        if choice.first or choice.last:
            kept &= rows["reported_on"].between(
                pd.Timestamp(choice.first or "1900-01-01"), pd.Timestamp(choice.last or "2200-01-01")
            )
        if choice.classes:
            kept &= rows["cable_class"].isin(choice.classes)
        if choice.crews:
            kept &= rows["job_id"].isin(self.jobs.loc[self.jobs["crew"].isin(choice.crews), "job_id"])
        if choice.instruments:
            jobs = set(instruments.loc[instruments["instrument_id"].isin(choice.instruments), "job_id"])
            kept &= (
                rows["instrument_id"].isin(choice.instruments) if "instrument_id" in rows else rows["job_id"].isin(jobs)
            )
        return rows[kept]


def draw_choice(results: Results, rng: np.random.Generator) -> Choice:
    """A random choice: each part with some chance, so that some are of everything and some of next to nothing."""
    known = results.known

    def some(values: tuple[str, ...], chance: float) -> tuple[str, ...]:
        if not values or rng.random() > chance:
            return ()
        return tuple(sorted(rng.choice(values, size=min(len(values), int(rng.integers(1, 3))), replace=False)))

    first = last = None
    if rng.random() < 0.6:
        span = (known.last - known.first).days
        first = known.first + dt.timedelta(days=int(rng.integers(0, span)))
        last = None if rng.random() < 0.2 else first + dt.timedelta(days=int(rng.choice([6, 30, 181, 365, 1500])))
    against = str(rng.choice(["", "previous", "last_year"])) if first else ""
    return Choice(
        some(known.districts, 0.5), first, last, against, some(known.classes, 0.3), some(known.instruments, 0.3),
        some(known.crews, 0.3),
    )  # fmt: skip


def check_restoration(results: Results, exports: Exports, choice: Choice, readings: pd.DataFrame) -> None:
    """Stages, sums and indices by pandas; limits by a direct call on the rows of the CSV."""
    marts, jobs = results.marts(choice), exports.of(exports.jobs, choice, readings)
    stages = marts.read("marts.restoration_stages")
    whole = stages[stages["grouped_by"] == "all"].set_index("stage")
    for stage in STAGES:
        minutes = jobs[f"{stage}_min"].dropna()
        if not len(minutes):
            assert stage not in whole.index
            continue
        row: Any = whole.loc[stage]
        same("jobs of a stage", row["jobs"], len(minutes))
        same("mean of a stage", row["mean_min"], minutes.mean())
        same("median of a stage", row["median_min"], minutes.median())
        same("share over 4 hours", row["share_over_4h"], (minutes > 240).mean())
    summary = marts.read("marts.restoration_summary")
    for row in summary[summary["grouped_by"] == "all"].to_dict("records"):
        same("jobs", row["jobs"], len(jobs))
        same("customers interrupted", row["customers_interrupted"], jobs["customers_interrupted"].sum())
        same("customer-minutes", row["customer_minutes"], jobs["customer_minutes"].sum(min_count=1))
    indices = marts.read("marts.restoration_indices")
    sums = jobs.groupby("reported_year")[["customers_sustained", "customer_minutes_sustained"]].sum(min_count=1)
    for row in indices[(indices["days_left_out_by"] == "") & (indices["basis"] == "as_recorded")].to_dict("records"):
        same("customers of SAIFI", row["customers_sustained"], sums.loc[row["year"], "customers_sustained"])
        same("minutes of SAIDI", row["customer_minutes_sustained"], sums.loc[row["year"], "customer_minutes_sustained"])
        if row["customers_served"] == row["customers_served"] and row["customer_minutes_sustained"] is not None:
            same("SAIDI", row["saidi_min"], row["customer_minutes_sustained"] / row["customers_served"])
    if len(jobs):
        check_page(results, jobs, choice)
    if len(jobs) and choice.parts:  # crews are grouped by name in the tables of everything, and not in the CSV
        check_limits(jobs, stages, results.settings)


SEASONS = ("December to February", "March to May", "June to August", "September to November")


def grouped(jobs: pd.DataFrame) -> pd.DataFrame:
    """Jobs with a column of names for each grouping, as core.job_groups names them."""
    return jobs.sort_values("job_id").assign(
        all="all",
        district=jobs["district_id"],
        month=jobs["reported_month"].dt.strftime("%Y-%m"),
        year=jobs["reported_year"].astype(str),
        **{name: jobs[name].fillna("unknown") for name in ("method", "cable_class", "configuration", "loop_size")},
        **{stage: jobs[f"{stage}_min"] for stage in STAGES},
        hour=np.select(
            [jobs["is_night"].astype(bool), jobs["local_hour"] < 12, jobs["local_hour"] < 18],
            ["night", "morning", "afternoon"],
            "evening",
        ),
        season=(jobs["reported_month"].dt.month % 12 // 3).map(dict(enumerate(SEASONS))),
        customer_clock=jobs["report_to_restore_min"],
        crew_clock=jobs["arrive_to_pinpoint_min"],
        asset_clock=jobs["report_to_normal_min"],
    )


def check_groups(
    table: pd.DataFrame, jobs: pd.DataFrame, what: str, columns: dict[str, str], by: str = "stage"
) -> None:
    """Every row of a table of groups against pandas: jobs, mean, median and 90th percentile of what `by` names."""
    for (grouping, measure), own in table.groupby(["grouped_by", by]):
        values = jobs[[grouping, measure]].dropna()
        found = values.groupby(grouping)[measure]
        theirs = {"count": found.size(), "mean": found.mean(), "median": found.median(), "p90": found.quantile(0.9)}
        assert set(own["group_name"]) == set(theirs["count"].index), (what, grouping, measure)
        for row in own.to_dict("records"):
            for figure, column in columns.items():
                same(f"{figure} of {what}", row[column], theirs[figure][row["group_name"]])


def check_page(results: Results, jobs: pd.DataFrame, choice: Choice) -> None:
    """The tables behind every exhibit of the page of restoration by pandas, on the rows of the exports."""
    marts, frame = results.marts(choice), grouped(jobs)
    loops = frame[frame["configuration"] != "radial"]
    stage = {"count": "jobs", "mean": "mean_min", "median": "median_min", "p90": "p90_min"}
    check_groups(marts.read("marts.restoration_stages"), frame, "a group's stage", stage)
    check_groups(marts.read("marts.restoration_clocks"), frame, "a clock", stage)
    parts = marts.read("marts.restoration_waterfall")
    known = frame.dropna(subset=["customer_minutes"])
    for row in parts.to_dict("records"):
        own = known[known[row["grouped_by"]] == row["group_name"]]
        minutes = own[f"{row['part']}_customer_minutes"].sum()
        same("customer-minutes of a stage", row["customer_minutes"], minutes)
        same("share of customer-minutes", row["share_of_minutes"], minutes / (own["customer_minutes"].sum() or np.nan))
    for row in marts.read("marts.restoration_summary").to_dict("records"):
        own = frame[frame[row["grouped_by"]] == row["group_name"]]
        same("jobs of a group", row["jobs"], len(own))
        same("customer-minutes of a group", row["customer_minutes"], own["customer_minutes"].sum(min_count=1))
        same("mean time to locate of a group", row["mean_time_to_locate_min"], own["arrive_to_locate_min"].mean())
        same("90th percentile of a group", row["p90_time_to_restore_min"], own["report_to_restore_min"].quantile(0.9))
    check_years(results, frame, choice)
    months = {"time_to_locate": frame, "time_to_restore": loops}
    for row in marts.read("marts.restoration_trend").to_dict("records"):
        column = {"time_to_locate": "arrive_to_locate_min", "time_to_restore": "report_to_restore_min"}[row["measure"]]
        rows = months[row["measure"]]
        rows = rows[rows["is_on_file"]]
        own = rows.loc[rows["reported_month"] == row["reported_month"], column].dropna()
        same("jobs of a month", row["jobs"], len(own))
        same("mean of a month", row["mean_min"], own.mean())
    away = loops.assign(days=loops["report_to_normal_min"] / 1440)
    days = {"count": "jobs", "mean": "mean_days", "median": "median_days", "p90": "p90_days"}
    check_groups(marts.read("marts.restoration_abnormal").assign(by="days"), away, "days away from normal", days, "by")
    for row in marts.read("marts.restoration_comparison").to_dict("records"):
        column = {"time_to_locate": "arrive_to_locate_min", "time_to_restore": "report_to_restore_min"}[row["measure"]]
        of = loops[(loops[column] > 0) & (loops[row["grouped_by"]] != "unknown")]
        of = of[of["method"] != "visual"] if row["grouped_by"] == "method" else of
        own = of.loc[of[row["grouped_by"]] == row["group_name"], column]
        same("jobs compared", row["jobs"], len(own))
        same("ratio before adjustment", row["ratio_seen"], np.exp(np.log(own).mean() - np.log(of[column]).mean()))
    blocks = results.whole.read("core.restoration_blocks")
    blocks = blocks[blocks["is_from_steps"].astype(bool) & blocks["minutes_out"].notna()]
    blocks = blocks.assign(minutes=blocks["customers"] * blocks["minutes_out"]).groupby("job_id")
    by_steps = frame.set_index("job_id").join(
        blocks.agg(out=("customers", "sum"), last=("minutes_out", "max")), how="inner"
    )
    by_steps = by_steps.join(blocks["minutes"].sum())
    for row in marts.read("marts.restoration_naive").to_dict("records"):
        own = by_steps[by_steps[row["grouped_by"]] == row["group_name"]]
        same("customer-minutes of the steps", row["customer_minutes"], own["minutes"].sum())
        same("customer-minutes without steps", row["customer_minutes_naive"], (own["out"] * own["last"]).sum())
    for row in marts.read("marts.restoration_what_if").to_dict("records"):
        own = known[known[row["grouped_by"]] == row["group_name"]]
        same("customer-minutes that could be saved", row["customer_minutes"], own["customer_minutes"].sum())


def check_against(results: Results, choice: Choice, other: Choice, now: pd.DataFrame, before: pd.DataFrame) -> None:
    """Both periods of a comparison by pandas."""
    for row in compare(results, choice, other).to_dict("records"):
        stage = f"{row['stage']}_min"
        same("jobs of a period", row["jobs"], now[stage].count())
        same("mean of a period", row["mean_min"], now[stage].mean())
        same("jobs of the period before", row["jobs_before"], before[stage].count())
        same("mean of the period before", row["mean_before_min"], before[stage].mean())


def check_years(results: Results, frame: pd.DataFrame, choice: Choice) -> None:
    """Indices, customers interrupted repeatedly and the half-loops they are on."""
    marts, served = results.marts(choice), results.whole.read("core.customers_served")
    if choice.districts:
        served = served[served["district_id"].isin(choice.districts)]
    customers = served.groupby("year")["customers_served"].agg(lambda c: c.sum() if c.notna().all() else np.nan)
    major = results.whole.read("marts.restoration_major_events")
    days = pd.to_datetime(major.loc[major["is_major_event_day"].astype(bool), "reported_on"])
    indices = marts.read("marts.restoration_indices")
    if "basis" in indices:
        by = "utility" if (major["marked_by"] == "flags").any() else "threshold"
        indices = indices[(indices["basis"] == "as_recorded") & indices["days_left_out_by"].isin(["", by])]
    for row in indices.to_dict("records"):
        own = frame[frame["reported_year"] == row["year"]]
        own = own[~own["reported_on"].isin(days)] if row["is_without_major_events"] else own
        ended = own[own["customer_minutes"].notna()]
        minutes, hit = own["customer_minutes_sustained"].sum(min_count=1), own["customers_sustained"].sum(min_count=1)
        same("jobs of an index", row["jobs"], len(own))
        same("SAIDI of a choice", row["saidi_min"], minutes / customers[row["year"]])
        same("SAIFI of a choice", row["saifi"], hit / customers[row["year"]])
        same("CAIDI of a choice", row["caidi_min"], minutes / (ended["customers_sustained"].sum() or np.nan))
    lasting = frame[frame["is_sustained"].fillna(False).astype(bool) & frame["half_loop_id"].notna()]
    hits = lasting.groupby(["reported_year", "half_loop_id"])
    count, minutes = hits.size(), hits["customer_minutes_sustained"].sum(min_count=1)
    named = marts.read("marts.most_interrupted")
    of_years = named[named["period"].str.isdecimal()]
    assert len(of_years) == (count >= 2).sum()
    for row in of_years.to_dict("records"):
        key = (int(row["period"]), row["half_loop_id"])
        same("interruptions of a half-loop", row["interruptions"], count[key])
        same("customer-minutes of a half-loop", row["customer_minutes"], minutes[key])
        same("longest of a half-loop", row["longest_min"], hits.get_group(key)["report_to_restore_min"].max())
    last = pd.Timestamp(results.known.last)
    recent = lasting[lasting["reported_on"] > last - pd.DateOffset(years=1)].groupby("half_loop_id").size()
    for row in named[~named["period"].str.isdecimal()].to_dict("records"):
        same("interruptions in the last 12 months", row["interruptions"], recent[row["half_loop_id"]])
    cemi = marts.read("marts.restoration_customers").query("measure == 'cemi'")
    for row in cemi.to_dict("records"):
        same("half-loops interrupted", row["half_loops"], (count[row["year"]] >= row["threshold"]).sum())
        if row["threshold"] >= 2:
            own = of_years[(of_years["period"] == str(row["year"])) & (of_years["interruptions"] >= row["threshold"])]
            same("customers interrupted repeatedly", row["customers"], own["customers"].sum())


def check_limits(jobs: pd.DataFrame, stages: pd.DataFrame, settings: Settings) -> None:
    """Every limit of every stage and group, by the function that pages use, on the rows of the CSV."""
    frame = grouped(jobs)
    direct = summarise_stages(
        frame, coverage=settings.general.interval_coverage, small_group=settings.general.small_group
    )
    both = stages.merge(direct, on=["grouped_by", "group_name", "stage"], suffixes=("", "_direct"))
    assert len(both) == len(stages) and set(stages["grouped_by"]) <= set(GROUPINGS)
    for column in ("mean_lo", "mean_hi", "median_lo", "median_hi", "p90_lo", "p90_hi", "share_over_4h_lo"):
        ours, theirs = (both[name].to_numpy(dtype=float) for name in (column, f"{column}_direct"))
        assert (np.isnan(ours) == np.isnan(theirs)).all(), column
        apart = np.nanmax(np.abs(ours - theirs), initial=0.0)
        COMPARED["limits of stages"] += len(both)
        WORST["limits of stages"] = max(WORST.get("limits of stages", 0.0), float(apart))
        assert apart < 1e-9, column


def check_locating(results: Results, exports: Exports, choice: Choice, readings: pd.DataFrame) -> None:
    """Errors of the digs of a choice."""
    ours, theirs = results.marts(choice).read("marts.locating_errors"), exports.of(exports.errors, choice, readings)
    same("digs", len(ours), len(theirs))
    same("sum of errors", ours["error_m"].sum(), theirs["error_m"].sum())
    same("median error", ours["error_m"].median(), theirs["error_m"].median())
    same("median corrected error", ours["corrected_error_m"].median(), theirs["corrected_error_m"].median())
    read = results.whole.read("core.locating_readings").merge(
        exports.loops[["loop_id", "district_id"]], on="loop_id", how="left"
    )
    dug = read[(read["reading_kind"] == "dug") & (read["is_usable"] | (read["unusable_because"] == "setting_unknown"))]
    kept = exports.of(dug.assign(reported_on=dug["read_at"].dt.tz_localize(None).dt.normalize()), choice, readings)
    for row in results.marts(choice).read("marts.reads_long").to_dict("records"):
        same("digs of an instrument", row["digs"], (kept["instrument_id"] == row["instrument_id"]).sum())


def check_replacement(results: Results, exports: Exports, choice: Choice) -> None:
    """The ranking's rows, and failures and exposure by class from the sections."""
    marts = results.marts(choice)
    loops, sections = exports.loops, exports.sections
    exposed = results.whole.read("core.section_exposure")
    failures = results.whole.read("core.failures")
    if choice.districts:
        loops, sections = (rows[rows["district_id"].isin(choice.districts)] for rows in (loops, sections))
        exposed, failures = (rows[rows["district_id"].isin(choice.districts)] for rows in (exposed, failures))
    if choice.classes:
        on = set(results.whole.read("core.section_exposure").query("cable_class in @choice.classes")["loop_id"])
        loops, sections = loops[loops["loop_id"].isin(on)], sections[sections["cable_class"].isin(choice.classes)]
    for name, theirs in (("loop", loops), ("section", sections)):
        ours = marts.read(f"marts.{name}_ranking")
        same(f"{name}s ranked", len(ours), len(theirs))
        same(f"failures expected of {name}s", ours["expected_failures"].sum(), theirs["expected_failures"].sum())
    counted = failures[failures["is_counted"].astype(bool)].groupby("cable_class").size()
    km_years = exposed.groupby("cable_class")["exposure_km_years"].sum()
    for row in marts.read("marts.class_survival").to_dict("records"):
        same("failures of a class", row["failures"], counted.get(row["cable_class"], 0))
        same("exposure of a class", row["exposure_km_years"], km_years.get(row["cable_class"], 0.0))


def check_sheet(results: Results, exports: Exports, kind: str, ident: str) -> None:
    """The numbers of a sheet's tables by pandas over the exports."""
    page = import_module(f"reports.pages.{kind}_sheet").build(results.whole, results.settings, ident)
    tables = {exhibit.key: exhibit.tables[0].frame for exhibit in page.exhibits if exhibit.tables}
    if kind == "job":
        own = exports.timeline[exports.timeline["job_id"] == ident]
        same("moments of a job", len(tables.get("timeline", ())), len(own))
        for stage in exports.jobs[exports.jobs["job_id"] == ident].to_dict("records"):
            for row in tables["job-stages"].to_dict("records"):
                same("stage of a job", row["minutes_of_job"], stage[f"{row['stage']}_min"])
                mean = exports.jobs.loc[
                    exports.jobs["district_id"] == stage["district_id"], f"{row['stage']}_min"
                ].mean()
                same("mean of its district", row["mean_of_district"], mean)
    elif kind == "instrument":
        own = exports.errors[exports.errors["instrument_id"] == ident]
        same("digs of a sheet", len(tables.get("instrument-digs", ())), len(own) if own["error_m"].notna().any() else 0)
        if "instrument-digs" in tables:
            same("errors of a sheet", tables["instrument-digs"]["error_m"].sum(), own["error_m"].sum())
    elif kind == "loop":
        own = exports.jobs[exports.jobs["loop_id"] == ident]
        if "loop-jobs" in tables:
            there = tables["loop-jobs"].dropna(subset=["customer_minutes"])
            same("customer-minutes of a loop", there["customer_minutes"].sum(), own["customer_minutes"].sum())
        sections = exports.sections[exports.sections["loop_id"] == ident]
        same("sections of a loop", len(tables.get("loop-sections", ())), len(sections))
        if len(sections):
            total = tables["loop-sections"]["expected_failures"].sum()
            same("failures expected of its sections", total, sections["expected_failures"].sum())
    else:
        own = exports.errors[exports.errors["section_id"] == ident]
        same("readings of a section", len(tables.get("section-readings", ())), len(own))


def run(workspace: Path, choices: int, sheets: int, seed: int, pages: tuple[str, ...] = ()) -> dict[str, int]:
    """Draw and check; returns how many of each were looked at."""
    COMPARED.clear()
    WORST.clear()
    rng, served = np.random.default_rng(seed), Links(is_served=True)
    exports = Exports(workspace / "exports")
    looked = Counter[str]()
    with Results(workspace / "results.duckdb") as results:
        readings = results.whole.read("core.locating_readings")[["job_id", "instrument_id"]].dropna()
        exports.add_from(results)
        pages = pages or tuple(name for name, _ in PAGES)
        for n in range(choices):
            choice, page = draw_choice(results, rng), pages[n % len(pages)]
            while page == "restoration" and exports.of(exports.jobs, choice, readings).empty and rng.random() < 0.9:
                choice = draw_choice(results, rng)  # one empty choice in ten is enough
            about: dict[str, Any] = {}
            text = render(results, page, choice, Links(is_served=True, query=to_query(choice)), **about)
            assert len(text.encode()) < 1e6 and "Traceback" not in text
            looked[page] += 1
            if page == "restoration":
                check_restoration(results, exports, choice, readings)
                if choice.against:
                    other = compared_with(choice, results.known)
                    check_restoration(results, exports, other, readings)
                    check_against(
                        results, choice, other, *(exports.of(exports.jobs, c, readings) for c in (choice, other))
                    )
            elif page == "locating":
                check_locating(results, exports, choice, readings)
            elif page == "replacement":
                check_replacement(results, exports, choice)
        homes = {
            "loop": results.ids, "section": results.whole.read("core.section_exposure")["section_id"].tolist(),
            "job": results.whole.read("staging.jobs")["job_id"].tolist(),
            "instrument": [ident for ident, kind in results.ids.items() if kind == "instrument"],
        }  # fmt: skip
        homes["loop"] = [ident for ident, kind in results.ids.items() if kind == "loop"]
        for n in range(sheets):
            kind = ("loop", "section", "job", "instrument")[n % 4]
            ident = str(rng.choice(homes[kind]))
            assert len(render_sheet(results, kind, ident, served).encode()) < 1e6
            check_sheet(results, exports, kind, ident)
            looked[f"{kind} sheet"] += 1
    return dict(looked)


def main() -> None:
    """Print what was compared and the largest difference of each kind."""
    asked = argparse.ArgumentParser(description=__doc__)
    asked.add_argument("workspace", type=Path)
    asked.add_argument("--choices", type=int, default=200)
    asked.add_argument("--sheets", type=int, default=200)
    asked.add_argument("--seed", type=int, default=1)
    asked.add_argument("--page", action="append", default=[], choices=[name for name, _ in PAGES])
    given = asked.parse_args()
    looked = run(given.workspace, given.choices, given.sheets, given.seed, tuple(given.page))
    print("pages and sheets:", ", ".join(f"{n} {kind}" for kind, n in looked.items()))
    for what, times in COMPARED.items():
        print(f"{what}: {times:,} compared, largest difference {WORST.get(what, 0.0):.1e}")
    print(f"in all: {COMPARED.total():,} compared, largest difference {max(WORST.values(), default=0.0):.1e}")


if __name__ == "__main__":
    main()
