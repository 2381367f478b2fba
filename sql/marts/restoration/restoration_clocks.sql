-- One row is a clock in a group of jobs.
-- Reads: fitted.restoration_limits
-- Key: grouped_by, group_name, stage
-- Units: minutes; shares between 0 and 1
-- Why: the customer's, the crew's and the asset's clock are never mixed
select
    grouped_by,
    group_name,
    stage,
    jobs,
    mean_min,
    mean_lo,
    mean_hi,
    median_min,
    median_lo,
    median_hi,
    p90_min,
    p90_lo,
    p90_hi,
    share_over_4h,
    share_over_4h_lo,
    share_over_4h_hi,
    share_over_8h,
    share_over_8h_lo,
    share_over_8h_hi,
    is_small_group
from fitted.restoration_limits
where stage in ('customer_clock', 'crew_clock', 'asset_clock')
