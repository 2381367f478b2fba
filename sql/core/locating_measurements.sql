-- One row is a displayed distance: to a fault dug up, to an end of cable, of a known run, or from both ends.
-- Reads: staging.jobs, staging.test_shots, staging.known_lengths, staging.sections, core.locating_chains, settings.current
-- Key: reading_id
-- Units: metres, percent of c
-- Why: readings without a dig test the velocity too, each with its own variance
with

jobs as (
    select
        jobs.*,
        jobs.reported_at as read_at
    from staging.jobs as jobs
    -- one row of settings; nothing after the day the figures stand on
    cross join settings.current as current
    where coalesce(cast(jobs.reported_at as date) <= current.general_as_of, true)
),

dug_faults as (
    select
        * replace (coalesce(dug_method, 'unknown') as dug_method),
        job_id || ':dug' as reading_id,
        'dug' as reading_kind,
        estimated_distance_m as displayed_distance_m,
        dug_distance_m as stated_length_m,
        1 as zero_errors
    from jobs
    where estimated_distance_m is not null
        and dug_distance_m is not null
),

far_ends_of_jobs as (
    select
        * exclude (dug_method),
        job_id || ':far_end' as reading_id,
        'far_end' as reading_kind,
        far_end_terminal_id as end_terminal_id,
        far_end_distance_m as displayed_distance_m,
        1 as zero_errors
    from jobs
    where far_end_distance_m is not null
),

far_ends_of_shots as (
    select
        shots.job_id || ':' || shots.shot_no || ':far_end' as reading_id,
        'far_end' as reading_kind,
        shots.job_id,
        jobs.loop_id,
        jobs.section_id,
        jobs.read_at,
        coalesce(shots.instrument_id, jobs.instrument_id) as instrument_id,
        coalesce(shots.velocity_setting_pct, jobs.velocity_setting_pct) as velocity_setting_pct,
        shots.terminal_id as test_terminal_id,
        shots.toward_terminal_id,
        shots.far_end_terminal_id as end_terminal_id,
        shots.far_end_distance_m as displayed_distance_m,
        shots.pulse_ns,
        shots.range_m,
        shots.sampling_m,
        1 as zero_errors
    from staging.test_shots as shots
    -- jobs are unique by job_id
    inner join jobs on jobs.job_id = shots.job_id
    where shots.far_end_distance_m is not null
        -- the job row often repeats the shot it was decided on: one measurement counts once
        and not coalesce(
            shots.far_end_distance_m = jobs.far_end_distance_m and shots.far_end_terminal_id = jobs.far_end_terminal_id,
            false
        )
),

shots_from_one_end as (
    select
        job_id,
        terminal_id,
        toward_terminal_id,
        min(shot_no) as shot_no,
        arg_min(instrument_id, shot_no) as instrument_id,
        arg_min(velocity_setting_pct, shot_no) as velocity_setting_pct,
        arg_min(fault_distance_m, shot_no) as fault_distance_m,
        arg_min_null(pulse_ns, shot_no) as pulse_ns,
        arg_min_null(range_m, shot_no) as range_m,
        arg_min_null(sampling_m, shot_no) as sampling_m
    from staging.test_shots
    where result = 'fault_seen'
        and fault_distance_m is not null
        and toward_terminal_id is not null
    group by job_id, terminal_id, toward_terminal_id
),

two_ended as (
    select
        first_end.job_id || ':' || first_end.shot_no || '+' || other_end.shot_no || ':two_ended' as reading_id,
        'two_ended' as reading_kind,
        first_end.job_id,
        jobs.loop_id,
        jobs.section_id,
        jobs.read_at,
        coalesce(first_end.instrument_id, jobs.instrument_id) as instrument_id,
        coalesce(first_end.velocity_setting_pct, jobs.velocity_setting_pct) as velocity_setting_pct,
        first_end.terminal_id as test_terminal_id,
        first_end.toward_terminal_id,
        other_end.terminal_id as end_terminal_id,
        first_end.fault_distance_m + other_end.fault_distance_m as displayed_distance_m,
        least(first_end.fault_distance_m, other_end.fault_distance_m) as nearer_distance_m,
        -- of two that differ no one can stand for the sum
        if(first_end.pulse_ns = other_end.pulse_ns, first_end.pulse_ns, null) as pulse_ns,
        if(first_end.range_m = other_end.range_m, first_end.range_m, null) as range_m,
        if(first_end.sampling_m = other_end.sampling_m, first_end.sampling_m, null) as sampling_m,
        -- two readings, so the time-zero error enters twice
        2 as zero_errors
    from shots_from_one_end as first_end
    -- one row an ordered pair of terminals, and the condition on shot_no keeps one of the two orders
    inner join shots_from_one_end as other_end
        on other_end.job_id = first_end.job_id
        and other_end.terminal_id = first_end.toward_terminal_id
        and other_end.toward_terminal_id = first_end.terminal_id
        and other_end.shot_no > first_end.shot_no
        and other_end.instrument_id is not distinct from first_end.instrument_id
        and other_end.velocity_setting_pct is not distinct from first_end.velocity_setting_pct
    -- jobs are unique by job_id
    inner join jobs on jobs.job_id = first_end.job_id
),

