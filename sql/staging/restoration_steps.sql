-- One row is a switching step of a job that brought customers back.
-- Reads: raw.restoration_steps
-- Key: job_id, step_at
-- Units: metres, UTC, percent of c (the dictionary)
-- Why: the row that arrived last stands for its key
select
    job_id,
    step_at,
    customers_restored,
    load_id,
    source_file,
    row_number
from raw.restoration_steps
qualify row_number() over (partition by job_id, step_at order by load_sequence desc) = 1
