-- One row is a cable class.
-- Reads: fitted.survival_classes
-- Key: cable_class
-- Units: failures per 100 km and year; years
-- Why: recurrent failures per km, a power law of age by maximum likelihood over the windows in view
select
    cable_class,
    sections,
    length_km,
    exposure_km_years,
    failures,
    rate_per_100km_year,
    rate_lo,
    rate_hi,
    shape,
    shape_lo,
    shape_hi,
    scale_years_1km,
    scale_lo,
    scale_hi,
    sections_without_date,
    failures_without_date
from fitted.survival_classes