known_runs as (
    select
        concat_ws(
            ':', known.instrument_id, known.read_on, known.section_id, known.cable_class, known.known_length_m,
            known.reading_m, 'known_length'
        ) as reading_id,
        'known_length' as reading_kind,
        sections.loop_id,
        known.section_id,
        coalesce(sections.cable_class, known.cable_class) as stated_class,
        cast(known.read_on as timestamp) at time zone 'UTC' as read_at,
        known.instrument_id,
        known.velocity_setting_pct,
        known.reading_m as displayed_distance_m,
        coalesce(known.known_length_m, sections.length_m) as stated_length_m,
        1 as zero_errors
    from staging.known_lengths as known
    -- sections are unique by section_id
    left join staging.sections as sections on sections.section_id = known.section_id
    -- one row of settings
    cross join settings.current as current
    where coalesce(known.read_on <= current.general_as_of, true)
),

-- a column that a kind of reading does not have is missing
every_measurement as (
    from dug_faults
    union all by name
    from far_ends_of_jobs
    union all by name
    from far_ends_of_shots
    union all by name
    from two_ended
    union all by name
    from known_runs
),

chain_terminals as (
    -- a terminal ends one section and starts the next: the same place on a sound chain
    select
        job_id,
        terminal_id,
        min(offset_m) as offset_m
    from (
        select job_id, from_terminal_id as terminal_id, chain_from_m as offset_m from core.locating_chains
        union all
        select job_id, to_terminal_id as terminal_id, chain_to_m as offset_m from core.locating_chains
    )
    where terminal_id is not null
    group by job_id, terminal_id
),

chain_lengths as (
    select
        job_id,
        max(chain_to_m) as chain_length_m
    from core.locating_chains
    group by job_id
),

section_middles as (
    select
        job_id,
        section_id,
        (chain_from_m + chain_to_m) / 2 as middle_m
    from core.locating_chains
),

placed as (
    select
        every_measurement.*,
        tested_from.offset_m as test_offset_m,
        marked.offset_m as end_offset_m,
        -- the neighbour measured towards says the direction; else the end marked, the section dug, the chain's end
        case
            when toward.offset_m <> tested_from.offset_m then sign(toward.offset_m - tested_from.offset_m)
            when marked.offset_m <> tested_from.offset_m then sign(marked.offset_m - tested_from.offset_m)
            when dug_section.middle_m <> tested_from.offset_m then sign(dug_section.middle_m - tested_from.offset_m)
            when tested_from.offset_m = 0 then 1
            when tested_from.offset_m = chain_lengths.chain_length_m then -1
        end as direction
    from every_measurement
    -- unique by job and terminal, three times
    left join chain_terminals as tested_from
        on tested_from.job_id = every_measurement.job_id
        and tested_from.terminal_id = every_measurement.test_terminal_id
    left join chain_terminals as toward
        on toward.job_id = every_measurement.job_id
        and toward.terminal_id = every_measurement.toward_terminal_id
    left join chain_terminals as marked
        on marked.job_id = every_measurement.job_id
        and marked.terminal_id = every_measurement.end_terminal_id
    -- a section stands once in a job's chain
    left join section_middles as dug_section
        on dug_section.job_id = every_measurement.job_id
        and dug_section.section_id = every_measurement.section_id
    -- unique by job
    left join chain_lengths on chain_lengths.job_id = every_measurement.job_id
)

select
    reading_id,
    reading_kind,
    job_id,
    loop_id,
    section_id,
    read_at,
    instrument_id,
    velocity_setting_pct,
    test_terminal_id,
    displayed_distance_m,
    stated_length_m,
    dug_method,
    cast(zero_errors as bigint) as zero_errors,
    test_offset_m,
    cast(direction as bigint) as direction,
    -- length by the register, where an end is marked
    abs(end_offset_m - test_offset_m) as register_length_m,
    pulse_ns,
    range_m,
    sampling_m,
    stated_class,
    coalesce(nearer_distance_m, displayed_distance_m) < blind_zone_m(pulse_ns, velocity_setting_pct) as is_inside_blind_zone
from placed
