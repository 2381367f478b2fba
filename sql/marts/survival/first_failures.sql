-- One row is an age of a cable class at which a section had its first recorded failure.
-- Reads: fitted.survival_first_failures
-- Key: cable_class, age_years
-- Units: years, sections, shares
-- Why: product-limit curve with late entry (W.-Y. Tsai, N. P. Jewell, M.-C. Wang, Biometrika 74, 1987)
select
    cable_class,
    age_years,
    start_years,
    at_risk,
    failures,
    survival,
    survival_lo,
    survival_hi
from fitted.survival_first_failures
