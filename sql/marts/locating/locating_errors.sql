-- One row is a job with both a displayed and a dug distance, back-filled estimates left out.
-- Reads: core.locating_readings, core.locating_runs, core.record_contradictions, fitted.corrected_distances
-- Key: job_id
-- Units: metres, percent
-- Why: error = displayed - dug; a distance calls the section it falls in along the route
with

digs as (
    select
        readings.*,
        corrections.corrected_distance_m,
        corrections.left_out_error_m,
        corrections.right_probability
    from core.locating_readings as readings
    -- unique by reading
    left join fitted.corrected_distances as corrections on corrections.reading_id = readings.reading_id
    where readings.reading_kind = 'dug'
        and readings.unusable_because is distinct from 'back_filled'
        and readings.unusable_because is distinct from 'no_distance'
        and readings.unusable_because is distinct from 'no_true_length'
),

-- the sections ahead of a reading do not overlap, so a distance falls in one at most; max() picks it
called as (
    select
        digs.reading_id,
        max(if(
            digs.displayed_distance_m >= runs.run_from_m and digs.displayed_distance_m < runs.run_to_m,
            runs.section_id, null
        )) as called_section_id,
        max(if(
            digs.corrected_distance_m >= runs.run_from_m and digs.corrected_distance_m < runs.run_to_m,
            runs.section_id, null
        )) as corrected_section_id,
        max(if(
            runs.section_id = digs.section_id,
            greatest(
                runs.run_from_m - digs.displayed_distance_m, digs.displayed_distance_m - runs.run_to_m, 0
            ),
            null
        )) as into_wrong_section_m
    from digs
    -- meant to give every section ahead
    inner join core.locating_runs as runs on runs.reading_id = digs.reading_id
    group by digs.reading_id
)

select
    digs.job_id,
    digs.loop_id,
    digs.section_id,
    digs.cable_class,
    digs.instrument_id,
    digs.velocity_setting_pct,
    digs.displayed_distance_m as estimated_distance_m,
    digs.true_length_m as dug_distance_m,
    digs.displayed_distance_m - digs.true_length_m as error_m,
    100 * (digs.displayed_distance_m - digs.true_length_m) / nullif(digs.true_length_m, 0)
        as error_pct,
    digs.corrected_distance_m,
    digs.corrected_distance_m - digs.true_length_m as corrected_error_m,
    called.called_section_id,
    -- beyond the loop's last metre no section is called; where the way is not known nothing can be said, nor where the
    -- record contradicts itself
    if(called.reading_id is null or digs.section_id is null or contradictions.job_id is not null, null,
        called.called_section_id is not distinct from digs.section_id) as section_called_right,
    called.into_wrong_section_m,
    called.corrected_section_id,
    if(
        called.reading_id is null or digs.section_id is null or digs.corrected_distance_m is null
        or contradictions.job_id is not null, null,
        called.corrected_section_id is not distinct from digs.section_id
    ) as corrected_section_right,
    digs.left_out_error_m,
    digs.right_probability,
    digs.dug_method,
    digs.read_at,
    contradictions.record_contradiction
from digs
-- unique by reading
left join called on called.reading_id = digs.reading_id
-- unique by job
left join core.record_contradictions as contradictions on contradictions.job_id = digs.job_id
