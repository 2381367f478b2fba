-- One row is a closed job whose loop is known, reported by the as-of date, with the length of every stage.
-- Reads: staging.jobs, staging.loops, staging.districts, staging.sections, core.job_stamps, core.job_minutes, settings.current
-- Key: job_id
-- Units: minutes, UTC; months, years and nights by the district's own clock
-- Why: DEVELOPERS.md, Definitions: a job lacking a stamp is left out of that stage alone
with

jobs as (
    select
        job_id,
        loop_id,
        section_id,
        crew_id,
        method,
        cause,
        failed_component,
        test_shots,
        major_event,
        reported_at
    from staging.jobs
),

stamps as (
    select
        job_id,
        reported_at,
        dispatched_at,
        arrived_at,
        located_at,
        restored_at,
        pinpointed_at,
        repaired_at,
        normal_at,
        closed_at,
        is_restoration_doubted
    from core.job_stamps
),

loops as (
    select
        loop_id,
        district_id,
        configuration
    from staging.loops
),

districts as (
    select
        district_id,
        timezone
    from staging.districts
),

sections as (
    select
        section_id,
        loop_id,
        position,
        cable_class,
        installed_on,
        retired_on
    from staging.sections
),

minutes as (
    select
        job_id,
        customers_interrupted,
        customer_minutes,
        minutes_from,
        customer_minutes_naive,
        report_to_dispatch_customer_minutes,
        dispatch_to_arrive_customer_minutes,
        arrive_to_locate_customer_minutes,
        locate_to_restore_customer_minutes,
        unsplit_customer_minutes,
        customers_sustained,
        customer_minutes_sustained
    from core.job_minutes
),

in_time as (
    select
        jobs.job_id,
        jobs.loop_id,
        loops.district_id,
        loops.configuration,
        sections.section_id,
        sections.cable_class,
        jobs.crew_id,
        jobs.method,
        jobs.cause,
        jobs.failed_component,
        jobs.test_shots,
        jobs.major_event,
        jobs.reported_at,
        stamps.dispatched_at,
        stamps.arrived_at,
        stamps.located_at,
        stamps.restored_at,
        stamps.pinpointed_at,
        stamps.repaired_at,
        stamps.normal_at,
        stamps.closed_at,
        stamps.reported_at as reported,
        stamps.is_restoration_doubted,
        timezone(coalesce(districts.timezone, 'UTC'), jobs.reported_at) as reported_locally
    from jobs
    -- one row a job on both sides
    inner join stamps on stamps.job_id = jobs.job_id
    -- loop_id is the key of loops; a job on an unknown loop has no place in any district and is left out
    inner join loops on loops.loop_id = jobs.loop_id
    -- district_id is the key of districts
    left join districts on districts.district_id = loops.district_id
    -- section_id is the key of sections; a section the register does not know stays unknown
    left join sections on sections.section_id = jobs.section_id
    -- settings.current is one row
    cross join settings.current as current
    where current.general_as_of is null
        or timezone(coalesce(districts.timezone, 'UTC'), jobs.reported_at)::date <= current.general_as_of
),

sections_in_service as (
    select
        in_time.job_id,
        count(distinct sections.position) as sections_on_loop
    from in_time
    -- many sections to a job, counted back to one row
    inner join sections on sections.loop_id = in_time.loop_id
        and coalesce(sections.installed_on, date '1900-01-01') <= in_time.reported_locally::date
        and coalesce(sections.retired_on, date '9999-12-31') >= in_time.reported_locally::date
    group by in_time.job_id
),

spans as (
    select
        job_id,
        minutes_between(reported, dispatched_at) as report_to_dispatch,
        -- an arrival after the last customer was back is a slip of the clock: the drive cannot be told
        case
            when arrived_at > restored_at then -1
            else minutes_between(dispatched_at, arrived_at)
        end as dispatch_to_arrive,
        minutes_between(arrived_at, located_at) as arrive_to_locate,
        minutes_between(located_at, restored_at) as locate_to_restore,
        minutes_between(reported, restored_at) as report_to_restore,
        minutes_between(located_at, pinpointed_at) as locate_to_pinpoint,
        minutes_between(restored_at, repaired_at) as restore_to_repair,
        minutes_between(repaired_at, normal_at) as repair_to_normal,
        minutes_between(repaired_at, closed_at) as repair_to_close,
        minutes_between(arrived_at, pinpointed_at) as arrive_to_pinpoint,
        minutes_between(reported, normal_at) as report_to_normal
    from in_time
)

