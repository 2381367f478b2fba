-- One row is a past date and a class of cable, or the whole fleet.
-- Reads: fitted.forecast_score
-- Key: origin, grouped_by, group_name
-- Units: km, failures
-- Why: a forecast is believed by its score on the year that followed
select
    origin,
    grouped_by,
    group_name,
    length_km,
    loops,
    expected,
    expected_lo,
    expected_hi,
    observed_failures,
    is_inside,
    deviance_model,
    deviance_constant,
    deviance_class_constant,
    loops_inside_fraction,
    loops_inside_promised
from fitted.forecast_score
