-- One row is an instrument with digs, whether or not its setting is on record.
-- Reads: fitted.reads_long
-- Key: instrument_id
-- Units: metres, percent
-- Why: presented as fitted (pipelines/locating/proposals.py)
select
    instrument_id,
    digs,
    settings_known,
    median_error_m,
    reads_long_pct,
    reads_long_lo,
    reads_long_hi
from fitted.reads_long
