-- One row is a loop of this ranking or of the last one that differed.
-- Reads: fitted.ranking_churn
-- Key: loop_id
-- Units: km, failures per 100 km and year, percent, places
-- Why: a ranking that moves must say why
select
    loop_id,
    run_then,
    as_of_then,
    rank_then,
    rank_now,
    places_moved,
    places_own,
    places_by_others,
    rate_then,
    rate_now,
    class_change_pct,
    record_change_pct,
    failures_then,
    failures_now,
    length_then_km,
    length_now_km,
    sections_added,
    sections_removed,
    churn_reasons
from fitted.ranking_churn
