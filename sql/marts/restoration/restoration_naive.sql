-- One row is a group of jobs with restoration steps, and what the naive figure makes of them.
-- Reads: core.job_groups, core.restoration_blocks
-- Key: grouped_by, group_name
-- Units: customer-minutes; per cent
-- Why: the naive figure has everyone out until the last customer is back; steps show how far that overstates
with

step_jobs as (
    select
        job_id,
        sum(customers) as customers,
        max(minutes_out) as last_minutes_out,
        exact_sum(customers * minutes_out) as customer_minutes
    from core.restoration_blocks
    where is_from_steps and minutes_out is not null
    group by job_id
),

jobs as (
    select
        job_groups.*,
        step_jobs.customer_minutes,
        step_jobs.customers * step_jobs.last_minutes_out as naive_minutes
    from step_jobs
    -- one row a job on both sides
    inner join core.job_groups as job_groups on job_groups.job_id = step_jobs.job_id
)

select
    case
        when grouping("all") = 0 then 'all'
        when grouping(district) = 0 then 'district'
        when grouping(configuration) = 0 then 'configuration'
        else 'loop_size'
    end as grouped_by,
    coalesce("all", district, configuration, loop_size) as group_name,
    count(*) as jobs,
    exact_sum(customer_minutes) as customer_minutes,
    exact_sum(naive_minutes) as customer_minutes_naive,
    100.0 * (exact_sum(naive_minutes) / nullif(exact_sum(customer_minutes), 0) - 1) as overstated_pct
from jobs
group by grouping sets (("all"), (district), (configuration), (loop_size))
