-- One row is a calendar year, with or without the major event days.
-- Reads: core.job_stages, core.customers_served_by_year, marts.restoration_major_events, settings.current
-- Key: year, is_without_major_events
-- Units: minutes and interruptions per customer served
-- Why: IEEE Std 1366 indices of cable faults alone; jobs whose minutes are unknown are counted, and the indices bounded
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
            as customers_of_minutes,
        job_stages.outage_at_most_min
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

-- jobs without an end, each taken at its longest; the longest first, since the mean of a wait is largest with some of them
without_end as (
    select
        jobs.year,
        views.is_without_major_events,
        jobs.customers_sustained as customers,
        jobs.customers_sustained * jobs.outage_at_most_min as minutes,
        jobs.outage_at_most_min > current.restoration_sustained_min as is_perhaps_sustained,
        current.restoration_sustained_min as sustained_min,
        sum(jobs.customers_sustained) over longest_first as customers_so_far,
        sum((jobs.customers_sustained * jobs.outage_at_most_min)::decimal(38, 12)) over longest_first as minutes_so_far
    from jobs
    -- as in grouped
    inner join views on not (views.is_without_major_events and jobs.is_major)
    -- settings.current is one row
    cross join settings.current as current
    where jobs.outage_at_most_min is not null
    window longest_first as (
        partition by jobs.year, views.is_without_major_events
        order by jobs.outage_at_most_min desc range between unbounded preceding and current row
    )
),

bounded as (
    select
        grouped.year,
        grouped.is_without_major_events,
        count(without_end.customers) as jobs_without_end,
        coalesce(sum(without_end.customers), 0) as customers_without_end,
        coalesce(sum(without_end.customers) filter (where without_end.is_perhaps_sustained), 0) as customers_more,
        coalesce(exact_sum(case when without_end.is_perhaps_sustained then without_end.minutes end), 0) as minutes_more,
        max(without_end.sustained_min) as sustained_min,
        max((coalesce(grouped.customer_minutes_sustained, 0) + without_end.minutes_so_far)
            / nullif(coalesce(grouped.customers_of_minutes, 0) + without_end.customers_so_far, 0))
            filter (where without_end.is_perhaps_sustained) as longest_mean
    from grouped
    -- many jobs to a year, summed back to it
    left join without_end
        on without_end.year = grouped.year
        and without_end.is_without_major_events = grouped.is_without_major_events
    group by grouped.year, grouped.is_without_major_events
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
    grouped.jobs_without_minutes,
    bounded.jobs_without_end,
    coalesce(grouped.customer_minutes_sustained, 0) / nullif(served.customers_served, 0) as saidi_least_min,
    (coalesce(grouped.customer_minutes_sustained, 0) + bounded.minutes_more) / nullif(served.customers_served, 0)
        as saidi_most_min,
    (grouped.customers_sustained - bounded.customers_without_end) / nullif(served.customers_served, 0) as saifi_least,
    (grouped.customers_sustained - bounded.customers_without_end + bounded.customers_more)
        / nullif(served.customers_served, 0) as saifi_most,
    least(
        grouped.customer_minutes_sustained / nullif(grouped.customers_of_minutes, 0),
        (coalesce(grouped.customer_minutes_sustained, 0) + bounded.sustained_min * nullif(bounded.customers_more, 0))
            / (coalesce(grouped.customers_of_minutes, 0) + bounded.customers_more)
    ) as caidi_least_min,
    greatest(
        grouped.customer_minutes_sustained / nullif(grouped.customers_of_minutes, 0),
        bounded.longest_mean
    ) as caidi_most_min
from grouped
-- one row a year and view
inner join bounded
    on bounded.year = grouped.year
    and bounded.is_without_major_events = grouped.is_without_major_events
-- one row a year
left join days on days.year = grouped.year
-- one row a year
left join core.customers_served_by_year as served on served.year = grouped.year
