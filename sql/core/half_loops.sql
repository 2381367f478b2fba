-- One row is a loop and the position after which it is normally open.
-- Reads: staging.loops, staging.sections
-- Key: loop_id
-- Units: position along the loop
-- Why: each side of the normally open terminal is a half-loop; without that terminal the loop is one piece. What was split
-- or merged has the positions of its time, so today's sections alone are asked
with

ends as (
    select
        loop_id,
        to_terminal_id as terminal_id,
        position as last_position_before
    from staging.sections
    where coalesce(retired_because, '') <> 'regrouped'
    union all
    select
        loop_id,
        from_terminal_id as terminal_id,
        position - 1 as last_position_before
    from staging.sections
    where coalesce(retired_because, '') <> 'regrouped'
)

select
    loops.loop_id,
    max(ends.last_position_before) as open_after_position
from staging.loops as loops
-- several rows may end at the terminal (successors share a position); grouped to one a loop
inner join ends on ends.loop_id = loops.loop_id and ends.terminal_id = loops.normal_open_terminal_id
group by loops.loop_id
