-- One row is a value of an attribute of cable, against the value with the most failures.
-- Reads: fitted.survival_attributes
-- Key: attribute, attribute_value
-- Units: ratios, km-years
-- Why: DEVELOPERS.md, Methods: proportional hazards by age within an insulation, limits robust to loops
select
    attribute,
    attribute_value,
    reference_value,
    hazard_ratio,
    hazard_ratio_lo,
    hazard_ratio_hi,
    sections,
    failures,
    exposure_km_years,
    attribute_verdict
from fitted.survival_attributes
