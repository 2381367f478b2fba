"""The restoration step: reads core tables, fits, writes marts.restoration_*."""

import duckdb
import numpy as np
import pandas as pd

from pipelines.restoration.abnormal import summarise_abnormal_days
from pipelines.restoration.closing_delay import (
    SETTLED_SHARE,
    ClosingLag,
    find_record_end,
    keep_on_file,
    summarise_weeks,
)
from pipelines.restoration.comparison import compare_groups
from pipelines.restoration.major_events import fit_yearly_thresholds, mark_major_event_days
from pipelines.restoration.search_effort import count_expected_tests, fit_class_rates, measure_search_effort
from pipelines.restoration.stages import CLOCKS, STAGE_GROUPINGS, summarise_stages
from pipelines.restoration.trend import chart_months, compare_last_years
from pipelines.restoration.what_if import summarise_savings
from pipelines.warehouse import read_query
from shared import dictionary
from shared.settings import Settings
from shared.store import write_tables
from shared.units import DAYS_PER_YEAR

PAGE_GROUPINGS = ("all", "district", "configuration", "loop_size")
WEEKS_SHOWN = 12
HISTORY_DAYS = 5 * DAYS_PER_YEAR
"""Closing lags are learnt from the last five years: the office may have worked otherwise before."""


def run(con: duckdb.DuckDBPyConnection, settings: Settings) -> dict[str, int]:
    """Fit the restoration figures; returns the tables written and their rows.

    Checked by: tests/unit/test_restoration_step.py
    """
    return write_tables(con, fit_tables(con, settings, *find_known_until(con)))


def fit_tables(
    con: duckdb.DuckDBPyConnection,
    settings: Settings,
    known_until: pd.Timestamp,
    record_end: pd.Timestamp,
    *,
    is_whole_fleet: bool = True,
) -> dict[str, pd.DataFrame]:
    """Every table of the topic for the jobs in core, as far as known_until; pages ask it for a part of the jobs too."""
    # read
    jobs = read_query(con, "restoration/jobs")
    days = read_query(con, "restoration/days")
    rates = read_class_rates(con)
    searches = read_searches(con, rates)
    loop_rates = read_query(con, "restoration/loop_rates", class_rates=rates)

    # compute
    coverage, small = settings.general.interval_coverage, settings.general.small_group
    crews = crew_grouping(settings)
    limits = summarise_stages(jobs, coverage=coverage, small_group=small)
    is_clock = limits["stage"].isin(CLOCKS)
    tables = {
        "marts.restoration_stages": limits[~is_clock & limits["grouped_by"].isin(STAGE_GROUPINGS)],
        "marts.restoration_clocks": limits[is_clock],
        "marts.restoration_comparison": compare_all(jobs, settings),
    }
    weeks, lag = summarise_weeks(
        jobs, known_until, record_end, weeks=WEEKS_SHOWN, history_days=HISTORY_DAYS, coverage=coverage
    )
    tables["marts.restoration_maturity"] = weeks
    tables["fitted.closing_lag"] = thin_lag(lag)
    on_file = keep_on_file(jobs, known_until)
    on_loops = on_file.assign(time_to_restore=on_file["time_to_restore"].where(~on_file["is_radial"]))
    trend = chart_months(on_loops, record_end, lag, coverage=coverage)
    tables["marts.restoration_trend"] = trend
    tables["fitted.restoration_year_change"] = compare_last_years(on_loops, trend, coverage)
    tables["marts.restoration_search"] = measure_search_effort(
        jobs.merge(searches, on="job_id"), (*PAGE_GROUPINGS, "method", *crews), coverage=coverage
    )
    tables["marts.restoration_abnormal"] = summarise_abnormal_days(
        jobs[~jobs["is_radial"]].merge(loop_rates, on="job_id"), ("all", "district", "year"), coverage=coverage
    )
    years = (
        max((jobs["reported_at"].max() - jobs["reported_at"].min()) / pd.Timedelta(days=DAYS_PER_YEAR), 1.0)
        if len(jobs)
        else 1.0
    )
    tables["marts.restoration_what_if"] = summarise_savings(
        jobs,
        PAGE_GROUPINGS,
        years,
        settings.restoration,
        is_whole_fleet=is_whole_fleet and years > 1.0,
        coverage=coverage,
    )
    thresholds = fit_yearly_thresholds(days)
    marked = mark_major_event_days(days, thresholds)
    tables["fitted.major_event_threshold"] = thresholds
    told = marked[["is_major_event_day", "is_over_threshold", "is_flagged"]].any(axis=1)
    tables["marts.restoration_major_events"] = marked[told]
    return tables


