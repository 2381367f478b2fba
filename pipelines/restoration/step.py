"""The restoration step: reads core tables, fits, writes marts.restoration_*."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from pipelines.restoration.abnormal import summarise_abnormal_days
from pipelines.restoration.closing_delay import ClosingLag, summarise_weeks
from pipelines.restoration.comparison import COLUMNS as COMPARISON_COLUMNS
from pipelines.restoration.comparison import compare_groups
from pipelines.restoration.major_events import mark_major_event_days
from pipelines.restoration.search_effort import count_expected_tests, fit_class_rates, measure_search_effort
from pipelines.restoration.stages import CLOCKS, GROUPINGS, STAGES, summarise_stages
from pipelines.restoration.trend import chart_months
from pipelines.restoration.what_if import summarise_savings
from shared.store import write_tables
from shared.units import DAYS_PER_YEAR

if TYPE_CHECKING:
    import duckdb

    from shared.settings import Settings

PAGE_GROUPINGS = ("all", "district", "configuration", "loop_size")
STAGE_GROUPINGS = ("all", "district", "method", "crew", "cable_class", "month", "year")
CLOCK_COLUMNS = {
    "customer_clock": "report_to_restore_min",
    "crew_clock": "arrive_to_pinpoint_min",
    "asset_clock": "report_to_normal_min",
}
WEEKS_SHOWN = 12
HISTORY_DAYS = 5 * DAYS_PER_YEAR
"""Closing lags are learnt from the last five years: the office may have worked otherwise before."""


def run(con: duckdb.DuckDBPyConnection, settings: Settings) -> dict[str, int]:
    """Fit the restoration figures; returns the tables written and their rows.

    Notes
    -----
    Checked by: tests/unit/test_restoration_step.py
    """
    # read
    jobs = read_jobs(con)
    days = read_days(con)
    rates = read_class_rates(con)
    searches = read_searches(con, rates)
    loop_rates = read_loop_rates(con, rates)
    known_until = find_known_until(con)

    # compute
    level, small = settings.general.interval_level, settings.general.small_group
    rng = np.random.default_rng(settings.general.seed)
    crews = crew_grouping(settings)
    bootstrap: Any = {"level": level, "replicates": settings.restoration.bootstrap_replicates, "rng": rng}
    limits = summarise_stages(jobs, small_group=small, **bootstrap)
    is_clock = limits["stage"].isin(CLOCKS)
    tables = {
        "marts.restoration_stages": limits[~is_clock & limits["grouped_by"].isin(STAGE_GROUPINGS)],
        "marts.restoration_clocks": limits[is_clock],
        "marts.restoration_comparison": compare_all(jobs, settings),
    }
    weeks, lag = summarise_weeks(jobs, known_until, weeks=WEEKS_SHOWN, history_days=HISTORY_DAYS, level=level)
    tables["marts.restoration_maturity"] = weeks
    tables["fitted.closing_lag"] = thin_lag(lag)
    tables["marts.restoration_trend"] = chart_months(
        jobs.assign(time_to_restore=jobs["time_to_restore"].where(~jobs["is_radial"])), known_until, lag, level=level
    )
    tables["marts.restoration_search"] = measure_search_effort(
        jobs.merge(searches, on="job_id"), (*PAGE_GROUPINGS, "method", *crews), **bootstrap
    )
    tables["marts.restoration_abnormal"] = summarise_abnormal_days(
        jobs[~jobs["is_radial"]].merge(loop_rates, on="job_id"), ("all", "district", "year"), **bootstrap
    )
    costed = jobs.dropna(subset=["customer_minutes"])
    years = (
        max((jobs["reported_at"].max() - jobs["reported_at"].min()) / pd.Timedelta(days=DAYS_PER_YEAR), 1.0)
        if len(jobs)
        else 1.0
    )
    tables["marts.restoration_what_if"] = summarise_savings(costed, PAGE_GROUPINGS, years, **bootstrap)
    marked = mark_major_event_days(days)
    told = marked[["is_major_event_day", "is_over_threshold", "is_flagged"]].any(axis=1)
    tables["marts.restoration_major_events"] = marked[told]

    # write
    return write_tables(con, tables)


def crew_grouping(settings: Settings) -> tuple[str, ...]:
    """Crews are compared only when the settings ask for it."""
    return ("crew",) if settings.restoration.show_crews else ()


def compare_all(jobs: pd.DataFrame, settings: Settings) -> pd.DataFrame:
    """Districts, crews and methods by both times; radial jobs wait for the repair, so only loops are compared."""
    loops = jobs[~jobs["is_radial"]]
    # what was seen from above ground was not searched for, and would make every method of searching look slow
    searched = loops[loops["method"] != "visual"]
    parts = [
        compare_groups(
            searched if grouping == "method" else loops,
            grouping,
            measure,
            level=settings.general.interval_level,
            min_jobs=settings.restoration.comparison_min_jobs,
        )
        for grouping in ("district", "method", *crew_grouping(settings))
        for measure in ("time_to_locate", "time_to_restore")
    ]
    filled = [part for part in parts if len(part)]
    return pd.concat(filled, ignore_index=True) if filled else pd.DataFrame(columns=COMPARISON_COLUMNS)


def thin_lag(lag: ClosingLag) -> pd.DataFrame:
    """The closing lag day by day up to where nearly all are closed, for the chart."""
    longest = lag.days_until(0.995)
    days = np.arange(0.0, np.ceil(longest) + 1) if lag.jobs else np.empty(0)
    return pd.DataFrame({"lag_days": days, "share_closed": lag.share_closed(days), "jobs": lag.jobs})


def read_jobs(con: duckdb.DuckDBPyConnection) -> pd.DataFrame:
    """One row a job: its groups, its stages, and what else the figures stand on."""
    lengths = ", ".join(f"job_stages.{stage}_min as {stage}" for stage in STAGES)
    clocks = ", ".join(f"job_stages.{column} as {clock}" for clock, column in CLOCK_COLUMNS.items())
    names = ", ".join(f'job_groups."{grouping}"::varchar as "{grouping}"' for grouping in GROUPINGS)
    assert set(CLOCK_COLUMNS) == set(CLOCKS)
    return con.execute(f"""
        with out_at_arrival as (
            select
                job_stages.job_id,
                sum(blocks.customers) as customers
            from core.job_stages as job_stages
            inner join core.restoration_blocks as blocks
                on blocks.job_id = job_stages.job_id
                and blocks.minutes_out >= minutes_between(job_stages.reported_at, job_stages.arrived_at)
            group by job_stages.job_id
        )
        select
            job_stages.job_id, {names}, {lengths}, {clocks},
            job_stages.reported_at, job_stages.closed_at, job_stages.reported_month, job_stages.reported_on,
            job_stages.sections_on_loop,
            job_stages.is_night, coalesce(job_stages.configuration = 'radial', false) as is_radial,
            job_stages.arrive_to_locate_min as time_to_locate, job_stages.report_to_restore_min as time_to_restore,
            job_stages.customer_minutes,
            job_stages.report_to_normal_min / 1440.0 as abnormal_days,
            not_below_zero(minutes_between(job_stages.reported_at, job_stages.arrived_at)) as report_to_arrive,
            coalesce(out_at_arrival.customers, 0)::double as customers_out_at_arrival,
            case when job_stages.arrive_to_locate_min is not null
                then job_stages.arrive_to_locate_customer_minutes end as arrive_to_locate_customer_minutes
        from core.job_stages as job_stages
        inner join core.job_groups as job_groups on job_groups.job_id = job_stages.job_id
        left join out_at_arrival on out_at_arrival.job_id = job_stages.job_id
        order by job_stages.job_id
    """).df()


def read_days(con: duckdb.DuckDBPyConnection) -> pd.DataFrame:
    """One row a day with a job: its SAIDI by sustained interruptions, and whether the source excludes it."""
    return con.execute("""
        with served as (
            select year, case when count(*) = count(customers_served) then sum(customers_served) end as customers_served
            from core.customers_served group by year
        )
        select
            job_stages.reported_on,
            count(*) as jobs,
            sum(job_stages.customer_minutes_sustained) / nullif(any_value(served.customers_served), 0) as saidi_min,
            bool_or(job_stages.is_major_event) as is_flagged
        from core.job_stages as job_stages
        left join served on served.year = job_stages.reported_year
        group by job_stages.reported_on
        order by job_stages.reported_on
    """).df()


def read_class_rates(con: duckdb.DuckDBPyConnection) -> pd.DataFrame:
    """Failures per km and year by class, over all ages: enough to weigh the sections of one loop."""
    found = con.execute("""
        select
            exposure.cable_class,
            any_value(exposure.km_years) as km_years,
            count(failures.job_id)::double as failures
        from (
            -- summed in one order: a sum of floats depends on it, and the same input must give the same bytes
            select
                cable_class,
                coalesce(list_sum(list(exposure_km_years order by section_id)), 0) as km_years
            from core.section_exposure where cable_class is not null group by cable_class
        ) as exposure
        left join core.failures as failures
            on failures.cable_class = exposure.cable_class and failures.is_counted
        group by exposure.cable_class
        order by exposure.cable_class
    """).df()
    return found.assign(rate=fit_class_rates(found["failures"].to_numpy(), found["km_years"].to_numpy()))


def read_searches(con: duckdb.DuckDBPyConnection, rates: pd.DataFrame) -> pd.DataFrame:
    """One row a job with tests: how many, and the least that its half-loop needs."""
    con.register("class_rates", rates)
    try:
        found = con.execute("""
            with shots as (
                select job_id, count(*) as shots from staging.test_shots group by job_id
            ),
            tested as (
                select
                    job_stages.job_id, job_stages.reported_on, job_stages.arrive_to_locate_min,
                    coalesce(job_stages.test_shots, shots.shots) as tests, half.half_loop_id
                from core.job_stages as job_stages
                inner join core.section_exposure as half on half.section_id = job_stages.section_id
                left join shots on shots.job_id = job_stages.job_id
                -- a fault seen from above ground was not searched for by testing
                where coalesce(job_stages.test_shots, shots.shots) >= 1
                    and job_stages.method is distinct from 'visual'
            )
            select
                tested.job_id, any_value(tested.tests)::double as tests,
                any_value(tested.arrive_to_locate_min) as locate_min,
                list(rates.rate * sections.length_km order by sections.position, sections.section_id) as chances
            from tested
            inner join core.section_exposure as sections
                on sections.half_loop_id = tested.half_loop_id
                and coalesce(sections.installed_on, date '1900-01-01') <= tested.reported_on
                and coalesce(sections.retired_on, date '9999-12-31') >= tested.reported_on
            inner join class_rates as rates on rates.cable_class = sections.cable_class
            group by tested.job_id
            order by tested.job_id
        """).df()
    finally:
        con.unregister("class_rates")
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


def read_loop_rates(con: duckdb.DuckDBPyConnection, rates: pd.DataFrame) -> pd.DataFrame:
    """One row a job: failures a year to be expected of its whole loop on the day of the report."""
    con.register("class_rates", rates)
    try:
        return con.execute("""
            select
                job_stages.job_id,
                coalesce(list_sum(list(rates.rate * sections.length_km order by sections.section_id)), 0)
                    as loop_failures_per_year
            from core.job_stages as job_stages
            left join core.section_exposure as sections
                on sections.loop_id = job_stages.loop_id
                and coalesce(sections.installed_on, date '1900-01-01') <= job_stages.reported_on
                and coalesce(sections.retired_on, date '9999-12-31') >= job_stages.reported_on
            left join class_rates as rates on rates.cable_class = sections.cable_class
            group by job_stages.job_id
            order by job_stages.job_id
        """).df()
    finally:
        con.unregister("class_rates")


def find_known_until(con: duckdb.DuckDBPyConnection) -> pd.Timestamp:
    """The last moment the file knows of: the last closing, or the last report where it is later."""
    row = con.execute("select greatest(max(closed_at), max(reported_at)) from core.job_stages").fetchone()
    return pd.Timestamp(row[0]) if row and row[0] is not None else pd.Timestamp("1970-01-01", tz="UTC")
