-- One row is a slip proposed for one column of a job, for a person to decide on
-- Reads: fitted.proposed_corrections
-- Key: job_id, column, slip
-- Units: as in the column it speaks of
-- Why: a slip is never repaired silently; the decision column is filled by hand and the file loaded as corrections
select
    job_id,
    "column",
    slip,
    value_now,
    value_proposed,
    likelihood,
    grounds,
    decision
from fitted.proposed_corrections
