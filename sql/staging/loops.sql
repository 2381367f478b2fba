-- One row is a loop.
-- Reads: raw.loops
-- Key: loop_id
-- Units: metres, UTC, percent of c (the dictionary)
-- Why: the row that arrived last stands for its key
with

rows_loaded as (
    select
        loop_id,
        district_id,
        feeder_id,
        substation,
        configuration,
        voltage_kv,
        customers,
        normal_open_terminal_id,
        batch_id,
        source_file,
        row_number,
        load_sequence
    from raw.loops
),

latest as (
    select
        loop_id,
        district_id,
        feeder_id,
        substation,
        configuration,
        voltage_kv,
        customers,
        normal_open_terminal_id,
        batch_id,
        source_file,
        row_number
    from rows_loaded
    qualify row_number() over (partition by loop_id order by load_sequence desc) = 1
)

select
    loop_id,
    district_id,
    feeder_id,
    substation,
    configuration,
    voltage_kv,
    customers,
    normal_open_terminal_id,
    batch_id,
    source_file,
    row_number
from latest
