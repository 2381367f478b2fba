-- One row is a closed job, in its highest revision.
-- Reads: raw.jobs
-- Key: job_id
-- Units: metres, UTC, percent of c (the dictionary)
-- Why: the highest revision of a job wins, whatever order files came in; only closed jobs count
with

latest as (
    select *
    from raw.jobs
    qualify row_number() over (partition by job_id order by revision desc nulls last, load_sequence desc) = 1
)

select
    job_id,
    revision,
    loop_id,
    section_id,
    reported_at,
    dispatched_at,
    arrived_at,
    located_at,
    restored_at,
    pinpointed_at,
    repaired_at,
    normal_at,
    closed_at,
    customers_interrupted,
    customer_minutes,
    crew_id,
    method,
    instrument_id,
    velocity_setting_pct,
    test_terminal_id,
    toward_terminal_id,
    estimated_distance_m,
    far_end_distance_m,
    far_end_terminal_id,
    dug_distance_m,
    dug_method,
    failed_component,
    cause,
    test_shots,
    major_event,
    repair_cost,
    notes,
    pulse_ns,
    range_m,
    sampling_m,
    date_only_columns,
    load_id,
    source_file,
    row_number
from latest
where coalesce(status, 'closed') = 'closed'
