-- One row is a measure in a month.
-- Reads: fitted.restoration_trend
-- Key: measure, reported_month
-- Units: minutes
-- Why: individuals chart; immature months are shown and never judged (pipelines/restoration/trend.py)
select
    measure,
    reported_month,
    jobs,
    mean_min,
    share_closed,
    is_immature,
    adjusted_mean_min,
    adjusted_lo,
    adjusted_hi,
    centre_min,
    lower_min,
    upper_min,
    signal
from fitted.restoration_trend
