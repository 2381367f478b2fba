-- One row is a job and a terminal it may have been tested from: the one on record or a neighbour of it.
-- Reads: staging.sections, staging.jobs
-- Key: job_id, candidate_terminal_id
-- Units: metres of cable from the loop's source A
-- Why: the chain as it stands today places terminals well enough: a replaced section keeps its ends
with

steps as (
    select
        loop_id,
        position,
        median(length_m) as length_m,
        max(from_terminal_id) as from_terminal_id,
        max(to_terminal_id) as to_terminal_id
    from staging.sections
    group by loop_id, position
),

placed as (
    select
        *,
        sum(length_m) over (partition by loop_id order by position) - length_m as from_m,
        sum(length_m) over (partition by loop_id order by position) as to_m
    from steps
),

ends as (
    select loop_id, position as step, from_terminal_id as terminal_id, from_m as at_m from placed
    union all
    select loop_id, position + 1 as step, to_terminal_id as terminal_id, to_m as at_m from placed
),

terminals as (
    select
        loop_id,
        terminal_id,
        min(step) as step,
        min(at_m) as at_m
    from ends
    where terminal_id is not null
    group by loop_id, terminal_id
)

select
    jobs.job_id,
    jobs.dug_distance_m,
    jobs.test_terminal_id,
    candidates.terminal_id as candidate_terminal_id,
    candidates.at_m as candidate_at_m,
    placed.from_m as section_from_m,
    placed.to_m as section_to_m
from staging.jobs as jobs
-- sections are unique by section_id, steps by loop and position, terminals by loop and terminal
inner join staging.sections as sections on sections.section_id = jobs.section_id
inner join placed on placed.loop_id = sections.loop_id and placed.position = sections.position
inner join terminals as tested on tested.loop_id = sections.loop_id and tested.terminal_id = jobs.test_terminal_id
-- meant to give every neighbour
inner join terminals as candidates
    on candidates.loop_id = sections.loop_id
    and abs(candidates.step - tested.step) <= 1
where jobs.dug_distance_m > 0
