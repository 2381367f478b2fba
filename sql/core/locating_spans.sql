-- One row is a section that a reading of cable ends passes whole.
-- Reads: core.locating_measurements, core.locating_runs
-- Key: reading_id, section_id
-- Units: metres
-- Why: far-end and two-ended readings test the lengths of the register
with

measurements as (
    select
        reading_id,
        register_length_m
    from core.locating_measurements
    where reading_kind in ('far_end', 'two_ended')
        and register_length_m > 0
),

select
    runs.reading_id,
    runs.section_id
from measurements
-- meant to give every section between the two terminals
inner join core.locating_runs as runs on runs.reading_id = measurements.reading_id
where runs.cable_to_m <= measurements.register_length_m + 0.01
