-- One row is a year of a cable class.
-- Reads: fitted.survival_orphans
-- Key: cable_class, year
-- Units: failures
-- Why: failures on cable that left the register are the sign of survivor bias
select
    cable_class,
    year,
    failures,
    orphans,
    orphan_share
from fitted.survival_orphans
