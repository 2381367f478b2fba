-- One row is a section in service.
-- Reads: fitted.section_ranking
-- Key: section_id
-- Units: km, years, minutes, money of the settings
-- Why: ranked by failures expected per km, limits from the posterior
select
    "rank",
    rank_lo,
    rank_hi,
    section_id,
    loop_id,
    district_id,
    cable_class,
    installed_on,
    length_km,
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
    half_loop_id,
    age_years,
    probability_of_failure,
    alike_group,
    rank_by_money,
    expected_rate_per_100km_year,
    pays_above_per_100km_year,
    is_paying,
    cost_per_failure,
    customer_minutes_per_failure,
    avoided_failures,
    net_benefit,
    last_failure_on
from fitted.section_ranking
