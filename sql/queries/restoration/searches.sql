-- One row is a job with tests, and the chance of each section of its half-loop on that day to hold the fault.
-- Reads: core.job_stages, core.section_exposure, staging.test_shots, class_rates
-- Key: job_id
-- Units: tests, minutes; chances as failures a year
-- Why: a fault seen from above ground was not searched for by testing
with

shots as (
    select
        job_id,
        count(*) as shots
    from staging.test_shots
    group by job_id
),

tested as (
    select
        job_stages.job_id,
        job_stages.reported_on,
        job_stages.arrive_to_locate_min,
        coalesce(job_stages.test_shots, shots.shots) as tests,
        half.half_loop_id
    from core.job_stages as job_stages
    -- section_id is the key of section_exposure
    inner join core.section_exposure as half on half.section_id = job_stages.section_id
    -- one row a job
    left join shots on shots.job_id = job_stages.job_id
    where coalesce(job_stages.test_shots, shots.shots) >= 1
        and job_stages.method is distinct from 'visual'
)

select
    tested.job_id,
    any_value(tested.tests)::double as tests,
    any_value(tested.arrive_to_locate_min) as locate_min,
    list(class_rates.rate * sections.length_km order by sections.position, sections.section_id) as chances
from tested
-- many sections to a job, listed back to it
inner join core.section_exposure as sections
    on sections.half_loop_id = tested.half_loop_id
    and in_service_on(tested.reported_on, sections.in_service_from, sections.retired_on)
-- one row a class
inner join class_rates on class_rates.cable_class = sections.cable_class
group by tested.job_id
