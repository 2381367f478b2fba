-- One row is a moment of a closed job: a stamp, a restoration step or a test shot.
-- Reads: core.job_stages, core.restoration_blocks, staging.restoration_steps, staging.test_shots
-- Key: job_id, "at", moment
-- Units: UTC; minutes since the report; customers
-- Why: a job can be read in the order in which it happened; customers out by the steps, without steps by the last restoration
with

stamps as (
    unpivot (
        select
            job_id,
            reported_at as reported,
            dispatched_at as dispatched,
            arrived_at as arrived,
            located_at as located,
            restored_at as restored,
            pinpointed_at as pinpointed,
            repaired_at as repaired,
            normal_at as normal,
            closed_at as closed
        from core.job_stages
    )
    on reported, dispatched, arrived, located, restored, pinpointed, repaired, normal, closed
    into name moment value "at"
),

steps as (
    select
        job_id,
        'step ' || row_number() over (partition by job_id order by step_at) as moment,
        step_at as "at"
    from staging.restoration_steps
    where step_at is not null
),

shots as (
    select
        job_id,
        'test ' || shot_no as moment,
        shot_at as "at"
    from staging.test_shots
    where shot_at is not null
),

moments as (
    from stamps
    union all by name
    from steps
    union all by name
    from shots
),

placed as (
    select
        moments.job_id,
        jobs.loop_id,
        jobs.section_id,
        jobs.district_id,
        moments.moment,
        moments."at",
        minutes_between(jobs.reported_at, moments."at") as minutes_since_report,
        jobs.customers_interrupted
    from moments
    -- job_id is the key of job_stages; steps and shots of other jobs have no place
    inner join core.job_stages as jobs on jobs.job_id = moments.job_id
),

-- customers back by each moment, from blocks whose end is known
back as (
    select
        placed.job_id,
        placed.moment,
        sum(blocks.customers) filter (where blocks.minutes_out <= placed.minutes_since_report) as customers_back,
        count(*) = count(blocks.minutes_out) and count(*) = count(blocks.customers) as is_known
    from placed
    -- many blocks to a moment, summed back to it
    inner join core.restoration_blocks as blocks on blocks.job_id = placed.job_id
    group by placed.job_id, placed.moment
)

select
    placed.job_id,
    placed.loop_id,
    placed.section_id,
    placed.district_id,
    placed.moment,
    placed."at",
    placed.minutes_since_report,
    case
        when back.is_known
            then greatest(placed.customers_interrupted - coalesce(back.customers_back, 0), 0)::bigint
    end as customers_out
from placed
-- job_id and moment are the key of back
left join back on back.job_id = placed.job_id and back.moment = placed.moment
