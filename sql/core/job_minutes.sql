-- One row is a closed job with its customer-minutes, in all and by stage.
-- Reads: core.job_stamps, core.restoration_blocks, settings.current
-- Key: job_id
-- Units: customer-minutes
-- Why: each block of customers is charged to the stages it sat through; what no stage can claim is kept apart
with

-- minutes from the report to the end of each stage, null where a stamp cannot be used
clocks as (
    select
        job_id,
        customers_interrupted,
        source_minutes,
        minutes_between(reported_at, dispatched_at) as dispatched,
        minutes_between(reported_at, arrived_at) as arrived,
        minutes_between(reported_at, located_at) as located,
        minutes_between(reported_at, restored_at) as restored,
        minutes_between(reported_at, normal_at) as normal,
        minutes_between(reported_at, closed_at) as closed
    from core.job_stamps
),

-- a stage may claim minutes only where its ends are in order with every later stamp, so no minute is claimed twice;
-- an arrival after the last customer was back is a slip of the clock and bounds no stage
claims as (
    select
        *,
        coalesce(dispatched >= 0 and dispatched <= coalesce(arrived, dispatched)
            and dispatched <= coalesce(located, dispatched), false) as dispatch_claims,
        coalesce(dispatched <= arrived and arrived <= coalesce(located, arrived)
            and arrived <= coalesce(restored, arrived), false) as arrive_claims,
        coalesce(arrived <= located and arrived <= coalesce(restored, arrived), false) as locate_claims
    from clocks
),

charged as (
    select
        claims.job_id,
        sum(blocks.customers)::bigint as customers_in_blocks,
        exact_sum(blocks.customers * blocks.minutes_out) as block_minutes,
        exact_sum(case when claims.dispatch_claims
            then blocks.customers * least(blocks.minutes_out, claims.dispatched) end) as to_dispatch,
        exact_sum(case when claims.arrive_claims then blocks.customers * (
            least(blocks.minutes_out, greatest(claims.arrived, 0))
            - least(blocks.minutes_out, greatest(claims.dispatched, 0))) end) as to_arrive,
        exact_sum(case when claims.locate_claims then blocks.customers * (
            least(blocks.minutes_out, greatest(claims.located, 0))
            - least(blocks.minutes_out, greatest(claims.arrived, 0))) end) as to_locate,
        exact_sum(case when claims.located is not null then blocks.customers * (
            blocks.minutes_out - least(blocks.minutes_out, greatest(claims.located, 0))) end) as to_restore,
        sum(case when blocks.minutes_out <= current.restoration_sustained_min then blocks.customers end)::bigint
            as customers_back_soon,
        exact_sum(case when blocks.minutes_out <= current.restoration_sustained_min
            then blocks.customers * blocks.minutes_out end) as minutes_back_soon
    from claims
    -- blocks are many to a job and are summed back to it
    inner join core.restoration_blocks as blocks on blocks.job_id = claims.job_id and blocks.minutes_out is not null
    -- settings.current is one row
    cross join settings.current as current
    group by claims.job_id
),

scaled as (
    select
        claims.job_id,
        coalesce(claims.customers_interrupted, charged.customers_in_blocks) as customers_interrupted,
        coalesce(claims.source_minutes, charged.block_minutes) as customer_minutes,
        case
            when claims.source_minutes is not null then 'source'
            when charged.block_minutes is null then 'unknown'
            else 'blocks'
        end as minutes_from,
        -- the source's own total keeps the split that the blocks show
        case
            when claims.source_minutes is null then 1
            else claims.source_minutes / nullif(charged.block_minutes, 0)
        end as scale,
        charged.to_dispatch,
        charged.to_arrive,
        charged.to_locate,
        charged.to_restore,
        coalesce(charged.customers_back_soon, 0) as customers_back_soon,
        coalesce(charged.minutes_back_soon, 0) as minutes_back_soon,
        claims.restored,
        -- the last customer was back when the loop was, and when the paper was closed
        not_below_zero(least(claims.normal, claims.closed, 1440 * current.restoration_longest_accepted_days)) as at_most
    from claims
    -- one row a job on both sides
    left join charged on charged.job_id = claims.job_id
    -- settings.current is one row
    cross join settings.current as current
)

select
    job_id,
    customers_interrupted,
    customer_minutes,
    minutes_from,
    customers_interrupted * not_below_zero(restored) as customer_minutes_naive,
    coalesce(to_dispatch * scale, 0) as report_to_dispatch_customer_minutes,
    coalesce(to_arrive * scale, 0) as dispatch_to_arrive_customer_minutes,
    coalesce(to_locate * scale, 0) as arrive_to_locate_customer_minutes,
    coalesce(to_restore * scale, 0) as locate_to_restore_customer_minutes,
    customer_minutes - coalesce(to_dispatch * scale, 0) - coalesce(to_arrive * scale, 0)
        - coalesce(to_locate * scale, 0) - coalesce(to_restore * scale, 0) as unsplit_customer_minutes,
    not_below_zero(customers_interrupted - customers_back_soon) as customers_sustained,
    customer_minutes - coalesce(minutes_back_soon * scale, 0) as customer_minutes_sustained,
    case when customer_minutes is null and customers_interrupted is not null then at_most end as outage_at_most_min
from scaled
