-- One row is a calibration reading on a run of known length.
-- Reads: raw.known_lengths
-- Key: instrument_id, read_on, section_id, cable_class, known_length_m, reading_m
-- Units: metres, UTC, percent of c (the dictionary)
-- Why: the row that arrived last stands for its key
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
from raw.known_lengths
qualify row_number() over (
    partition by instrument_id, read_on, section_id, cable_class, known_length_m, reading_m order by load_sequence desc
) = 1
