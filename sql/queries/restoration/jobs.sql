-- One row is a closed job: its groups, the minutes of its stages and clocks, and what else the figures stand on.
-- Reads: core.job_stages, core.job_groups, core.restoration_blocks, staging.districts, settings.current
-- Key: job_id
-- Units: minutes, days, customers
-- Why: three clocks, never mixed: until the customers are back, until the crew knows where to dig, until normal switching
with

-- each block of customers with its wait after the section was found; a search out of order ends nothing
waits as (
    select
        job_stages.job_id,
        blocks.customers,
        blocks.minutes_out >= minutes_between(job_stages.reported_at, job_stages.arrived_at) as is_out_at_arrival,
        case
            when job_stages.located_at >= coalesce(job_stages.arrived_at, job_stages.located_at)
                then not_below_zero(blocks.minutes_out
                    - not_below_zero(minutes_between(job_stages.reported_at, job_stages.located_at)))
        end as after_located
    from core.job_stages as job_stages
    -- many blocks to a job, summed back to it below
    inner join core.restoration_blocks as blocks on blocks.job_id = job_stages.job_id
),

blocks as (
    select
        waits.job_id,
        sum(waits.customers) filter (where waits.is_out_at_arrival) as out_at_arrival,
        exact_sum(waits.customers * waits.after_located) as after_located,
        exact_sum(case when waits.after_located is not null then waits.customers
            * least(waits.after_located, current.restoration_switch_sooner_min) end) as switched,
        exact_sum(waits.customers * not_below_zero(waits.after_located - current.restoration_feed_after_min)) as fed
    from waits
    -- settings.current is one row
    cross join settings.current as current
    group by waits.job_id
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
    coalesce(blocks.out_at_arrival, 0)::double as customers_out_at_arrival,
    case
        when job_stages.arrive_to_locate_min is not null then job_stages.arrive_to_locate_customer_minutes
    end as arrive_to_locate_customer_minutes,
    -- where the source gives the minutes itself, they keep the split that the blocks show
    coalesce(job_stages.locate_to_restore_customer_minutes / nullif(blocks.after_located, 0), 1) * blocks.switched
        as switch_customer_minutes,
    coalesce(job_stages.locate_to_restore_customer_minutes / nullif(blocks.after_located, 0), 1) * blocks.fed
        as feed_customer_minutes,
    job_stages.loop_id,
    case
        when job_stages.is_night then 'night'
        when hour(timezone(coalesce(districts.timezone, 'UTC'), job_stages.reported_at)) < 12 then 'morning'
        when hour(timezone(coalesce(districts.timezone, 'UTC'), job_stages.reported_at)) < 18 then 'afternoon'
        else 'evening'
    end as hour,
    ['December to February', 'March to May', 'June to August', 'September to November'][
        month(job_stages.reported_month) % 12 // 3 + 1
    ] as season
from core.job_stages as job_stages
-- one row a job on both sides, twice
inner join core.job_groups as job_groups on job_groups.job_id = job_stages.job_id
left join blocks on blocks.job_id = job_stages.job_id
-- district_id is the key of districts
left join staging.districts as districts on districts.district_id = job_stages.district_id