select
    in_time.job_id,
    in_time.loop_id,
    in_time.district_id,
    in_time.section_id,
    in_time.cable_class,
    in_time.configuration,
    in_time.crew_id,
    in_time.method,
    in_time.cause,
    in_time.failed_component,
    in_time.test_shots,
    in_time.reported_at,
    in_time.dispatched_at,
    in_time.arrived_at,
    in_time.located_at,
    in_time.restored_at,
    in_time.pinpointed_at,
    in_time.repaired_at,
    in_time.normal_at,
    in_time.closed_at,
    case when spans.report_to_dispatch >= 0 then spans.report_to_dispatch end as report_to_dispatch_min,
    case when spans.dispatch_to_arrive >= 0 then spans.dispatch_to_arrive end as dispatch_to_arrive_min,
    case when spans.arrive_to_locate >= 0 then spans.arrive_to_locate end as arrive_to_locate_min,
    case when spans.locate_to_restore >= 0 then spans.locate_to_restore end as locate_to_restore_min,
    case when spans.report_to_restore >= 0 then spans.report_to_restore end as report_to_restore_min,
    case when spans.locate_to_pinpoint >= 0 then spans.locate_to_pinpoint end as locate_to_pinpoint_min,
    case when spans.restore_to_repair >= 0 then spans.restore_to_repair end as restore_to_repair_min,
    case when spans.repair_to_normal >= 0 then spans.repair_to_normal end as repair_to_normal_min,
    case when spans.repair_to_close >= 0 then spans.repair_to_close end as repair_to_close_min,
    case when spans.arrive_to_pinpoint >= 0 then spans.arrive_to_pinpoint end as arrive_to_pinpoint_min,
    case when spans.report_to_normal >= 0 then spans.report_to_normal end as report_to_normal_min,
    coalesce((spans.report_to_dispatch < 0)::bigint, 0)
        + coalesce((spans.dispatch_to_arrive < 0)::bigint, 0)
        + coalesce((spans.arrive_to_locate < 0)::bigint, 0)
        + coalesce((spans.locate_to_restore < 0)::bigint, 0)
        + coalesce((spans.report_to_restore < 0)::bigint, 0)
        + coalesce((spans.locate_to_pinpoint < 0)::bigint, 0)
        + coalesce((spans.restore_to_repair < 0)::bigint, 0)
        + coalesce((spans.repair_to_normal < 0)::bigint, 0)
        + coalesce((spans.repair_to_close < 0)::bigint, 0) as negative_spans,
    in_time.is_restoration_doubted,
    minutes.customers_interrupted,
    minutes.customer_minutes,
    minutes.minutes_from,
    minutes.customer_minutes_naive,
    minutes.report_to_dispatch_customer_minutes,
    minutes.dispatch_to_arrive_customer_minutes,
    minutes.arrive_to_locate_customer_minutes,
    minutes.locate_to_restore_customer_minutes,
    minutes.unsplit_customer_minutes,
    minutes.customers_sustained,
    minutes.customer_minutes_sustained,
    spans.report_to_restore > current.restoration_sustained_min as is_sustained,
    coalesce(in_time.major_event, false) as is_major_event,
    date_trunc('month', in_time.reported_locally)::date as reported_month,
    year(in_time.reported_locally) as reported_year,
    in_time.reported_locally::date as reported_on,
    hour(in_time.reported_locally) >= current.restoration_night_from_hour
        or hour(in_time.reported_locally) < current.restoration_night_to_hour as is_night,
    coalesce(sections_in_service.sections_on_loop, 0) as sections_on_loop
from in_time
-- one row a job on both sides
inner join spans on spans.job_id = in_time.job_id
-- one row a job on both sides
inner join minutes on minutes.job_id = in_time.job_id
-- one row a job on both sides; a loop without sections in service has none
left join sections_in_service on sections_in_service.job_id = in_time.job_id
-- settings.current is one row
cross join settings.current as current
