-- One row is the model against a rule at a level and a share of length, mean over the origins.
-- Reads: fitted.backtest_differences
-- Key: level, rule, length_fraction
-- Units: shares of failures
-- Why: paired differences, limits by resampling loops
select
    level,
    rule,
    length_fraction,
    origins,
    capture_model,
    capture_rule,
    difference,
    difference_lo,
    difference_hi
from fitted.backtest_differences
