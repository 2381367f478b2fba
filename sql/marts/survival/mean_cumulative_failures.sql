-- One row is an age of a cable class at which the curve steps.
-- Reads: fitted.survival_mean_cumulative
-- Key: cable_class, age_years
-- Units: years, km, failures per km
-- Why: methods, mean cumulative failures with robust limits and risk set
select
    cable_class,
    age_years,
    at_risk_km,
    mcf_per_km,
    mcf_lo,
    mcf_hi
from fitted.survival_mean_cumulative
