-- One row is a reading of any kind, with its true length and why it cannot be used, where it cannot.
-- Reads: core.locating_measurements, core.locating_paths, staging.sections
-- Key: reading_id
-- Units: metres, percent of c
-- Why: an estimate equal to the dug distance to the digit is back-filled
with

path_facts as (
    select
        reading_id,
        exact_sum(length_m) as path_length_m,
        exact_sum(tail_m) as tail_m,
        arg_max(cable_class, length_m) as longest_class,
        count(*) as classes_passed,
        min(path_basis) as path_basis
    from core.locating_paths
    group by reading_id
),

judged as (
    select
        measurements.*,
        coalesce(sections.cable_class, path_facts.longest_class) as cable_class,
        coalesce(measurements.stated_length_m, measurements.register_length_m) as true_length_m,
        coalesce(path_facts.tail_m, 0) as tail_m,
        coalesce(path_facts.classes_passed, 0) as classes_passed,
        path_facts.path_basis,
        case
            when measurements.reading_kind = 'dug' and measurements.displayed_distance_m = measurements.stated_length_m
                then 'back_filled'
            when coalesce(measurements.displayed_distance_m, 0) <= 0 then 'no_distance'
            when coalesce(measurements.stated_length_m, measurements.register_length_m, 0) <= 0 then 'no_true_length'
            when path_facts.path_length_m is null then 'path_unknown'
            when measurements.is_inside_blind_zone then 'inside_blind_zone'
            when measurements.velocity_setting_pct is null then 'setting_unknown'
        end as unusable_because
    from core.locating_measurements as measurements
    -- unique by reading
    left join path_facts on path_facts.reading_id = measurements.reading_id
    -- sections are unique by section_id
    left join staging.sections as sections on sections.section_id = measurements.section_id
)

select
    reading_id,
    reading_kind,
    job_id,
    loop_id,
    section_id,
    cable_class,
    instrument_id,
    velocity_setting_pct,
    read_at,
    displayed_distance_m,
    true_length_m,
    tail_m,
    dug_method,
    zero_errors,
    classes_passed,
    path_basis,
    unusable_because is null as is_usable,
    unusable_because,
    pulse_ns,
    range_m,
    sampling_m
from judged
