-- One row is a closed job, in its highest revision.
-- Reads: raw.jobs, staging.loops, staging.districts, staging.section_names
-- Key: job_id
-- Units: metres, UTC, percent of c (the dictionary)
-- Why: the highest revision of a job wins, whatever order files came in; only closed jobs count. The section is the cable
-- that was in service on the day of the report under the id that the job names
with

latest as (
    select *
    from raw.jobs
    qualify row_number() over (partition by job_id order by revision desc nulls last, load_sequence desc) = 1
)

select
    latest.job_id,
    latest.revision,
    latest.loop_id,
    if(names.named_id is null, latest.section_id, names.section_id) as section_id,
    latest.reported_at,
    latest.dispatched_at,
    latest.arrived_at,
    latest.located_at,
    latest.restored_at,
    latest.pinpointed_at,
    latest.repaired_at,
    latest.normal_at,
    latest.closed_at,
    latest.customers_interrupted,
    latest.customer_minutes,
    latest.crew_id,
    latest.method,
    latest.instrument_id,
    latest.velocity_setting_pct,
    latest.test_terminal_id,
    latest.toward_terminal_id,
    latest.estimated_distance_m,
    latest.far_end_distance_m,
    latest.far_end_terminal_id,
    latest.dug_distance_m,
    latest.dug_method,
    latest.failed_component,
    latest.cause,
    latest.test_shots,
    latest.major_event,
    latest.repair_cost,
    latest.notes,
    latest.pulse_ns,
    latest.range_m,
    latest.sampling_m,
    latest.date_only_columns,
    latest.section_id as named_section_id,
    latest.load_id,
    latest.source_file,
    latest.row_number
from latest
-- one row a loop, a district, a period of an id: no row multiplies
left join staging.loops as loops on loops.loop_id = latest.loop_id
left join staging.districts as districts on districts.district_id = loops.district_id
left join staging.section_names as names
    on names.named_id = latest.section_id
    and (latest.reported_at at time zone coalesce(districts.timezone, 'UTC'))::date >= names.from_on
    and (latest.reported_at at time zone coalesce(districts.timezone, 'UTC'))::date < names.until_on
where coalesce(latest.status, 'closed') = 'closed'
