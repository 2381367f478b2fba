-- One row is an age band of a cable class.
-- Reads: fitted.survival_late_entry
-- Key: cable_class, age_from
-- Units: years, km-years, failures per 100 km and year
-- Why: with and without late entry side by side, the exposure printed so that anyone can divide
select
    cable_class,
    age_from,
    age_to,
    failures,
    exposure_km_years,
    rate_per_100km_year,
    exposure_from_installation,
    rate_from_installation,
    shape,
    shape_from_installation
from fitted.survival_late_entry
