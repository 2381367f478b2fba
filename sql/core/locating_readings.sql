-- One row is a reading of any kind, with its true length and why it cannot be used, where it cannot.
-- Reads: core.locating_measurements, core.locating_paths, staging.sections
-- Key: reading_id
-- Units: metres, percent of c
-- Why: DEVELOPERS.md, Definitions: an estimate equal to the dug distance to the digit is back-filled
with

measurements as (
    select
        reading_id,
        reading_kind,
        job_id,
        loop_id,
        section_id,
        read_at,
        instrument_id,
        velocity_setting_pct,
        displayed_distance_m,
        stated_length_m,
        dug_method,
        zero_errors,
        register_length_m
    from core.locating_measurements
),

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

section_classes as (
    select
        section_id,
        cable_class
    from staging.sections
),

judged as (
    select
        measurements.reading_id,
        measurements.reading_kind,
        measurements.job_id,
        measurements.loop_id,
        measurements.section_id,
        coalesce(section_classes.cable_class, path_facts.longest_class) as cable_class,
        measurements.instrument_id,
        measurements.velocity_setting_pct,
        measurements.read_at,
        measurements.displayed_distance_m,
        coalesce(measurements.stated_length_m, measurements.register_length_m) as true_length_m,
        coalesce(path_facts.tail_m, 0) as tail_m,
        measurements.dug_method,
        cast(measurements.zero_errors as bigint) as zero_errors,
        cast(coalesce(path_facts.classes_passed, 0) as bigint) as classes_passed,
        path_facts.path_basis,
        case
            when measurements.reading_kind = 'dug' and measurements.displayed_distance_m = measurements.stated_length_m
                then 'back_filled'
            when coalesce(measurements.displayed_distance_m, 0) <= 0 then 'no_distance'
            when coalesce(measurements.stated_length_m, measurements.register_length_m, 0) <= 0 then 'no_true_length'
            when path_facts.path_length_m is null then 'path_unknown'
            when measurements.velocity_setting_pct is null then 'setting_unknown'
        end as unusable_because
    from measurements
    -- unique by reading
    left join path_facts on path_facts.reading_id = measurements.reading_id
    -- sections are unique by section_id
    left join section_classes on section_classes.section_id = measurements.section_id
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
    unusable_because
from judged
