-- One row is a loop.
-- Reads: raw.loops
-- Key: loop_id
-- Units: metres, UTC, percent of c (the dictionary)
-- Why: the row that arrived last stands for its key
select
    loop_id,
    district_id,
    feeder_id,
    substation,
    configuration,
    voltage_kv,
    customers,
    normal_open_terminal_id,
    load_id,
    source_file,
    row_number
from raw.loops
qualify row_number() over (partition by loop_id order by load_sequence desc) = 1
