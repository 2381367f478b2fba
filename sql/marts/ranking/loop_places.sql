-- One row is a loop that ranks and whose terminals have coordinates.
-- Reads: marts.loop_ranking, staging.terminals, staging.sections
-- Key: loop_id
-- Units: those of the coordinates; a ratio
-- Why: a point a loop for the map; straight distances longer than the cable betray coordinates that are not in metres
with

terminals as (
    select *
    from staging.terminals
    where x is not null
        and y is not null
),

middles as (
    select
        terminals.loop_id,
        exact_sum(terminals.x) / count(*) as x,
        exact_sum(terminals.y) / count(*) as y,
        count(*) as terminals
    from terminals
    -- one row a loop
    inner join marts.loop_ranking as ranked_loops on ranked_loops.loop_id = terminals.loop_id
    group by terminals.loop_id
),

straight_lines as (
    select
        sections.loop_id,
        exact_sum(sqrt(power(to_end.x - from_end.x, 2) + power(to_end.y - from_end.y, 2)))
            / nullif(exact_sum(sections.length_m), 0) as straight_over_cable
    from staging.sections as sections
    -- terminals are unique by terminal_id, twice
    inner join terminals as from_end on from_end.terminal_id = sections.from_terminal_id
    inner join terminals as to_end on to_end.terminal_id = sections.to_terminal_id
    group by sections.loop_id
)

select
    middles.loop_id,
    middles.x,
    middles.y,
    middles.terminals,
    straight_lines.straight_over_cable
from middles
-- one row a loop
left join straight_lines on straight_lines.loop_id = middles.loop_id
