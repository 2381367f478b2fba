-- One row is a section of a loop's chain as it stood on the day of a job.
-- Reads: staging.jobs, staging.sections, staging.section_successors, staging.test_shots
-- Key: job_id, position
-- Units: metres of cable from the loop's source A
-- Why: lengths are counted along the cable that lay in the ground on that day. A merging moves the positions after it; for a
-- day before it they are moved back
with

jobs_with_readings as (
    select
        job_id,
        loop_id,
        section_id,
        cast(reported_at as date) as read_on
    from staging.jobs
    where estimated_distance_m is not null
        or far_end_distance_m is not null
        or job_id in (select shots.job_id from staging.test_shots as shots)
),

mergings as (
    select
        sections.loop_id,
        sections.position,
        successors."on",
        count(*) - 1 as sections_fewer
    from staging.section_successors as successors
    -- sections are unique by section_id; grouped to one row a merging
    inner join staging.sections as sections on sections.section_id = successors.new_section_id
    where successors.kind = 'merged'
    group by sections.loop_id, sections.position, successors."on"
),

sections_on_that_day as (
    select
        jobs.job_id,
        sections.section_id,
        sections.position + if(
            sections.retired_because = 'regrouped',
            0,
            coalesce((
                select sum(mergings.sections_fewer)
                from mergings
                where mergings.loop_id = sections.loop_id
                    and mergings.position < sections.position
                    and mergings."on" > jobs.read_on
            ), 0)
        )::bigint as position_then,
        sections.from_terminal_id,
        sections.to_terminal_id,
        sections.length_m,
        sections.cable_class
    from jobs_with_readings as jobs
    -- meant to give every section of the loop; the qualify below keeps one a position
    inner join staging.sections as sections on sections.loop_id = jobs.loop_id
    where sections.section_id = jobs.section_id
        or in_service_on(jobs.read_on, sections.in_service_from, sections.retired_on)
    -- the section repaired was in the ground, whatever the register's dates say; else the newest cable
    qualify row_number() over (
        partition by jobs.job_id, position_then
        order by (sections.section_id = jobs.section_id) desc nulls last, sections.installed_on desc nulls last, sections.section_id
    ) = 1
)

select
    job_id,
    position_then as position,
    section_id,
    from_terminal_id,
    to_terminal_id,
    length_m,
    cable_class,
    sum(length_m) over (partition by job_id order by position_then) - length_m as chain_from_m,
    sum(length_m) over (partition by job_id order by position_then) as chain_to_m
from sections_on_that_day
