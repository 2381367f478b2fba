-- One row is a closed job on a loop with two ends whose restoration steps all say how many customers they brought back.
-- Reads: staging.jobs, staging.loops, staging.restoration_steps
-- Key: job_id
-- Units: customers
-- Why: a count of the whole loop's customers, of which the steps brought back one half, counts both halves
with

steps as (
    select
        job_id,
        sum(customers_restored) as customers_back
    from staging.restoration_steps
    group by job_id
    having count(*) = count(customers_restored)
)

select
    jobs.job_id,
    jobs.customers_interrupted,
    steps.customers_back,
    loops.customers as loop_customers
from staging.jobs as jobs
-- one row a job, and a loop
inner join steps on steps.job_id = jobs.job_id
inner join staging.loops as loops on loops.loop_id = jobs.loop_id
where jobs.customers_interrupted is not null
    and loops.customers > 0
    and coalesce(loops.configuration, '') <> 'radial'
