-- One row is a terminal.
-- Reads: raw.terminals
-- Key: terminal_id
-- Units: metres, UTC, percent of c (the dictionary)
-- Why: the row that arrived last stands for its key
select
    terminal_id,
    loop_id,
    kind,
    customers,
    tail_m,
    x,
    y,
    customers_residential,
    customers_business,
    customers_critical,
    load_id,
    source_file,
    row_number
from raw.terminals
qualify row_number() over (partition by terminal_id order by load_sequence desc) = 1
