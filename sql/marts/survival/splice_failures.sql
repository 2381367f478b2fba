-- One row is a time since the last repair of a section.
-- Reads: fitted.survival_splices
-- Key: repair_band
-- Units: section-years, failures per 100 section-years
-- Why: a repair adds splices, and splices fail by an age of their own
select
    repair_band,
    section_years,
    splice_failures,
    splice_rate_per_100_section_years,
    splice_rate_lo,
    splice_rate_hi,
    cable_failures,
    cable_rate_per_100_section_years,
    cable_rate_lo,
    cable_rate_hi
from fitted.survival_splices
