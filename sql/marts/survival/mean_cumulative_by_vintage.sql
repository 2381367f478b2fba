-- One row is an age of a cable class and vintage at which the curve steps.
-- Reads: fitted.survival_vintages
-- Key: cable_class, vintage, age_years
-- Units: years, km, failures per km
-- Why: cable of one class laid in different decades may fail differently; the curve counts from the age a tenth of it was in view
select
    cable_class,
    vintage,
    age_years,
    at_risk_km,
    mcf_per_km,
    mcf_lo,
    mcf_hi,
    in_view_from_age_years,
    vintage_length_km,
    vintage_failures
from fitted.survival_vintages
