-- One row is a loop with cable in service.
-- Reads: fitted.loop_ranking
-- Key: loop_id
-- Units: km, years, minutes, money of the settings
-- Why: ranked by failures expected per km, limits from the posterior
select
    "rank",
    rank_lo,
    rank_hi,
    loop_id,
    district_id,
    length_km,
    sections,
    oldest_installed,
    failures_recorded,
    expected_recorded,
    multiplier,
    multiplier_lo,
    multiplier_hi,
    expected_failures,
    expected_failures_lo,
    expected_failures_hi,
    customer_minutes_at_risk,
    replacement_cost,
    avoided_cost,
    benefit_cost_ratio,
    reasons,
    probability_of_failure,
    alike_group,
    rank_by_money,
    expected_rate_per_100km_year,
    avoided_failures,
    net_benefit,
    sections_paying,
    worst_class,
    worst_class_km,
    last_failure_on
from fitted.loop_ranking
