-- One row is a calendar year, with or without the major event days.
-- Reads: core.job_stages, core.customers_served_by_year, marts.restoration_major_events
-- Key: year, is_without_major_events
-- Units: minutes and interruptions per customer served
-- Why: IEEE Std 1366 indices of cable faults alone; jobs whose minutes are unknown are counted
with

major_days as (
    select reported_on
    from marts.restoration_major_events
    where is_major_event_day
),

jobs as (
    select
        job_stages.reported_year as year,
        job_stages.reported_on,
        major_days.reported_on is not null as is_major,
        job_stages.customers_interrupted,
        job_stages.customers_sustained,
        job_stages.customer_minutes,
        job_stages.customer_minutes_sustained as minutes_sustained,
        case when job_stages.customer_minutes is not null then job_stages.customers_sustained end
            as customers_of_minutes
    from core.job_stages as job_stages
    -- one row a day
    left join major_days on major_days.reported_on = job_stages.reported_on
),

views as (
    select unnest([false, true]) as is_without_major_events
),

grouped as (
    select
        jobs.year,
        views.is_without_major_events,
        count(*) as jobs,
        count(*) filter (where jobs.customer_minutes is null) as jobs_without_minutes,
        sum(jobs.customers_sustained)::bigint as customers_sustained,
        sum(jobs.customers_interrupted - jobs.customers_sustained)::bigint as customers_momentary,
        exact_sum(jobs.minutes_sustained) as customer_minutes_sustained,
        sum(jobs.customers_of_minutes)::bigint as customers_of_minutes
    from jobs
    -- each job counts in both views, unless it fell on a major event day
    inner join views on not (views.is_without_major_events and jobs.is_major)
    group by jobs.year, views.is_without_major_events
),

days as (
    select
        year(reported_on) as year,
        count(*) as major_event_days
    from major_days
    group by year(reported_on)
)

select
    grouped.year,
    grouped.is_without_major_events,
    grouped.jobs,
    case when grouped.is_without_major_events then coalesce(days.major_event_days, 0) else 0 end as days_left_out,
    served.customers_served,
    grouped.customers_sustained,
    grouped.customers_momentary,
    grouped.customer_minutes_sustained,
    grouped.customer_minutes_sustained / nullif(served.customers_served, 0) as saidi_min,
    grouped.customers_sustained / nullif(served.customers_served, 0) as saifi,
    grouped.customer_minutes_sustained / nullif(grouped.customers_of_minutes, 0) as caidi_min,
    grouped.customers_momentary / nullif(served.customers_served, 0) as maifi,
    grouped.jobs_without_minutes
from grouped
-- one row a year
left join days on days.year = grouped.year
-- one row a year
left join core.customers_served_by_year as served on served.year = grouped.year
