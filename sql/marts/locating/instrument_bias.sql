-- One row is an instrument.
-- Reads: fitted.instrument_bias
-- Key: instrument_id
-- Units: metres
-- Why: presented as fitted (pipelines/locating/velocity.py)
select
    instrument_id,
    readings,
    offset_m,
    offset_lo,
    offset_hi,
    scale,
    scale_lo,
    scale_hi,
    verdict,
    readings_needed,
    last_reading_at,
    noise_ratio,
    wrong_readings
from fitted.instrument_bias
