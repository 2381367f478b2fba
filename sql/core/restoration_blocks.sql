-- One row is a block of customers of a job who came back together.
-- Reads: core.job_stamps, staging.restoration_steps
-- Key: job_id, block
-- Units: minutes since the report
-- Why: DEVELOPERS.md, Definitions: customer-minutes come from the restoration steps where there are any, else everyone at the last restoration
with

-- where the customers of a step were taken out, the steps do not tell who came back when
told_by_steps as (
    select job_id
    from staging.restoration_steps
    group by job_id
    having count(*) = count(customers_restored)
),

blocks_from_steps as (
    select
        jobs.job_id,
        row_number() over (partition by jobs.job_id order by steps.step_at) as block,
        steps.customers_restored as customers,
        -- a step before the report is a slip of the clock: nobody was out for less than nothing
        not_below_zero(minutes_between(jobs.reported_at, steps.step_at)) as minutes_out,
        true as is_from_steps
    from staging.restoration_steps as steps
    semi join told_by_steps on told_by_steps.job_id = steps.job_id
    -- job_id is the key of jobs, so no step multiplies
    inner join core.job_stamps as jobs on jobs.job_id = steps.job_id
),

blocks_without_steps as (
    select
        jobs.job_id,
        1 as block,
        jobs.customers_interrupted as customers,
        not_below_zero(minutes_between(jobs.reported_at, jobs.restored_at)) as minutes_out,
        false as is_from_steps
    from core.job_stamps as jobs
    anti join told_by_steps on told_by_steps.job_id = jobs.job_id
)

select job_id, block, customers, minutes_out, is_from_steps from blocks_from_steps
union all
select job_id, block, customers, minutes_out, is_from_steps from blocks_without_steps
