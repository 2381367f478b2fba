-- One row is a mark on a loop's strip: a closed job, or a splice.
-- Reads: marts.loop_strips, core.failures, core.fault_places, staging.jobs, staging.section_pieces
-- Key: loop_id, mark_kind, job_id, section_id, at_m
-- Units: metres of cable from the loop's source A
-- Why: every job of the loop is listed; it has a place on the strip where its section still lies in the ground
with

ranked_loops as (
    select loop_id
    from marts.loop_strips as strips
    group by loop_id
),

jobs as (
    select
        failures.*,
        stamps.repaired_at is not null as is_repaired
    from core.failures as failures
    -- jobs are unique by job_id
    inner join staging.jobs as stamps on stamps.job_id = failures.job_id
    -- one row a loop
    inner join ranked_loops on ranked_loops.loop_id = failures.loop_id
    where failures.why_not is distinct from 'after_as_of'
),

placed_jobs as (
    select
        jobs.*,
        jobs.failed_on as marked_on,
        least(strips.start_m + places.place_m, strips.end_m) as at_m,
        case
            when jobs.section_id is null then 'loop_only'
            when places.job_id is null then 'not_in_register'
            when strips.section_id is null then 'replaced'
            else places.place_basis
        end as place_basis
    from jobs
    -- unique by job_id
    left join core.fault_places as places on places.job_id = jobs.job_id
    -- a section stands once on the strips
    left join marts.loop_strips as strips on strips.section_id = jobs.section_id and strips.loop_id = jobs.loop_id
),

piece_ends as (
    select
        section_id,
        from_m as end_m,
        installed_on
    from staging.section_pieces
    union all
    select
        section_id,
        to_m as end_m,
        installed_on
    from staging.section_pieces
),

-- pieces that follow one another share a splice, and the terminals are no splices
splices_of_pieces as (
    select
        strips.loop_id,
        strips.section_id,
        strips.start_m + piece_ends.end_m as at_m,
        min(piece_ends.installed_on) as marked_on
    from piece_ends
    -- a section stands once on the strips
    inner join marts.loop_strips as strips on strips.section_id = piece_ends.section_id
    where piece_ends.end_m > 0
        and piece_ends.end_m < strips.end_m - strips.start_m
    group by strips.loop_id, strips.section_id, strips.start_m, piece_ends.end_m
),

every_mark as (
    select
        *,
        'failure' as mark_kind
    from placed_jobs
    union all by name
    -- cable that was cut for a repair has a splice at the place dug
    select
        *,
        'splice' as mark_kind
    from placed_jobs
    where is_repaired
        and at_m is not null
        and failed_component in ('cable', 'splice')
    union all by name
    select
        *,
        'splice' as mark_kind,
        'piece' as place_basis
    from splices_of_pieces
)

select
    loop_id,
    mark_kind,
    section_id,
    at_m,
    place_basis,
    job_id,
    marked_on,
    failed_component,
    cause,
    why_not
from every_mark
