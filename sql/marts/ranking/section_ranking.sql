-- One row is a section in service.
-- Reads: fitted.section_ranking, settings.current
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
    concat(
        case when failures_recorded = 1 then '1 failure' else failures_recorded || ' failures' end,
        case
            when expected_recorded > 0
                then format(' on record where its class expects {:.1f}: ', expected_recorded)
            else ' on record, no time observed to compare; '
        end,
        format(
            '{:.1f} times its class once chance is allowed for ({:.1f} to {:.1f}). ',
            multiplier, multiplier_lo, multiplier_hi
        ),
        format('{:.0f} m of {}, ', 1000.0 * length_km, cable_class),
        case when installed_on is null then 'age unknown. ' else format('{:.0f} years old. ', age_years) end,
        format('{:.2f} failures expected in {:.0f} years: ', expected_failures, settings.general_horizon_years),
        format(
            '{:.0f} per 100 km and year; replacing pays above {:.0f}, so by money alone it {}. ',
            expected_rate_per_100km_year, pays_above_per_100km_year,
            case when is_paying then 'pays' else 'does not pay' end
        ),
        case
            when last_failure_on is null then 'No failure on record.'
            else 'Last failure ' || strftime(last_failure_on, '%Y-%m-%d') || '.'
        end,
        case
            when injection_factor < 1
                then format(' Injected in {}: forecast at {:.2f} of what it would fail left alone.',
                    year(rejuvenated_on), injection_factor)
            else ''
        end
    ) as reasons,
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
    last_failure_on,
    injection_factor
from fitted.section_ranking
-- one row in all
cross join settings.current as settings
