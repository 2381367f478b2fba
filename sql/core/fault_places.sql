-- One row is a closed job on a section of the register, with the place of its fault on that section.
-- Reads: staging.jobs, staging.sections, staging.terminals, core.locating_runs
-- Key: job_id
-- Units: metres of cable from the section's from-terminal
-- Why: a dug distance is taped along the route from terminal to terminal, tails left out; where it cannot be laid on the
-- section named, the middle stands for a place nobody knows, and the basis says so
with

-- the section as the dug distance reaches it, over the sections passed before it
runs as (
    select
        job_id,
        section_id,
        run_from_m,
        run_to_m - run_from_m as route_m,
        near_tail_m,
        direction
    from core.locating_runs
    where reading_id = job_id || ':dug'
),

placed as (
    select
        jobs.job_id,
        jobs.section_id,
        sections.length_m,
        jobs.dug_distance_m,
        -- without a displayed distance there is no run: then the terminal must be one of the section's own ends
        coalesce(
            runs.direction,
            case
                when jobs.test_terminal_id = sections.from_terminal_id then 1
                when jobs.test_terminal_id = sections.to_terminal_id then -1
            end
        ) as direction,
        jobs.dug_distance_m - coalesce(runs.run_from_m, 0) as distance_inside_m,
        coalesce(
            runs.near_tail_m,
            if(jobs.test_terminal_id = sections.to_terminal_id, to_tails.tail_m, from_tails.tail_m),
            0
        ) as near_tail_m,
        coalesce(
            runs.route_m,
            greatest(sections.length_m - coalesce(from_tails.tail_m, 0) - coalesce(to_tails.tail_m, 0), 0)
        ) as route_m,
        dug_slack_m(jobs.dug_distance_m) as slack_m
    from staging.jobs as jobs
    -- sections are unique by section_id
    inner join staging.sections as sections on sections.section_id = jobs.section_id
    -- a section stands once in a job's chain
    left join runs on runs.job_id = jobs.job_id and runs.section_id = jobs.section_id
    -- terminals are unique by terminal_id, twice
    left join staging.terminals as from_tails on from_tails.terminal_id = sections.from_terminal_id
    left join staging.terminals as to_tails on to_tails.terminal_id = sections.to_terminal_id
),

judged as (
    select
        *,
        least(near_tail_m + least(greatest(distance_inside_m, 0), route_m), length_m) as along_m,
        case
            when dug_distance_m is null or direction is null then 'middle'
            when distance_inside_m between -slack_m and route_m + slack_m then 'dug'
            else 'outside'
        end as place_basis
    from placed
)

select
    job_id,
    section_id,
    case
        when place_basis <> 'dug' then length_m / 2
        when direction > 0 then along_m
        else length_m - along_m
    end as place_m,
    place_basis
from judged
