-- One row is a question about what comes first, and the loop that its order puts first.
-- Reads: marts.loop_ranking, marts.programme
-- Key: ordered_by
-- Units: kilometres, money of the settings
-- Why: three orders have a first each; a headline names the question that each answers
with

worked as (
    select
        loop_id,
        row_number() over (order by min(programme_order), loop_id) as place_in_programme
    from marts.programme
    group by loop_id
),

placed as (
    select
        loops.loop_id,
        loops."rank",
        loops.rank_by_money,
        worked.place_in_programme,
        loops.length_km,
        loops.expected_failures,
        loops.expected_rate_per_100km_year,
        loops.benefit_cost_ratio,
        loops.replacement_cost
    from marts.loop_ranking as loops
    -- one row a loop
    left join worked on worked.loop_id = loops.loop_id
),

orders as (
    select 'per_km' as ordered_by, loop_id from placed where "rank" = 1
    union all
    select 'by_money', loop_id from placed where rank_by_money = 1
    union all
    select 'programme', loop_id from placed where place_in_programme = 1
)

select
    orders.ordered_by,
    placed.loop_id,
    placed."rank",
    placed.rank_by_money,
    placed.place_in_programme,
    placed.length_km,
    placed.expected_failures,
    placed.expected_rate_per_100km_year,
    placed.benefit_cost_ratio,
    placed.replacement_cost
from orders
-- one row a loop
inner join placed on placed.loop_id = orders.loop_id
qualify row_number() over (partition by orders.ordered_by order by placed.loop_id) = 1
