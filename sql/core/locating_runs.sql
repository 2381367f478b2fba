-- One row is a section that a measurement looks along, from the terminal tested from outwards.
-- Reads: core.locating_measurements, core.locating_chains, staging.terminals
-- Key: reading_id, cable_from_m, section_id
-- Units: metres from the terminal tested from: of cable, tails included, and along the route, tails left out
-- Why: the path is split over the classes it passes
with

measurements as (
    select
        reading_id,
        job_id,
        test_offset_m,
        direction
    from core.locating_measurements
    where test_offset_m is not null
        and direction is not null
),

sections_ahead as (
    select
        measurements.reading_id,
        measurements.job_id,
        chains.section_id,
        chains.cable_class,
        chains.length_m,
        measurements.direction,
        if(
            measurements.direction > 0,
            chains.chain_from_m - measurements.test_offset_m,
            measurements.test_offset_m - chains.chain_to_m
        ) as cable_from_m,
        if(
            measurements.direction > 0,
            chains.chain_to_m - measurements.test_offset_m,
            measurements.test_offset_m - chains.chain_from_m
        ) as cable_to_m,
        coalesce(if(measurements.direction > 0, from_tails.tail_m, to_tails.tail_m), 0) as near_tail_m,
        coalesce(if(measurements.direction > 0, to_tails.tail_m, from_tails.tail_m), 0) as far_tail_m
    from measurements
    -- meant to give every section of the job's chain on that side of the terminal
    inner join core.locating_chains as chains on chains.job_id = measurements.job_id
    -- terminals are unique by terminal_id, twice
    left join staging.terminals as from_tails on from_tails.terminal_id = chains.from_terminal_id
    left join staging.terminals as to_tails on to_tails.terminal_id = chains.to_terminal_id
    where if(
        measurements.direction > 0,
        chains.chain_from_m >= measurements.test_offset_m - 1e-6,
        chains.chain_to_m <= measurements.test_offset_m + 1e-6
    )
),

-- what is taped above ground runs from terminal to terminal, without the tails
route_lengths as (
    select
        *,
        greatest(length_m - near_tail_m - far_tail_m, 0) as route_m
    from sections_ahead
)

select
    reading_id,
    job_id,
    section_id,
    cable_class,
    length_m,
    direction,
    cable_from_m,
    cable_to_m,
    sum(route_m) over (partition by reading_id order by cable_from_m, section_id) - route_m as run_from_m,
    sum(route_m) over (partition by reading_id order by cable_from_m, section_id) as run_to_m,
    near_tail_m,
    far_tail_m
from route_lengths
