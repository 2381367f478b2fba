-- One row is a closed job whose loop is known, reported by the as-of date, with the length of every stage.
-- Reads: staging.jobs, staging.loops, staging.districts, staging.sections, core.job_stamps, core.job_minutes, settings.current
-- Key: job_id
-- Units: minutes, UTC; months, years and nights by the district's own clock
-- Why: DEVELOPERS.md, Definitions: a job lacking a stamp is left out of that stage alone
with

in_time as (
    select
        stamps.* exclude (reported_at),
        stamps.reported_at as reported,
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
        timezone(coalesce(districts.timezone, 'UTC'), jobs.reported_at) as reported_locally
    from staging.jobs as jobs
    -- one row a job on both sides
    inner join core.job_stamps as stamps on stamps.job_id = jobs.job_id
    -- loop_id is the key of loops; a job on an unknown loop has no place in any district and is left out
    inner join staging.loops as loops on loops.loop_id = jobs.loop_id
    -- district_id is the key of districts
    left join staging.districts as districts on districts.district_id = loops.district_id
    -- section_id is the key of sections; a section the register does not know stays unknown
    left join staging.sections as sections on sections.section_id = jobs.section_id
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
    inner join staging.sections as sections
        on sections.loop_id = in_time.loop_id
        and in_service_on(in_time.reported_locally::date, sections.installed_on, sections.retired_on)
    group by in_time.job_id
),

spans as (
    select
        *,
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
    spans.job_id,
    spans.loop_id,
    spans.district_id,
    spans.section_id,
    spans.cable_class,
    spans.configuration,
    spans.crew_id,
    spans.method,
    spans.cause,
    spans.failed_component,
    spans.test_shots,
    spans.reported_at,
    spans.dispatched_at,
    spans.arrived_at,
    spans.located_at,
    spans.restored_at,
    spans.pinpointed_at,
    spans.repaired_at,
    spans.normal_at,
    spans.closed_at,
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
    len(list_filter(
        [
            spans.report_to_dispatch, spans.dispatch_to_arrive, spans.arrive_to_locate, spans.locate_to_restore,
            spans.report_to_restore, spans.locate_to_pinpoint, spans.restore_to_repair, spans.repair_to_normal,
            spans.repair_to_close
        ],
        lambda span: span < 0
    )) as negative_spans,
    spans.is_restoration_doubted,
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
    minutes.outage_at_most_min,
    spans.report_to_restore > current.restoration_sustained_min as is_sustained,
    coalesce(spans.major_event, false) as is_major_event,
    date_trunc('month', spans.reported_locally)::date as reported_month,
    year(spans.reported_locally) as reported_year,
    spans.reported_locally::date as reported_on,
    hour(spans.reported_locally) >= current.restoration_night_from_hour
        or hour(spans.reported_locally) < current.restoration_night_to_hour as is_night,
    coalesce(sections_in_service.sections_on_loop, 0) as sections_on_loop
from spans
-- one row a job on both sides
inner join core.job_minutes as minutes on minutes.job_id = spans.job_id
-- one row a job on both sides; a loop without sections in service has none
left join sections_in_service on sections_in_service.job_id = spans.job_id
-- settings.current is one row
cross join settings.current as current
