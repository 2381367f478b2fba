-- One row is a closed job with its groups, the length of every stage, its customers and customer-minutes.
-- Reads: core.job_stages, core.job_groups
-- Key: job_id
-- Units: minutes, customers
-- Why: every restoration figure can be worked out again from these rows; crews are left out
select
    jobs.job_id,
    jobs.district_id,
    jobs.loop_id,
    jobs.section_id,
    jobs.cable_class,
    jobs.configuration,
    job_groups.loop_size,
    jobs.method,
    jobs.cause,
    jobs.failed_component,
    jobs.reported_on,
    jobs.reported_month,
    jobs.reported_year,
    jobs.report_to_dispatch_min,
    jobs.dispatch_to_arrive_min,
    jobs.arrive_to_locate_min,
    jobs.locate_to_restore_min,
    jobs.report_to_restore_min,
    jobs.locate_to_pinpoint_min,
    jobs.restore_to_repair_min,
    jobs.repair_to_normal_min,
    jobs.repair_to_close_min,
    jobs.customers_interrupted,
    jobs.customer_minutes,
    jobs.customers_sustained,
    jobs.customer_minutes_sustained,
    jobs.is_sustained,
    jobs.is_night,
    jobs.is_restoration_doubted,
    job_groups.cluster
from core.job_stages as jobs
-- one row a job on both sides
inner join core.job_groups as job_groups on job_groups.job_id = jobs.job_id
