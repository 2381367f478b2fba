-- One row is a job whose dug distance, terminals and section cannot all be right.
-- Reads: core.locating_measurements, core.locating_runs, core.locating_chains, staging.jobs
-- Key: job_id
-- Units: metres along the route from the terminal tested from
-- Why: such a record cannot say whether the right section was called; it waits for a person
with

digs as (
    select
        measurements.reading_id,
        measurements.job_id,
        measurements.section_id,
        measurements.test_terminal_id,
        jobs.toward_terminal_id,
        measurements.stated_length_m as dug_distance_m,
        measurements.test_offset_m,
        measurements.direction
    from core.locating_measurements as measurements
    -- jobs are unique by job_id
    inner join staging.jobs as jobs on jobs.job_id = measurements.job_id
    where measurements.reading_kind = 'dug'
        and measurements.stated_length_m > 0
        and measurements.section_id is not null
),

-- the sections ahead do not overlap, so a distance falls in one at most; max() picks it
ahead as (
    select
        digs.reading_id,
        count(*) as sections_ahead,
        max(if(runs.section_id = digs.section_id, runs.run_from_m, null)) as section_from_m,
        max(if(runs.section_id = digs.section_id, runs.run_to_m, null)) as section_to_m,
        max(if(
            digs.dug_distance_m >= runs.run_from_m and digs.dug_distance_m < runs.run_to_m, runs.section_id, null
        )) as dug_section_id
    from digs
    -- meant to give every section ahead
    inner join core.locating_runs as runs on runs.reading_id = digs.reading_id
    group by digs.reading_id
),

-- the other way from the same terminal, in metres of cable: the section named, and the neighbour looked at on the way
behind as (
    select
        digs.reading_id,
        max(if(
            chains.section_id = digs.section_id,
            if(digs.direction > 0, digs.test_offset_m - chains.chain_to_m, chains.chain_from_m - digs.test_offset_m),
            null
        )) as section_from_m,
        max(if(
            chains.section_id = digs.section_id,
            if(digs.direction > 0, digs.test_offset_m - chains.chain_from_m, chains.chain_to_m - digs.test_offset_m),
            null
        )) as section_to_m,
        max(if(digs.direction > 0, chains.from_terminal_id, chains.to_terminal_id)) filter (
            where abs(if(digs.direction > 0, chains.chain_to_m, chains.chain_from_m) - digs.test_offset_m) <= 1e-6
        ) as other_toward_terminal_id,
        max(abs(if(chains.to_terminal_id = digs.toward_terminal_id, chains.chain_to_m, chains.chain_from_m) - digs.test_offset_m))
            filter (where digs.toward_terminal_id in (chains.from_terminal_id, chains.to_terminal_id)) as toward_at_m,
        bool_or(chains.section_id = digs.section_id) as is_on_loop
    from digs
    -- meant to give every section of the job's chain
    inner join core.locating_chains as chains on chains.job_id = digs.job_id
    group by digs.reading_id
),

judged as (
    select
        digs.*,
        ahead.sections_ahead,
        ahead.dug_section_id,
        coalesce(ahead.section_from_m, behind.section_from_m) as section_from_m,
        coalesce(ahead.section_to_m, behind.section_to_m) as section_to_m,
        behind.other_toward_terminal_id,
        behind.toward_at_m,
        case
            when not behind.is_on_loop then 'section_not_on_loop'
            when ahead.section_from_m is null then 'section_behind_terminal'
            when digs.dug_distance_m
                not between ahead.section_from_m - dug_slack_m(digs.dug_distance_m)
                and ahead.section_to_m + dug_slack_m(digs.dug_distance_m)
                then 'dug_outside_section'
        end as record_contradiction
    from digs
    -- unique by reading, twice
    inner join ahead on ahead.reading_id = digs.reading_id
    inner join behind on behind.reading_id = digs.reading_id
)

select
    job_id,
    record_contradiction,
    section_id,
    section_from_m,
    section_to_m,
    test_terminal_id,
    toward_terminal_id,
    toward_at_m,
    other_toward_terminal_id,
    dug_distance_m,
    dug_section_id,
    sections_ahead
from judged
where record_contradiction is not null
