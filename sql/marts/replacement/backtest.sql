-- One row is a rule at a past date, a level and a share of length.
-- Reads: fitted.backtest
-- Key: origin, horizon_years, level, rule, length_fraction
-- Units: years, failures, shares
-- Why: only what was known at the origin, then the failures that followed
select
    origin,
    horizon_years,
    level,
    rule,
    length_fraction,
    failures_captured,
    failures_total,
    capture_fraction,
    capture_lo,
    capture_hi
from fitted.backtest
