-- One row is an insulation with enough readings over the year.
-- Reads: fitted.season
-- Key: insulation
-- Units: percent
-- Why: presented as fitted (pipelines/locating/drift.py)
select
    insulation,
    readings,
    season_pct,
    season_lo,
    season_hi,
    reads_longest_day,
    season_p_value,
    is_carried
from fitted.season
