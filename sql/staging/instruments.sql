-- One row is an instrument.
-- Reads: raw.instruments
-- Key: instrument_id
-- Units: metres, UTC, percent of c (the dictionary)
-- Why: the row that arrived last stands for its key
select
    instrument_id,
    in_service_on,
    last_calibrated_on,
    lead_length_m,
    load_id,
    source_file,
    row_number
from raw.instruments
qualify row_number() over (partition by instrument_id order by load_sequence desc) = 1
