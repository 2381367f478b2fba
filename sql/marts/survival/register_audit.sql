-- One row is a fault of the register in a cable class.
-- Reads: fitted.survival_audit
-- Key: finding, cable_class
-- Units: km, failures per 100 km and year, percent
-- Why: the register is looked at before any fit; what each fault does to the rates is computed, with and without
select
    finding,
    cable_class,
    sections,
    length_km,
    failures,
    rate_per_100km_year,
    rate_with,
    effect_pct,
    shape,
    shape_with
from fitted.survival_audit
