-- One row is a set of cable picked at some date, by how it was picked.
-- Reads: fitted.before_after
-- Key: grouped_by, group_name
-- Units: km, years, failures, percent
-- Why: a fall counts for an effect only beside the fall to be expected with nothing done
select
    grouped_by,
    group_name,
    picked_from,
    picked_to,
    loops,
    sections,
    length_km,
    years_before,
    failures_before,
    years_after,
    naive_after,
    expected_after,
    expected_after_lo,
    expected_after_hi,
    seen_after,
    seen_after_lo,
    seen_after_hi,
    naive_fall_pct,
    expected_fall_pct,
    seen_over_expected,
    seen_over_expected_lo,
    seen_over_expected_hi,
    effect_verdict,
    sections_left_out
from fitted.before_after
