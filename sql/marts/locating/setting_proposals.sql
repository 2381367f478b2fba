-- One row is an instrument and cable class that were used together on a dig.
-- Reads: fitted.setting_proposals
-- Key: instrument_id, cable_class
-- Units: percent of c, metres
-- Why: presented as fitted (pipelines/locating/proposals.py)
select
    instrument_id,
    cable_class,
    digs,
    setting_median_pct,
    setting_proposed_pct,
    setting_proposed_lo,
    setting_proposed_hi,
    reads_long_pct,
    verdict,
    readings_needed,
    error_before_m,
    error_after_m
from fitted.setting_proposals
