-- One row is an age of a cable class at which the curve steps.
-- Reads: fitted.survival_mean_cumulative
-- Key: cable_class, age_years
-- Units: years, km, failures per km
-- Why: failures that recur have a mean cumulative number, not a survival; limits hold however they cluster
select
    cable_class,
    age_years,
    at_risk_km,
    mcf_per_km,
    mcf_lo,
    mcf_hi
from fitted.survival_mean_cumulative
