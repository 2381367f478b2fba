-- One row is a figure or a judgement that the replacement page states, of a group where the figure has several.
-- Reads: marts.loop_ranking, marts.section_ranking, marts.backtest_summary, marts.backtest_money_summary, marts.calibration_summary, marts.forecast_score, marts.first_loops, marts.duplicates_both_ways, marts.count_reconciliation, marts.before_after, marts.programme, marts.programme_years, marts.cost_curve, settings.current
-- Key: figure, group_name
-- Units: of the figure
-- Why: pages choose words by these rows and judge nothing; a rule is better or worse than the model by its limits alone
with

loops as (
    select
        "rank",
        rank_hi,
        length_km,
        failures_recorded,
        expected_recorded,
        multiplier,
        expected_failures,
        expected_failures_lo,
        expected_failures_hi,
        row_number() over (order by "rank", loop_id) as place
    from marts.loop_ranking
    where "rank" is not null
),

sections as (
    select
        length_km,
        expected_failures,
        row_number() over (order by "rank", loop_id, section_id) as place
    from marts.section_ranking
    where "rank" is not null
),

-- what the first so many loops hold together
loop_heads as (
    select
        place,
        expected_failures_hi,
        rank_hi,
        sum(length_km) over head / nullif(sum(length_km) over (), 0) as length_share,
        sum(expected_failures) over head / nullif(sum(expected_failures) over (), 0) as failures_share,
        count(*) filter (where length_km < 0.1) over head as short_loops,
        sum(failures_recorded) over head / nullif(sum(expected_recorded) over head, 0) as failed_ratio,
        sum(multiplier * expected_recorded) over head / nullif(sum(expected_recorded) over head, 0) as carried_ratio
    from loops
    window head as (order by place)
),

section_heads as (
    select
        place,
        sum(length_km) over head / nullif(sum(length_km) over (), 0) as length_share,
        sum(expected_failures) over head / nullif(sum(expected_failures) over (), 0) as failures_share
    from sections
    window head as (order by place)
),

reaching as (
    select
        heads.place,
        count(*) - 1 as loops_reaching
    from loop_heads as heads
    -- each of the first hundred against all before it
    inner join loops on loops.place <= heads.place and loops.expected_failures_lo <= heads.expected_failures_hi
    where heads.place <= 100
    group by heads.place
),

summaries as (
    select
        'length' as picked_by, level, rule, length_fraction as picked_fraction, null::double as money_spent,
        failures_distinct, capture_fraction, capture_lo, capture_hi, difference_to_model, difference_lo, difference_hi,
        verdict, is_own_length
    from marts.backtest_summary
    union all
    select
        'cost', level, rule, cost_fraction, money_spent,
        failures_distinct, capture_fraction, capture_lo, capture_hi, difference_to_model, difference_lo, difference_hi,
        verdict, false
    from marts.backtest_money_summary
),

at_tenth as (
    select *
    from summaries
    where level = 'loop' and not is_own_length and abs(picked_fraction - 0.1) < 1e-9 and failures_distinct > 0
),

-- the simple rule that is hardest to tell from the model comes first
rivals as (
    select
        *,
        row_number() over (
            partition by picked_by
            order by case verdict when 'better' then 1 when 'cannot_tell' then 2 else 3 end, capture_fraction desc, rule
        ) as place
    from at_tenth
    where rule not in ('model', 'model_per_cost', 'random')
),

contests as (
    select
        ours.picked_by,
        ours.failures_distinct,
        ours.capture_fraction as model,
        ours.capture_lo as model_lo,
        ours.capture_hi as model_hi,
        rivals.rule as rival_rule,
        rivals.capture_fraction as rival,
        -rivals.difference_to_model as lead,
        -rivals.difference_hi as lead_lo,
        -rivals.difference_lo as lead_hi,
        case rivals.verdict when 'worse' then 'better' when 'better' then 'worse' else 'cannot_tell' end as judged
    from at_tenth as ours
    -- one rival a way of picking
    inner join rivals on rivals.picked_by = ours.picked_by and rivals.place = 1
    where ours.rule = case when ours.picked_by = 'length' then 'model' else 'model_per_cost' end
),

flagged as (
    select *
    from summaries
    where level = 'loop' and is_own_length
),

calibrated as (
    select
        *,
        expected_distinct between observed_lo and observed_hi as is_inside
    from marts.calibration_summary
),

forecasts as (
    select
        sum(deviance_model) as model,
        least(sum(deviance_constant), sum(deviance_class_constant)) as better_rival,
        greatest(sum(deviance_constant), sum(deviance_class_constant)) as worse_rival
    from marts.forecast_score
    where grouped_by = 'all'
    having count(*) > 0
),

left_alone as (
    select
        sum(naive_after) as naive,
        sum(expected_after) as expected,
        sum(seen_after) as seen
    from marts.before_after
    where grouped_by = 'recent_failures'
),

reaches as (
    select
        pays_above_per_100km_year as pays_above,
        expected_rate_per_100km_year / pays_above_per_100km_year as reach
    from marts.section_ranking
    where
        benefit_cost_ratio is not null
        and length_km is not null
        and pays_above_per_100km_year > 0
        and isfinite(pays_above_per_100km_year)
),

