-- One row is a group of jobs on loops.
-- Reads: fitted.restoration_abnormal
-- Key: grouped_by, group_name
-- Units: days, loop-years, failures
-- Why: a loop away from its normal open point has no second feed (pipelines/restoration/abnormal.py)
select
    grouped_by,
    group_name,
    jobs,
    mean_days,
    mean_days_lo,
    mean_days_hi,
    median_days,
    p90_days,
    share_over_10_days,
    share_over_10_days_lo,
    share_over_10_days_hi,
    abnormal_loop_years,
    expected_strandings
from fitted.restoration_abnormal
