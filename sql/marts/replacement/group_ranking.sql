-- One row is a half-loop or district with cable in service.
-- Reads: fitted.group_ranking
-- Key: grouped_by, group_name
-- Units: km, years, minutes, money of the settings
-- Why: sections rolled up; limits from the posterior of the group's total
select
    grouped_by,
    group_name,
    rank,
    rank_lo,
    rank_hi,
    length_km,
    sections,
    loops,
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
from fitted.group_ranking
