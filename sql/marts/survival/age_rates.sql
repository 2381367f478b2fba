-- One row is an age band of a cable class.
-- Reads: fitted.survival_age_rates
-- Key: cable_class, age_from
-- Units: years, km-years, failures per 100 km and year
-- Why: rates by age with exact Poisson limits (F. Garwood, Biometrika 28, 1936)
select
    cable_class,
    age_from,
    age_to,
    exposure_km_years,
    failures,
    rate_per_100km_year,
    rate_lo,
    rate_hi,
    fitted_rate_per_100km_year
from fitted.survival_age_rates
