-- One row is an instrument with twelve right readings or more.
-- Reads: fitted.instrument_drift
-- Key: instrument_id
-- Units: percent a year
-- Why: presented as fitted (pipelines/locating/drift.py)
select
    instrument_id,
    readings,
    is_drifting,
    ewma_out_at,
    cusum_out_at,
    drift_from_at,
    drift_pct_per_year,
    drift_lo,
    drift_hi,
    last_ewma_pct,
    last_calibrated_on
from fitted.instrument_drift
