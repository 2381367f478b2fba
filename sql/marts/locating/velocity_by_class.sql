-- One row is a cable class that a reading passed.
-- Reads: fitted.velocity_by_class
-- Key: cable_class
-- Units: percent of c
-- Why: presented as fitted (pipelines/locating/velocity.py)
select
    cable_class,
    readings,
    velocity_fitted_pct,
    velocity_lo,
    velocity_hi,
    setting_median_pct,
    bias_points,
    verdict,
    readings_needed,
    velocity_route_pct,
    velocity_route_lo,
    velocity_route_hi,
    instruments
from fitted.velocity_by_class
