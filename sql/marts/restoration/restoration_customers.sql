-- One row is a calendar year, a measure and its threshold: the customers who had that many or such long interruptions.
-- Reads: core.job_stages, core.section_exposure, core.restoration_blocks, core.customers_served_by_year
-- Key: year, measure, threshold
-- Units: customers; shares between 0 and 1
-- Why: CEMI and CELID of IEEE Std 1366 ("n or more") by half-loop: a fault interrupts the half-loop it lies on
with

jobs as (
    select
        job_stages.job_id,
        job_stages.reported_year as year,
        half_loops.half_loop_id,
        job_stages.reported_on,
        job_stages.customers_sustained
    from core.job_stages as job_stages
    -- section_id is the key of section_exposure; a job without a known section lies on no half-loop
    inner join core.section_exposure as half_loops on half_loops.section_id = job_stages.section_id
    where job_stages.is_sustained
),

hit as (
    select
        year,
        half_loop_id,
        count(*) as interruptions
    from jobs
    group by year, half_loop_id
),

-- customers supplied by the half-loop's cable in service in the middle of the year
supplied as (
    select
        hit.year,
        hit.half_loop_id,
        hit.interruptions,
        coalesce(sum(sections.customers), 0)::bigint as customers
    from hit
    -- many sections to a half-loop, summed back to it
    left join core.section_exposure as sections
        on sections.half_loop_id = hit.half_loop_id
        and in_service_on(make_date(hit.year, 7, 1), sections.in_service_from, sections.retired_on)
        -- of cable replaced on that very day the successor supplies them: nobody is counted twice
        and sections.retired_on is distinct from make_date(hit.year, 7, 1)
    group by hit.year, hit.half_loop_id, hit.interruptions
),

cemi as (
    select
        supplied.year,
        'cemi' as measure,
        thresholds.threshold,
        count(*) as half_loops,
        sum(supplied.customers) as customers
    from supplied
    -- a half-loop counts under every threshold it reaches
    inner join (select unnest([1, 2, 3, 4, 5]) as threshold) as thresholds
        on supplied.interruptions >= thresholds.threshold
    group by supplied.year, thresholds.threshold
),

long_jobs as (
    select
        jobs.year,
        jobs.half_loop_id,
        thresholds.threshold,
        jobs.job_id,
        sum(blocks.customers) as customers
    from jobs
    -- many blocks to a job, summed back to it
    inner join core.restoration_blocks as blocks on blocks.job_id = jobs.job_id
    -- a block counts under every threshold it reaches
    inner join (select unnest([4, 8]) as threshold) as thresholds
        on blocks.minutes_out >= 60 * thresholds.threshold
    group by jobs.year, jobs.half_loop_id, thresholds.threshold, jobs.job_id
),

-- whether two long interruptions of a half-loop met the same customers is not known: the larger is counted
celid as (
    select
        year,
        'celid' as measure,
        threshold,
        count(*) as half_loops,
        sum(customers) as customers
    from (
        select
            year,
            half_loop_id,
            threshold,
            max(customers) as customers
        from long_jobs
        group by year, half_loop_id, threshold
    ) as longest
    group by year, threshold
),

both_measures as (
    from cemi
    union all by name
    from celid
)

select
    both_measures.year,
    both_measures.measure,
    both_measures.threshold::bigint as threshold,
    both_measures.half_loops,
    both_measures.customers::bigint as customers,
    both_measures.customers / nullif(served.customers_served, 0) as share_of_served
from both_measures
-- one row a year
left join core.customers_served_by_year as served on served.year = both_measures.year
