-- One row is a job with tests on a half-loop of several sections, with what a model of an earlier date expected of each.
-- Reads: core.job_stages, core.section_exposure, staging.test_shots, forecasts
-- Key: job_id
-- Units: tests; chances as failures expected
-- Why: the order of tests is tried with what was known before the report; the sections are in order from their source
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
        job_stages.district_id,
        job_stages.section_id,
        job_stages.reported_on,
        coalesce(job_stages.test_shots, shots.shots) as tests,
        half.half_loop_id,
        (select max(origin) from forecasts where origin <= job_stages.reported_on) as origin
    from core.job_stages as job_stages
    -- section_id is the key of section_exposure
    inner join core.section_exposure as half on half.section_id = job_stages.section_id
    -- one row a job
    left join shots on shots.job_id = job_stages.job_id
    where coalesce(job_stages.test_shots, shots.shots) >= 1
        and job_stages.method is distinct from 'visual'
),

rates as (
    select
        forecasts.origin,
        sections.cable_class,
        sum(forecasts.expected_failures) / nullif(sum(sections.length_km), 0) as rate
    from forecasts
    -- section_id is the key of section_exposure
    inner join core.section_exposure as sections on sections.section_id = forecasts.section_id
    group by forecasts.origin, sections.cable_class
),

whole as (
    select
        origin,
        avg(rate) as rate
    from rates
    group by origin
)

select
    tested.job_id,
    any_value(tested.district_id) as district_id,
    any_value(tested.tests)::double as tests,
    -- cable laid since counts with the mean of its class, a class that is new with the mean of all
    list(
        coalesce(forecasts.expected_failures, coalesce(rates.rate, whole.rate) * sections.length_km)
        order by if(sections.half_loop_id = sections.loop_id || '/B', -1, 1) * sections.position, sections.section_id
    ) as chances,
    list_position(
        list(
            sections.section_id
            order by if(sections.half_loop_id = sections.loop_id || '/B', -1, 1) * sections.position, sections.section_id
        ),
        any_value(tested.section_id)
    ) as place
from tested
-- many sections to a job, listed back to it
inner join core.section_exposure as sections
    on sections.half_loop_id = tested.half_loop_id
    and in_service_on(tested.reported_on, sections.in_service_from, sections.retired_on)
-- one row in all
inner join whole on whole.origin = tested.origin
-- one row a class and date
left join rates on rates.origin = tested.origin and rates.cable_class = sections.cable_class
-- one row a section and date
left join forecasts on forecasts.origin = tested.origin and forecasts.section_id = sections.section_id
group by tested.job_id
having count(*) > 1 and place is not null
