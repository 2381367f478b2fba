-- One row is a job that a basis of the indices counts otherwise than it is recorded.
-- Reads: core.job_stages, core.restoration_blocks, staging.loops, marts.job_clusters, settings.current
-- Key: job_id, basis
-- Units: customers, customer-minutes
-- Why: what a basis changes can be looked up job by job; minutes that the source states itself are left as they are
with

stepped as (
    select
        job_id,
        sum(customers)::bigint as customers_back,
        max(minutes_out) as last_back_min
    from core.restoration_blocks
    where is_from_steps
    group by job_id
    having count(*) = count(minutes_out)
),

-- a job opened again interrupted its customers again: only what was entered twice is one interruption
joins as (
    select
        job_id,
        joined_with
    from marts.job_clusters
    where likeness = 'entered_twice' and coalesce(cluster_decision, '') = ''
),

-- the interruption began with the earliest report of those joined
first_reports as (
    select
        joins.joined_with as job_id,
        min(gone.reported_at) as first_reported_at
    from joins
    -- job_id is the key of job_stages
    inner join core.job_stages as gone on gone.job_id = joins.job_id
    group by joins.joined_with
),

judged as (
    select
        job_stages.job_id,
        job_stages.reported_year,
        job_stages.customers_interrupted,
        stepped.customers_back,
        greatest(stepped.last_back_min, job_stages.report_to_restore_min) as last_back_min,
        joins.job_id is not null as is_joined_away,
        coalesce(not_below_zero(minutes_between(first_reports.first_reported_at, job_stages.reported_at)), 0)
            * (job_stages.minutes_from = 'blocks')::integer as minutes_sooner,
        case
            when job_stages.minutes_from <> 'blocks' then null
            when stepped.customers_back > job_stages.customers_interrupted then 'more_came_back'
            when stepped.customers_back < job_stages.customers_interrupted
                then if(
                    job_stages.customers_interrupted = loops.customers and coalesce(loops.configuration, '') <> 'radial',
                    'both_halves_counted',
                    'step_missing'
                )
        end as counted_otherwise
    from core.job_stages as job_stages
    -- one row a loop, and one row a job, three times
    inner join staging.loops as loops on loops.loop_id = job_stages.loop_id
    left join stepped on stepped.job_id = job_stages.job_id
    left join joins on joins.job_id = job_stages.job_id
    left join first_reports on first_reports.job_id = job_stages.job_id
),

changed as (
    select
        judged.job_id,
        bases.basis,
        judged.reported_year,
        case
            when bases.basis = 'duplicates_joined' and judged.is_joined_away then 'joined_away'
            else coalesce(judged.counted_otherwise, 'reported_sooner')
        end as counted_otherwise,
        if(
            judged.counted_otherwise in ('more_came_back', 'both_halves_counted'),
            judged.customers_back,
            judged.customers_interrupted
        ) as customers_interrupted,
        if(judged.counted_otherwise = 'step_missing', judged.customers_interrupted - judged.customers_back, null)
            as customers_left,
        judged.last_back_min,
        if(bases.basis = 'duplicates_joined', judged.minutes_sooner, 0) as minutes_sooner
    from judged
    -- each job in both bases, on purpose
    cross join (select unnest(['reconciled', 'duplicates_joined']) as basis) as bases
    where judged.counted_otherwise is not null
        or (bases.basis = 'duplicates_joined' and (judged.is_joined_away or judged.minutes_sooner > 0))
),

-- whom no step brought back, though they were out, came back at the end
waited as (
    select
        changed.job_id,
        changed.basis,
        blocks.customers,
        blocks.minutes_out + changed.minutes_sooner as minutes_out
    from changed
    -- many blocks to a job, summed back to it
    inner join core.restoration_blocks as blocks on blocks.job_id = changed.job_id
    union all
    select
        job_id,
        basis,
        customers_left,
        last_back_min + minutes_sooner
    from changed
    where customers_left is not null
),

summed as (
    select
        waited.job_id,
        waited.basis,
        coalesce(sum(if(waited.minutes_out <= current.restoration_sustained_min, waited.customers, 0)), 0)
            as customers_back_soon,
        exact_sum(if(waited.minutes_out <= current.restoration_sustained_min, 0, waited.customers * waited.minutes_out))
            as minutes_sustained
    from waited
    -- settings.current is one row
    cross join settings.current as current
    group by waited.job_id, waited.basis
)

select
    changed.job_id,
    changed.basis,
    changed.reported_year,
    changed.counted_otherwise,
    if(changed.counted_otherwise = 'joined_away', 0, changed.customers_interrupted) as customers_interrupted,
    if(
        changed.counted_otherwise = 'joined_away',
        0,
        not_below_zero(changed.customers_interrupted - summed.customers_back_soon)
    )::bigint as customers_sustained,
    if(changed.counted_otherwise = 'joined_away', 0, summed.minutes_sustained) as customer_minutes_sustained
from changed
-- one row a job and basis on both sides
inner join summed on summed.job_id = changed.job_id and summed.basis = changed.basis
