-- One row is a failed component of a cable class.
-- Reads: fitted.survival_fits
-- Key: cable_class, failed_component
-- Units: years, probabilities
-- Why: does the intensity grow with age, and is it a power law (Laplace; MIL-HDBK-189; chi-square by age)
select
    cable_class,
    failed_component,
    failures,
    shape,
    shape_lo,
    shape_hi,
    scale_years_1km,
    laplace_z,
    laplace_p,
    log_ratio_p,
    fit_chi_square,
    fit_degrees,
    fit_p
from fitted.survival_fits
