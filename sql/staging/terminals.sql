-- One row is a terminal.
-- Reads: raw.terminals
-- Key: terminal_id
-- Units: metres, UTC, percent of c (the dictionary)
-- Why: the row that arrived last stands for its key
with

rows_loaded as (
    select
        terminal_id,
        loop_id,
        kind,
        customers,
        tail_m,
        x,
        y,
        batch_id,
        source_file,
        row_number,
        load_sequence
    from raw.terminals
),

latest as (
    select
        terminal_id,
        loop_id,
        kind,
        customers,
        tail_m,
        x,
        y,
        batch_id,
        source_file,
        row_number
    from rows_loaded
    qualify row_number() over (partition by terminal_id order by load_sequence desc) = 1
)

select
    terminal_id,
    loop_id,
    kind,
    customers,
    tail_m,
    x,
    y,
    batch_id,
    source_file,
    row_number
from latest
