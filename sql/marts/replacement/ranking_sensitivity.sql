-- One row is another reading of the same records.
-- Reads: fitted.ranking_sensitivity
-- Key: variant
-- Units: failures, sections, loops
-- Why: what no record proves must not decide the head of the list
select
    variant,
    failures_used,
    sections_used,
    loops_ranked,
    top_loops,
    top_stay,
    top_left,
    top_came,
    variant_explained
from fitted.ranking_sensitivity
