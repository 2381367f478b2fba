-- One row is one of the latest weeks, or the last four together.
-- Reads: fitted.restoration_maturity
-- Key: window_to, window_weeks
-- Units: minutes; shares between 0 and 1
-- Why: only closed jobs are on file and slow jobs close last (pipelines/restoration/maturity.py)
select
    window_from,
    window_to,
    window_weeks,
    jobs,
    share_closed,
    jobs_expected,
    mean_min,
    maturity_factor,
    adjusted_mean_min,
    adjusted_lo,
    adjusted_hi,
    is_immature
from fitted.restoration_maturity
