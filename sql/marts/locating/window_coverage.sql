-- One row is a group of past digs, a level and a method of window.
-- Reads: fitted.window_coverage
-- Key: grouped_by, group_name, window_level, window_method
-- Units: metres
-- Why: presented as fitted (pipelines/locating/coverage.py)
select
    grouped_by,
    group_name,
    window_level,
    window_method,
    is_used,
    tried,
    held,
    held_share,
    held_lo,
    held_hi,
    half_width_m
from fitted.window_coverage
