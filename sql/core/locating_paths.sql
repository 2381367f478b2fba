-- One row is the length of one cable class between the terminal tested from and the place a reading marks.
-- Reads: core.locating_measurements, core.locating_runs, core.locating_chains, staging.sections, staging.section_pieces, staging.terminals
-- Key: reading_id, cable_class
-- Units: metres: along the route where dug, of cable where the register or a known run gives them
-- Why: length_jk of the regression, section_pieces respected
with

measurements as (
    select
        reading_id,
        reading_kind,
        job_id,
        section_id,
        test_terminal_id,
        stated_class,
        coalesce(stated_length_m, register_length_m) as path_length_m
    from core.locating_measurements
    where coalesce(stated_length_m, register_length_m) > 0
),

runs as (
    select
        *,
        cable_to_m = max(cable_to_m) over (partition by reading_id) as is_last
    from core.locating_runs
),

-- dug distances are taped along the route; the register's lengths are cable from end to end
sections_on_the_way as (
    select
        measurements.reading_id,
        measurements.reading_kind,
        measurements.path_length_m,
        runs.section_id,
        runs.cable_class,
        runs.direction,
        runs.is_last,
        if(measurements.reading_kind = 'dug', runs.run_from_m, runs.cable_from_m) as way_from_m,
        if(measurements.reading_kind = 'dug', runs.run_to_m, runs.cable_to_m) as way_to_m,
        if(measurements.reading_kind = 'dug', runs.near_tail_m, 0) as near_tail_m,
        if(measurements.reading_kind = 'dug', runs.far_tail_m, 0) as far_tail_m
    from measurements
    -- meant to give every section ahead
    inner join runs on runs.reading_id = measurements.reading_id
),

sections_passed as (
    select
        reading_id,
        'chain' as path_basis,
        section_id,
        cable_class,
        -- beyond the register's last metre the last section goes on: the register is short, not the cable
        if(is_last, path_length_m, least(way_to_m, path_length_m)) - way_from_m as length_m,
        -- the part passed, counted from the section's from-terminal, where pieces are counted from
        if(direction > 0, 0, way_to_m - least(way_to_m, path_length_m)) as passed_from_m,
        if(direction > 0, least(way_to_m, path_length_m) - way_from_m, way_to_m - way_from_m) as passed_to_m,
        -- the tail at the near end is always passed, the one at the far end if the fault lies beyond that terminal
        near_tail_m + if(path_length_m > way_to_m and not is_last, far_tail_m, 0) as tail_m
    from sections_on_the_way
    where way_from_m < path_length_m
),

chains_of_one_class as (
    select
        job_id,
        min(cable_class) as cable_class
    from core.locating_chains
    group by job_id
    having min(cable_class) = max(cable_class)
),

-- a known run is a whole section, or cable of a class that is not on the register
known_sections as (
    select
        measurements.reading_id,
        'section' as path_basis,
        measurements.section_id,
        measurements.stated_class as cable_class,
        measurements.path_length_m as length_m,
        0 as passed_from_m,
        sections.length_m as passed_to_m,
        0 as tail_m
    from measurements
    -- sections are unique by section_id
    left join staging.sections as sections on sections.section_id = measurements.section_id
    where measurements.stated_class is not null
),

-- terminal or direction unknown, but the loop has one class only: the place does not matter
paths_in_one_class as (
    select
        measurements.reading_id,
        'one_class' as path_basis,
        measurements.section_id,
        chains_of_one_class.cable_class,
        measurements.path_length_m as length_m,
        if(measurements.reading_kind = 'dug', coalesce(tails.tail_m, 0), 0) as tail_m
    from measurements
    -- unique by job, and terminals by terminal_id
    inner join chains_of_one_class on chains_of_one_class.job_id = measurements.job_id
    left join staging.terminals as tails on tails.terminal_id = measurements.test_terminal_id
    where measurements.reading_id not in (select runs.reading_id from runs)
),

-- terminal unknown and several classes, but the distance fits in the section dug: measured from one of its ends
paths_in_own_section as (
    select
        measurements.reading_id,
        'own_section' as path_basis,
        measurements.section_id,
        sections.cable_class,
        measurements.path_length_m as length_m,
        coalesce(tails.tail_m, 0) as tail_m
    from measurements
    -- sections are unique by section_id, terminals by terminal_id
    inner join staging.sections as sections on sections.section_id = measurements.section_id
    left join staging.terminals as tails on tails.terminal_id = measurements.test_terminal_id
    where measurements.reading_kind = 'dug'
        and measurements.path_length_m <= sections.length_m
        and measurements.reading_id not in (select runs.reading_id from runs)
        and measurements.reading_id not in (select paths.reading_id from paths_in_one_class as paths)
),

-- where along its section a path without a known terminal lies is missing
every_part as (
    from sections_passed
    union all by name
    from known_sections
    union all by name
    from paths_in_one_class
    union all by name
    from paths_in_own_section
),

pieces_passed as (
    select
        every_part.reading_id,
        every_part.path_basis,
        every_part.section_id,
        pieces.cable_class,
        least(every_part.passed_to_m, pieces.to_m) - greatest(every_part.passed_from_m, pieces.from_m) as length_m
    from every_part
    -- meant to give every piece of the section that the reading passes
    inner join staging.section_pieces as pieces
        on pieces.section_id = every_part.section_id
        and pieces.from_m < every_part.passed_to_m
        and pieces.to_m > every_part.passed_from_m
    -- measurements are unique by reading_id
    inner join core.locating_measurements as measured on measured.reading_id = every_part.reading_id
    where coalesce(pieces.installed_on <= cast(measured.read_at as date), true)
),

pieces_a_section as (
    select
        reading_id,
        section_id,
        exact_sum(length_m) as length_m
    from pieces_passed
    group by reading_id, section_id
),

lengths as (
    select
        every_part.reading_id,
        every_part.path_basis,
        every_part.cable_class,
        greatest(every_part.length_m - coalesce(pieces_a_section.length_m, 0), 0) as length_m,
        every_part.tail_m
    from every_part
    -- unique by reading and section
    left join pieces_a_section
        on pieces_a_section.reading_id = every_part.reading_id
        and pieces_a_section.section_id = every_part.section_id
    union all
    select
        reading_id,
        path_basis,
        cable_class,
        length_m,
        0 as tail_m
    from pieces_passed
)

select
    reading_id,
    cable_class,
    min(path_basis) as path_basis,
    exact_sum(length_m) as length_m,
    exact_sum(tail_m) as tail_m
from lengths
-- less than a millimetre is what rounding leaves of a section that only touches the path
where length_m + tail_m > 0.001
group by reading_id, cable_class