first_year as (
    select sum(net_benefit) - sum(mobilising_cost) as net
    from marts.programme
    where plan_year = 1
    having count(*) > 0
),

curve as (
    select
        curve_point,
        spent,
        marginal_cost_per_failure_avoided,
        marginal_return,
        row_number() over (
            order by
                abs(spent - coalesce(
                    (select min_by(years.spent, years.plan_year) from marts.programme_years as years),
                    (select replacement_budget from settings.current)
                )),
                curve_point
        ) as nearness
    from marts.cost_curve
    where marginal_cost_per_failure_avoided is not null
)

select
    unnest(['loops_length_share', 'loops_failures_share', 'short_loops', 'loops_failed_ratio', 'loops_carried_ratio'])
        as figure,
    place::varchar as group_name,
    unnest([length_share, failures_share, short_loops, failed_ratio, carried_ratio]) as amount,
    null as judged
from loop_heads
where place <= 100
union all
select 'short_loop_km', '', 0.1, null
union all
-- of a few loops that are the whole fleet there is no rest that may be bad luck
select 'loops_luck', place::varchar, null,
    case when round(failed_ratio, 1) > round(carried_ratio, 1) then 'may_be_luck' else 'no_rest' end
from loop_heads
where place <= 100
union all
select 'loops_reaching_last', place::varchar, loops_reaching, null
from reaching
union all
select 'first_rank', '', null, case when rank_hi <= 1 then 'clear' else 'open' end
from loop_heads
where place = 1
union all
select unnest(['sections_length_share', 'sections_failures_share']), place::varchar,
    unnest([length_share, failures_share]), null
from section_heads
where place <= 100
union all
select 'capture', picked_by, null, judged
from contests
union all
select unnest(['capture_model', 'capture_model_lo', 'capture_model_hi', 'capture_rival', 'capture_lead',
    'capture_lead_lo', 'capture_lead_hi', 'capture_failures']), picked_by,
    unnest([model, model_lo, model_hi, rival, lead, lead_lo, lead_hi, failures_distinct]), null
from contests
union all
select 'capture_rival_rule', picked_by, null, rival_rule
from contests
union all
select unnest(['flagged_share', 'flagged_capture', 'flagged_lead', 'flagged_lead_lo', 'flagged_lead_hi']), rule,
    unnest([picked_fraction, capture_fraction, -difference_to_model, -difference_hi, -difference_lo]), null
from flagged
union all
select 'flagged', rule, null, case when picked_fraction = 0 or verdict is null then 'nothing' else verdict end
from flagged
union all
select unnest(['capture_by_rank_for_money', 'capture_money']), '', unnest([capture_fraction, money_spent]), null
from at_tenth
where picked_by = 'cost' and rule = 'model'
union all
select unnest(['calibration_ratio', 'calibration_ratio_lo', 'calibration_ratio_hi']), '',
    unnest([observed_distinct, observed_lo, observed_hi]) / nullif(expected_distinct, 0), null
from calibrated
where decile = 0
union all
select 'calibration_inside', '', count(*) filter (where is_inside), null
from calibrated
where decile > 0
union all
select 'calibration_usual', '', count(*) * any_value(settings.general_interval_coverage), null
from calibrated
cross join settings.current as settings
where decile > 0
union all
select 'first_' || ordered_by, '', null, loop_id
from marts.first_loops
union all
select 'firsts', '', null, case when count(distinct loop_id) = 1 then 'one' else 'several' end
from marts.first_loops
having count(*) > 1
union all
select 'first_if_joined', '', null, group_name
from marts.duplicates_both_ways
where grouped_by = 'loop' and rank_joined = 1 and "rank" <> 1
union all
select 'duplicates', '', failures - failures_joined, null
from marts.duplicates_both_ways
where grouped_by = 'all'
union all
select 'count_stated', step_order::varchar, jobs, null
from marts.count_reconciliation
where is_total
union all
select 'forecast', '', null,
    case when model < better_rival then 'better_than_both' when model < worse_rival then 'between' else 'worse' end
from forecasts
union all
select unnest(['left_alone_fell', 'left_alone_expected_fall']), '',
    1 - unnest([seen, expected]) / nullif(naive, 0), null
from left_alone
union all
select unnest(['sections_returning', 'returning_km']), '', unnest([count(length_km), coalesce(sum(length_km), 0)]), null
from marts.section_ranking
where benefit_cost_ratio >= 1
union all
select unnest(['pays_above_lo', 'pays_above_hi', 'median_reach', 'sections_passing', 'sections_half_way']), '',
    unnest([
        quantile_cont(pays_above, 0.05), quantile_cont(pays_above, 0.95), median(reach),
        count(*) filter (where reach > 1), count(*) filter (where reach > 0.5)
    ]), null
from reaches
union all
select 'first_year_returns', '', null, case when net >= 0 then 'more' else 'less' end
from first_year
union all
select 'first_year_net', '', abs(net), null
from first_year
union all
select unnest(['curve_near', 'curve_worth']), '',
    unnest([curve_point, marginal_cost_per_failure_avoided * marginal_return]), null
from curve
where nearness = 1
union all
select 'curve_returns_until', '', max_by(spent, curve_point), null
from curve
where marginal_return >= 1
