-- One row is a calibration reading on a run of known length.
-- Reads: raw.known_lengths, staging.section_names
-- Key: instrument_id, read_on, section_id, cable_class, known_length_m, reading_m
-- Units: metres, UTC, percent of c (the dictionary)
-- Why: the row that arrived last stands for its key; the section is the cable in service on that day
with

led as (
    select
        known.* exclude (section_id),
        if(names.named_id is null, known.section_id, names.section_id) as section_id
    from raw.known_lengths as known
    -- one row a period of an id: no row multiplies
    left join staging.section_names as names
        on names.named_id = known.section_id
        and known.read_on >= names.from_on
        and known.read_on < names.until_on
)

select
    instrument_id,
    read_on,
    section_id,
    cable_class,
    known_length_m,
    reading_m,
    velocity_setting_pct,
    load_id,
    source_file,
    row_number
from led
qualify row_number() over (
    partition by instrument_id, read_on, section_id, cable_class, known_length_m, reading_m order by load_sequence desc
) = 1
