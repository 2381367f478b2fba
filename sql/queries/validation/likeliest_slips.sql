-- One row is a value with a correction proposed, and the likeliest of its proposals.
-- Reads: marts.proposed_corrections
-- Key: job_id, "column"
-- Units: as in the source
-- Why: of two proposals for one value the likelier is taken, and none that is more likely wrong than right
select
    job_id,
    "column",
    value_proposed,
    'proposed' as source_file,
    0 as row_number
from marts.proposed_corrections
where likelihood >= 0.5 or likelihood is null
qualify row_number() over (partition by job_id, "column" order by likelihood desc nulls last, slip) = 1
