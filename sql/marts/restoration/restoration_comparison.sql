-- One row is a group compared by one time.
-- Reads: fitted.restoration_comparison
-- Key: grouped_by, group_name, measure
-- Units: ratios to the fleet; 1.1 is 10 % slower
-- Why: jobs made alike by a regression of log time, on loops alone (pipelines/restoration/comparison.py)
select
    grouped_by,
    group_name,
    measure,
    jobs,
    ratio_seen,
    ratio_adjusted,
    ratio_lo,
    ratio_hi,
    funnel_95_lo,
    funnel_95_hi,
    funnel_998_lo,
    funnel_998_hi,
    verdict
from fitted.restoration_comparison
