-- One row is a part of the customer-minutes of a group of jobs.
-- Reads: core.job_stages, core.job_groups
-- Key: grouped_by, group_name, part
-- Units: customer-minutes; shares between 0 and 1
-- Why: every customer-minute is charged to the stage it passed in; jobs whose minutes are unknown are left out
with

jobs as (
    select
        job_groups.* exclude (year),
        job_groups.year::varchar as year,
        job_stages.* exclude (job_id, configuration, cable_class, method)
    from core.job_stages as job_stages
    -- one row a job on both sides
    inner join core.job_groups as job_groups on job_groups.job_id = job_stages.job_id
    where job_stages.customer_minutes is not null
),

grouped as (
    select
        case
            when grouping("all") = 0 then 'all'
            when grouping(district) = 0 then 'district'
            when grouping(configuration) = 0 then 'configuration'
            when grouping(loop_size) = 0 then 'loop_size'
            else 'year'
        end as grouped_by,
        coalesce("all", district, configuration, loop_size, year) as group_name,
        count(*) as jobs,
        exact_sum(customer_minutes) as total,
        exact_sum(report_to_dispatch_customer_minutes) as report_to_dispatch,
        exact_sum(dispatch_to_arrive_customer_minutes) as dispatch_to_arrive,
        exact_sum(arrive_to_locate_customer_minutes) as arrive_to_locate,
        exact_sum(locate_to_restore_customer_minutes) as locate_to_restore,
        exact_sum(unsplit_customer_minutes) as unsplit
    from jobs
    group by grouping sets (("all"), (district), (configuration), (loop_size), (year))
),

parts as (
    unpivot grouped
    on report_to_dispatch, dispatch_to_arrive, arrive_to_locate, locate_to_restore, unsplit
    into name part value customer_minutes
)

select
    grouped_by,
    group_name,
    part,
    jobs,
    customer_minutes,
    customer_minutes / nullif(total, 0) as share_of_minutes
from parts
