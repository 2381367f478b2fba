-- One row is a job with both a displayed and a dug distance, back-filled estimates left out.
-- Reads: core.locating_readings, core.locating_runs, fitted.corrected_distances
-- Key: job_id
-- Units: metres, percent
-- Why: DEVELOPERS.md, Definitions: error = displayed - dug; a distance calls the section it falls in along the route
with

dug_readings as (
    select
        reading_id,
        job_id,
        loop_id,
        section_id,
        cable_class,
        instrument_id,
        velocity_setting_pct,
        read_at,
        displayed_distance_m,
        true_length_m,
        dug_method
    from core.locating_readings
    where reading_kind = 'dug'
        and unusable_because is distinct from 'back_filled'
        and unusable_because is distinct from 'no_distance'
        and unusable_because is distinct from 'no_true_length'
),

corrections as (
    select
        reading_id,
        corrected_distance_m,
        left_out_error_m,
        right_probability
    from fitted.corrected_distances
),

runs as (
    select
        reading_id,
        section_id,
        run_from_m,
        run_to_m
    from core.locating_runs
),

distances as (
    select
        dug_readings.reading_id,
        dug_readings.section_id,
        dug_readings.displayed_distance_m,
        corrections.corrected_distance_m
    from dug_readings
    -- unique by reading
    left join corrections on corrections.reading_id = dug_readings.reading_id
),

-- the sections ahead of a reading do not overlap, so a distance falls in one at most; max() picks it
called as (
    select
        distances.reading_id,
        max(if(
            distances.displayed_distance_m >= runs.run_from_m and distances.displayed_distance_m < runs.run_to_m,
            runs.section_id, null
        )) as called_section_id,
        max(if(
            distances.corrected_distance_m >= runs.run_from_m and distances.corrected_distance_m < runs.run_to_m,
            runs.section_id, null
        )) as corrected_section_id,
        max(if(
            runs.section_id = distances.section_id,
            greatest(
                runs.run_from_m - distances.displayed_distance_m, distances.displayed_distance_m - runs.run_to_m, 0
            ),
            null
        )) as into_wrong_section_m
    from distances
    -- meant to give every section ahead
    inner join runs on runs.reading_id = distances.reading_id
    group by distances.reading_id
)

select
    dug_readings.job_id,
    dug_readings.loop_id,
    dug_readings.section_id,
    dug_readings.cable_class,
    dug_readings.instrument_id,
    dug_readings.velocity_setting_pct,
    dug_readings.displayed_distance_m as estimated_distance_m,
    dug_readings.true_length_m as dug_distance_m,
    dug_readings.displayed_distance_m - dug_readings.true_length_m as error_m,
    100 * (dug_readings.displayed_distance_m - dug_readings.true_length_m) / nullif(dug_readings.true_length_m, 0)
        as error_pct,
    corrections.corrected_distance_m,
    corrections.corrected_distance_m - dug_readings.true_length_m as corrected_error_m,
    called.called_section_id,
    -- beyond the loop's last metre no section is called; where the way is not known nothing can be said
    if(called.reading_id is null or dug_readings.section_id is null, null,
        called.called_section_id is not distinct from dug_readings.section_id) as section_called_right,
    called.into_wrong_section_m,
    called.corrected_section_id,
    if(
        called.reading_id is null or dug_readings.section_id is null or corrections.corrected_distance_m is null, null,
        called.corrected_section_id is not distinct from dug_readings.section_id
    ) as corrected_section_right,
    corrections.left_out_error_m,
    corrections.right_probability,
    dug_readings.dug_method,
    dug_readings.read_at
from dug_readings
-- unique by reading, twice
left join corrections on corrections.reading_id = dug_readings.reading_id
left join called on called.reading_id = dug_readings.reading_id
