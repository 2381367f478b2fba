-- One row is a test shot of a job.
-- Reads: raw.test_shots
-- Key: job_id, shot_no
-- Units: metres, UTC, percent of c (the dictionary)
-- Why: the row that arrived last stands for its key
select
    job_id,
    shot_no,
    shot_at,
    terminal_id,
    toward_terminal_id,
    instrument_id,
    velocity_setting_pct,
    far_end_terminal_id,
    far_end_distance_m,
    result,
    fault_distance_m,
    pulse_ns,
    range_m,
    sampling_m,
    load_id,
    source_file,
    row_number
from raw.test_shots
qualify row_number() over (partition by job_id, shot_no order by load_sequence desc) = 1
