-- One row is a section in service of a loop that ranks, with its place along the loop.
-- Reads: fitted.section_ranking, marts.loop_ranking, staging.sections, staging.loops, core.half_loops
-- Key: loop_id, position, section_id
-- Units: metres of cable from the loop's source A
-- Why: the loop as it lies today, laid out to scale: the lengths of its sections in the order of position
with

laid_out as (
    select
        ranked_sections.loop_id,
        ranked_sections.half_loop_id,
        register.position,
        ranked_sections.section_id,
        register.from_terminal_id,
        register.to_terminal_id,
        coalesce(sum(register.length_m) over before, 0) as start_m,
        coalesce(sum(register.length_m) over before, 0) + register.length_m as end_m,
        ranked_sections.cable_class,
        ranked_sections.installed_on,
        ranked_sections.expected_failures,
        ranked_sections.failures_recorded as failures,
        loops.configuration,
        half_loops.open_after_position,
        lead(register.position) over along as next_position,
        row_number() over along as place
    from fitted.section_ranking as ranked_sections
    -- loops and sections are unique by their ids, half_loops by loop_id
    inner join marts.loop_ranking as ranked_loops on ranked_loops.loop_id = ranked_sections.loop_id
    inner join staging.sections as register on register.section_id = ranked_sections.section_id
    left join staging.loops as loops on loops.loop_id = ranked_sections.loop_id
    left join core.half_loops as half_loops on half_loops.loop_id = ranked_sections.loop_id
    window
        along as (partition by ranked_sections.loop_id order by register.position, ranked_sections.section_id),
        before as (
            partition by ranked_sections.loop_id order by register.position, ranked_sections.section_id
            rows between unbounded preceding and 1 preceding
        )
)

select
    loop_id,
    half_loop_id,
    position,
    section_id,
    from_terminal_id,
    to_terminal_id,
    start_m,
    end_m,
    cable_class,
    installed_on,
    expected_failures,
    failures,
    case
        when position <= open_after_position and coalesce(next_position > open_after_position, true) then 'to'
        when place = 1 and position > open_after_position then 'from'
    end as normal_open,
    configuration
from laid_out
