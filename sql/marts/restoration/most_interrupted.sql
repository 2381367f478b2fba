-- One row is a half-loop that had two or more sustained interruptions in a period: a calendar year or the last 12 months.
-- Reads: core.job_stages, core.section_exposure, marts.programme, settings.current
-- Key: period, rank
-- Units: customers; customer-minutes of the sustained interruptions; minutes
-- Why: the names behind the customers with repeated interruptions: customers as restoration_customers counts them
with

jobs as (
    select
        job_stages.job_id,
        half_loops.half_loop_id,
        half_loops.loop_id,
        job_stages.reported_year,
        job_stages.customer_minutes_sustained,
        job_stages.report_to_restore_min,
        job_stages.reported_on > current.general_as_of - interval 12 month as is_of_last_months,
        current.general_as_of::date as as_of
    from core.job_stages as job_stages
    -- section_id is the key of section_exposure; a job without a known section lies on no half-loop
    inner join core.section_exposure as half_loops on half_loops.section_id = job_stages.section_id
    -- one row in all
    cross join settings.current as current
    where job_stages.is_sustained
),

in_periods as (
    select
        reported_year::varchar as period,
        make_date(reported_year, 7, 1) as customers_on,
        jobs.*
    from jobs
    union all
    select
        'last 12 months' as period,
        as_of as customers_on,
        jobs.*
    from jobs
    where is_of_last_months
),

hit as (
    select
        period,
        customers_on,
        half_loop_id,
        any_value(loop_id) as loop_id,
        count(*) as interruptions,
        exact_sum(customer_minutes_sustained) as customer_minutes,
        max(report_to_restore_min) as longest_min,
        string_agg(job_id, ' ' order by job_id) as job_ids
    from in_periods
    group by period, customers_on, half_loop_id
    having count(*) >= 2
),

supplied as (
    select
        hit.period,
        hit.half_loop_id,
        any_value(sections.district_id) as district_id,
        coalesce(sum(sections.customers) filter (
            where in_service_on(hit.customers_on, sections.in_service_from, sections.retired_on)
            -- of cable replaced on that very day the successor supplies them: nobody is counted twice
            and sections.retired_on is distinct from hit.customers_on
        ), 0)::bigint as customers,
        count(programme.section_id) > 0 as is_in_programme
    from hit
    -- many sections to a half-loop, summed back to it
    inner join core.section_exposure as sections on sections.half_loop_id = hit.half_loop_id
    -- section_id is the key of the programme
    left join marts.programme as programme on programme.section_id = sections.section_id
    group by hit.period, hit.half_loop_id
)

select
    row_number() over (
        partition by hit.period
        order by hit.interruptions desc, hit.customer_minutes desc nulls last, hit.half_loop_id
    ) as rank,
    supplied.district_id,
    hit.loop_id,
    hit.half_loop_id,
    supplied.customers,
    hit.interruptions,
    hit.customer_minutes,
    hit.longest_min,
    hit.period,
    supplied.is_in_programme,
    hit.job_ids
from hit
-- one row a half-loop and period on both sides
inner join supplied on supplied.period = hit.period and supplied.half_loop_id = hit.half_loop_id
