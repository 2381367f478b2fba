-- One row is a right reading of an instrument, in order of time.
-- Reads: fitted.drift_chart
-- Key: instrument_id, read_at, reading_id
-- Units: percent, standard errors
-- Why: presented as fitted (pipelines/locating/drift.py)
select
    instrument_id,
    reading_id,
    read_at,
    error_pct,
    standardised_error,
    ewma,
    ewma_limit,
    cusum_high,
    cusum_low,
    is_out
from fitted.drift_chart
