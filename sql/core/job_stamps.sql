-- One row is a closed job with the stamps that can be used for a length of time.
-- Reads: staging.jobs, staging.restoration_steps, settings.current
-- Key: job_id
-- Units: UTC
-- Why: DEVELOPERS.md, Definitions: a date only is no time; a restoration that is the closing of the paper, days later, is none
with

jobs as (
    select
        job_id,
        customers_interrupted,
        customer_minutes as source_minutes,
        usable_stamp(reported_at, 'reported_at', date_only_columns) as reported_at,
        usable_stamp(dispatched_at, 'dispatched_at', date_only_columns) as dispatched_at,
        usable_stamp(arrived_at, 'arrived_at', date_only_columns) as arrived_at,
        usable_stamp(located_at, 'located_at', date_only_columns) as located_at,
        usable_stamp(restored_at, 'restored_at', date_only_columns) as restored_at,
        usable_stamp(pinpointed_at, 'pinpointed_at', date_only_columns) as pinpointed_at,
        usable_stamp(repaired_at, 'repaired_at', date_only_columns) as repaired_at,
        usable_stamp(normal_at, 'normal_at', date_only_columns) as normal_at,
        usable_stamp(closed_at, 'closed_at', date_only_columns) as closed_at
    from staging.jobs
),

last_steps as (
    select
        job_id,
        max(step_at) as last_step_at
    from staging.restoration_steps
    group by job_id
),

judged as (
    select
        jobs.*,
        last_steps.last_step_at,
        -- on the very moment of the closing and more than a day after the report: the paper was closed in a batch
        coalesce(
            (jobs.restored_at = jobs.closed_at and minutes_between(jobs.reported_at, jobs.restored_at) > 1440)
            or minutes_between(jobs.reported_at, jobs.restored_at) > 1440 * current.restoration_longest_accepted_days,
            false
        ) as is_restoration_doubted
    from jobs
    -- one row a job on both sides
    left join last_steps on last_steps.job_id = jobs.job_id
    -- settings.current is one row
    cross join settings.current as current
)

select
    job_id,
    customers_interrupted,
    source_minutes,
    reported_at,
    dispatched_at,
    arrived_at,
    located_at,
    -- the last switching step knows better, where there is one
    case when is_restoration_doubted then last_step_at else restored_at end as restored_at,
    pinpointed_at,
    repaired_at,
    normal_at,
    closed_at,
    is_restoration_doubted
from judged