def crew_grouping(settings: Settings) -> tuple[str, ...]:
    """Crews are compared only when the settings ask for it."""
    return ("crew",) if settings.restoration.show_crews else ()


def compare_all(jobs: pd.DataFrame, settings: Settings) -> pd.DataFrame:
    """Every grouping by both times; radial jobs wait for the repair, so only loops are compared."""
    loops = jobs[~jobs["is_radial"]]
    # what was seen from above ground was not searched for, and would make every method of searching look slow
    searched = loops[loops["method"] != "visual"]
    parts = [
        compare_groups(
            searched if grouping == "method" else loops,
            grouping,
            measure,
            coverage=settings.general.interval_coverage,
            min_jobs=settings.restoration.comparison_min_jobs,
        )
        for grouping in ("district", "method", "hour", "season", *crew_grouping(settings))
        for measure in ("time_to_locate", "time_to_restore")
    ]
    return dictionary.stack_frames("marts.restoration_comparison", parts)


def thin_lag(lag: ClosingLag) -> pd.DataFrame:
    """The closing lag day by day up to where nearly all are closed, for the chart."""
    longest = lag.days_until(SETTLED_SHARE)
    days = np.arange(0.0, np.ceil(longest) + 1) if lag.jobs else np.empty(0)
    return pd.DataFrame({"lag_days": days, "share_closed": lag.share_closed(days), "jobs": lag.jobs})


def read_class_rates(con: duckdb.DuckDBPyConnection) -> pd.DataFrame:
    """Failures per km and year by class, over all ages: enough to weigh the sections of one loop."""
    found = read_query(con, "restoration/class_exposure")
    return found.assign(rate=fit_class_rates(found["failures"].to_numpy(), found["km_years"].to_numpy()))


def read_searches(con: duckdb.DuckDBPyConnection, rates: pd.DataFrame) -> pd.DataFrame:
    """One row a job with tests: how many, and the least that its half-loop needs."""
    found = read_query(con, "restoration/searches", class_rates=rates)
    chances = found.pop("chances")
    # many jobs share a half-loop and its sections: each chain is halved once
    chains = chances.map(tuple)
    sections = chains.map(len)
    by_chance = {chain: count_expected_tests(chain) for chain in chains.unique()}
    by_count = {n: count_expected_tests(np.ones(n)) for n in sections.unique()}
    return found.assign(
        least_tests=chains.map(by_chance).astype(np.float64),
        least_tests_by_count=sections.map(by_count).astype(np.float64),
    )


def find_known_until(con: duckdb.DuckDBPyConnection, catalog: str = "") -> tuple[pd.Timestamp, pd.Timestamp]:
    """End of the as-of day, where it ends last, and until when the record tells (find_record_end).

    Without an as-of day it is that of the last report; catalog: where all jobs lie, with a dot at its end.
    """
    stamps = con.execute(f"select reported_at, closed_at from {catalog}core.job_stages").df()
    row = con.execute(
        f"""select max(timezone(coalesce(timezone, 'UTC'), day::timestamp + interval 1 day))
        from {catalog}staging.districts cross join (
            select coalesce(max(general_as_of), (select max(reported_on) from {catalog}core.job_stages)) as day
            from settings.current
        )"""
    ).fetchone()
    known_until = pd.Timestamp(row[0] if row and row[0] is not None else "1970-01-01 00:00Z")
    return known_until, find_record_end(stamps, known_until)
