-- One row is a section whose length on the register is contradicted by readings of cable ends.
-- Reads: fitted.register_lengths
-- Key: section_id
-- Units: metres
-- Why: lengths contradicted alone (pipelines/locating/register.py)
select
    section_id,
    loop_id,
    cable_class,
    readings,
    length_m,
    implied_length_m,
    implied_lo,
    implied_hi,
    difference_m,
    difference_pct,
    evidence_se,
    likely_slip
from fitted.register_lengths
where is_contradicted
