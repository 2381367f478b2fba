-- One row is a loop with the middle of its terminals.
-- Reads: staging.terminals
-- Key: loop_id
-- Units: of the coordinates loaded
-- Why: loops near one another can share a mobilising
select
    loop_id,
    avg(x order by terminal_id) as x,
    avg(y order by terminal_id) as y
from staging.terminals
group by loop_id
