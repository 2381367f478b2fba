-- One row is a change and a group of jobs.
-- Reads: fitted.restoration_what_if
-- Key: scenario, grouped_by, group_name
-- Units: customer-minutes; shares between 0 and 1
-- Why: what a change would have saved on the jobs on file (pipelines/restoration/what_if.py)
select
    scenario,
    grouped_by,
    group_name,
    jobs,
    customer_minutes,
    saved_customer_minutes,
    saved_lo,
    saved_hi,
    saved_share,
    saved_per_year
from fitted.restoration_what_if
