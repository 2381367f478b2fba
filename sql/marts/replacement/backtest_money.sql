-- One row is a rule at a past date, a level and a share of the cost of replacing everything.
-- Reads: fitted.backtest_money
-- Key: origin, horizon_years, level, rule, cost_fraction
-- Units: years, failures, shares, money of the settings
-- Why: a budget buys money's worth and not kilometres
select
    origin,
    horizon_years,
    level,
    rule,
    cost_fraction,
    money_spent,
    failures_captured,
    failures_total,
    capture_fraction,
    capture_lo,
    capture_hi
from fitted.backtest_money
