-- One row is a closed job: its groups, the minutes of its stages and clocks, and what else the figures stand on.
-- Reads: core.job_stages, core.job_groups, core.restoration_blocks
-- Key: job_id
-- Units: minutes, days, customers
-- Why: three clocks, never mixed: until the customers are back, until the crew knows where to dig, until normal switching
with

out_at_arrival as (
    select
        job_stages.job_id,
        sum(blocks.customers) as customers
    from core.job_stages as job_stages
    -- many blocks to a job, summed back to it
    inner join core.restoration_blocks as blocks
        on blocks.job_id = job_stages.job_id
        and blocks.minutes_out >= minutes_between(job_stages.reported_at, job_stages.arrived_at)
    group by job_stages.job_id
)

select
    job_groups.* replace (job_groups.year::varchar as year),
    job_stages.report_to_dispatch_min as report_to_dispatch,
    job_stages.dispatch_to_arrive_min as dispatch_to_arrive,
    job_stages.arrive_to_locate_min as arrive_to_locate,
    job_stages.locate_to_restore_min as locate_to_restore,
    job_stages.report_to_restore_min as report_to_restore,
    job_stages.locate_to_pinpoint_min as locate_to_pinpoint,
    job_stages.restore_to_repair_min as restore_to_repair,
    job_stages.repair_to_normal_min as repair_to_normal,
    job_stages.repair_to_close_min as repair_to_close,
    job_stages.report_to_restore_min as customer_clock,
    job_stages.arrive_to_pinpoint_min as crew_clock,
    job_stages.report_to_normal_min as asset_clock,
    job_stages.arrive_to_locate_min as time_to_locate,
    job_stages.report_to_restore_min as time_to_restore,
    job_stages.report_to_normal_min / 1440.0 as abnormal_days,
    not_below_zero(minutes_between(job_stages.reported_at, job_stages.arrived_at)) as report_to_arrive,
    job_stages.reported_at,
    job_stages.closed_at,
    job_stages.reported_month,
    job_stages.reported_on,
    job_stages.sections_on_loop,
    job_stages.is_night,
    coalesce(job_stages.configuration = 'radial', false) as is_radial,
    job_stages.customer_minutes,
    coalesce(out_at_arrival.customers, 0)::double as customers_out_at_arrival,
    case
        when job_stages.arrive_to_locate_min is not null then job_stages.arrive_to_locate_customer_minutes
    end as arrive_to_locate_customer_minutes
from core.job_stages as job_stages
-- one row a job on both sides, twice
inner join core.job_groups as job_groups on job_groups.job_id = job_stages.job_id
left join out_at_arrival on out_at_arrival.job_id = job_stages.job_id
