-- One row is a tenth of the length at a past date.
-- Reads: fitted.backtest_calibration
-- Key: origin, decile
-- Units: km, failures
-- Why: expected beside observed, least to most expected per km
select
    origin,
    decile,
    expected,
    observed,
    length_km,
    observed_lo,
    observed_hi
from fitted.backtest_calibration
