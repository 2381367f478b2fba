-- One row is a rule at a level and a share of length or of cost, its past dates pooled.
-- Reads: marts.backtest, marts.backtest_money
-- Key: picked_by, level, rule, picked_fraction
-- Units: failures, money of the settings, shares between 0 and 1
-- Why: captured over total of all past dates together
with

picks as (
    select
        'length' as picked_by,
        level,
        rule,
        length_fraction as picked_fraction,
        null::double as money_spent,
        failures_captured,
        failures_total
    from marts.backtest
    union all
    select 'cost', level, rule, cost_fraction, money_spent, failures_captured, failures_total
    from marts.backtest_money
)

select
    picked_by,
    level,
    rule,
    picked_fraction,
    avg(money_spent) as money_spent,
    exact_sum(failures_captured) as failures_captured,
    sum(failures_total)::bigint as failures_total,
    exact_sum(failures_captured) / nullif(sum(failures_total), 0) as capture_fraction
from picks
group by picked_by, level, rule, picked_fraction
having sum(failures_total) > 0
