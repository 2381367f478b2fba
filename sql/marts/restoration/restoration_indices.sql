-- One row is a calendar year on one basis, with or without the major event days of one kind.
-- Reads: core.job_stages, core.customers_served_by_year, marts.restoration_bases, marts.restoration_major_events, fitted.major_event_threshold, settings.current
-- Key: year, basis, is_without_major_events, days_left_out_by
-- Units: minutes and interruptions per customer served
-- Why: IEEE Std 1366 indices of cable faults alone; jobs whose minutes are unknown are counted, and the indices bounded.
-- The days are decided once, as recorded, so that the bases differ by what they count alone
with

bases as (
    select unnest(['as_recorded', 'reconciled', 'duplicates_joined']) as basis
),

-- empty where every day is in
kinds as (
    select unnest(['', 'utility', 'threshold']) as days_left_out_by
),

days as (
    select
        kinds.days_left_out_by,
        major.reported_on
    from marts.restoration_major_events as major
    -- a day may be of both kinds
    inner join kinds
        on (kinds.days_left_out_by = 'utility' and major.is_flagged)
        or (kinds.days_left_out_by = 'threshold' and major.is_over_threshold)
),

jobs as (
    select
        bases.basis,
        job_stages.reported_year as year,
        job_stages.reported_on,
        coalesce(changed.customers_interrupted, job_stages.customers_interrupted) as customers_interrupted,
        coalesce(changed.customers_sustained, job_stages.customers_sustained) as customers_sustained,
        coalesce(changed.customer_minutes_sustained, job_stages.customer_minutes_sustained) as minutes_sustained,
        job_stages.outage_at_most_min,
        changed.counted_otherwise in ('both_halves_counted', 'more_came_back', 'step_missing') as is_reconciled,
        coalesce(changed.counted_otherwise = 'joined_away', false) as is_joined_away
    from core.job_stages as job_stages
    -- each job on every basis
    cross join bases
    -- one row a job and basis
    left join marts.restoration_bases as changed on changed.job_id = job_stages.job_id and changed.basis = bases.basis
),

by_day as (
    select
        basis,
        year,
        reported_on,
        count(*) filter (where not is_joined_away) as jobs,
        count(*) filter (where minutes_sustained is null and not is_joined_away) as jobs_without_minutes,
        count(*) filter (where is_reconciled) as jobs_reconciled,
        count(*) filter (where is_joined_away) as jobs_joined,
        sum(customers_sustained) as customers_sustained,
        sum(customers_interrupted - customers_sustained) as customers_momentary,
        sum(minutes_sustained::decimal(38, 12)) as customer_minutes_sustained,
        sum(customers_sustained) filter (where minutes_sustained is not null) as customers_of_minutes
    from jobs
    group by basis, year, reported_on
),

grouped as (
    select
        by_day.basis,
        kinds.days_left_out_by,
        by_day.year,
        sum(by_day.jobs)::bigint as jobs,
        sum(by_day.jobs_without_minutes)::bigint as jobs_without_minutes,
        sum(by_day.jobs_reconciled)::bigint as jobs_reconciled,
        sum(by_day.jobs_joined)::bigint as jobs_joined,
        sum(by_day.customers_sustained)::bigint as customers_sustained,
        sum(by_day.customers_momentary)::bigint as customers_momentary,
        sum(by_day.customer_minutes_sustained)::double as customer_minutes_sustained,
        sum(by_day.customers_of_minutes)::bigint as customers_of_minutes
    from by_day
    -- each day counts in every view, unless it is left out there
    cross join kinds
    anti join days on days.days_left_out_by = kinds.days_left_out_by and days.reported_on = by_day.reported_on
    group by by_day.basis, kinds.days_left_out_by, by_day.year
),

-- jobs without an end, each taken at its longest; the longest first, since the mean of a wait is largest with some of them
without_end as (
    select
        jobs.basis,
        kinds.days_left_out_by,
        jobs.year,
        jobs.customers_sustained as customers,
        jobs.customers_sustained * jobs.outage_at_most_min as minutes,
        jobs.outage_at_most_min > current.restoration_sustained_min as is_perhaps_sustained,
        current.restoration_sustained_min as sustained_min,
        sum(jobs.customers_sustained) over longest_first as customers_so_far,
        sum((jobs.customers_sustained * jobs.outage_at_most_min)::decimal(38, 12)) over longest_first as minutes_so_far
    from jobs
    -- as in grouped
    cross join kinds
    anti join days on days.days_left_out_by = kinds.days_left_out_by and days.reported_on = jobs.reported_on
    -- settings.current is one row
    cross join settings.current as current
    where jobs.outage_at_most_min is not null and not jobs.is_joined_away
    window longest_first as (
        partition by jobs.basis, kinds.days_left_out_by, jobs.year
        order by jobs.outage_at_most_min desc range between unbounded preceding and current row
    )
),

bounded as (
    select
        grouped.basis,
        grouped.days_left_out_by,
        grouped.year,
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
        and without_end.basis = grouped.basis
        and without_end.days_left_out_by = grouped.days_left_out_by
    group by grouped.basis, grouped.days_left_out_by, grouped.year
),

days_by_year as (
    select
        days_left_out_by,
        year(reported_on) as year,
        count(*) as days_left_out
    from days
    group by days_left_out_by, year(reported_on)
)

select
    grouped.year,
    grouped.days_left_out_by <> '' as is_without_major_events,
    grouped.jobs,
    case
        when grouped.days_left_out_by = 'utility' and not exists (select 1 from days where days_left_out_by = 'utility') then null
        when grouped.days_left_out_by = 'threshold' and threshold.threshold_min is null then null
        else coalesce(days_by_year.days_left_out, 0)
    end as days_left_out,
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
    ) as caidi_most_min,
    grouped.basis,
    grouped.days_left_out_by,
    case when grouped.days_left_out_by = 'threshold' then threshold.threshold_min end as threshold_min,
    grouped.jobs_reconciled,
    grouped.jobs_joined,
    case
        when coalesce(served.customers_served, 0) = 0 then 'the customers served of the year are not known'
        when grouped.customer_minutes_sustained is null then 'no job of the year has known minutes'
        when grouped.customers_sustained is null then 'no job of the year has known customers'
        when grouped.customers_sustained = 0 then 'no sustained interruption to divide by'
        when grouped.customers_of_minutes < grouped.customers_sustained
            then grouped.customers_sustained - grouped.customers_of_minutes
            || ' customers of jobs without known minutes are in SAIFI, and in neither SAIDI nor CAIDI'
    end as why_not_equal
from grouped
-- one row a year and view
inner join bounded
    on bounded.year = grouped.year
    and bounded.basis = grouped.basis
    and bounded.days_left_out_by = grouped.days_left_out_by
-- one row a year and kind of days
left join days_by_year
    on days_by_year.year = grouped.year
    and days_by_year.days_left_out_by = grouped.days_left_out_by
-- one row a year
left join fitted.major_event_threshold as threshold on threshold.year = grouped.year
-- one row a year
left join core.customers_served_by_year as served on served.year = grouped.year
