-- One row is a closed job, with whether it counts as a failure of the cable, and why not.
-- Reads: staging.jobs, staging.loops, staging.districts, core.section_exposure, settings.current
-- Key: job_id
-- Units: dates of the district's own zone, years of 365.25 days
-- Why: DEVELOPERS.md, Definitions: a failure counts when nobody did it to the cable, cable or splice or an unknown component
-- failed, its section is known, and it was reported in the section's time in view
with

placed as (
    select
        jobs.job_id,
        -- the register knows better than the paper on which loop a section lies
        coalesce(sections.loop_id, jobs.loop_id) as loop_id,
        jobs.section_id,
        sections.section_id is not null as is_section_in_register,
        coalesce(sections.district_id, loops.district_id) as district_id,
        sections.cable_class,
        (jobs.reported_at at time zone coalesce(districts.timezone, 'UTC'))::date as failed_on,
        (jobs.closed_at at time zone coalesce(districts.timezone, 'UTC'))::date as closed_on,
        sections.installed_on,
        sections.is_installed_on_known,
        sections.retired_on,
        sections.recorded_from,
        coalesce(jobs.cause, 'unknown') as cause,
        coalesce(jobs.failed_component, 'unknown') as failed_component
    from staging.jobs as jobs
    -- one row a loop, a district, a section: no row multiplies
    left join staging.loops as loops on loops.loop_id = jobs.loop_id
    left join staging.districts as districts on districts.district_id = loops.district_id
    left join core.section_exposure as sections on sections.section_id = jobs.section_id
),

judged as (
    select
        placed.*,
        case
            when placed.cause in ('dig_in', 'animal', 'vehicle') then 'excluded_cause'
            when placed.failed_component not in ('cable', 'splice', 'unknown') then 'other_component'
            when placed.failed_on > current.general_as_of then 'after_as_of'
            when placed.section_id is null then 'loop_only'
            when not placed.is_section_in_register then 'not_in_register'
            when placed.failed_on < placed.recorded_from then 'before_records'
            when placed.failed_on > placed.retired_on then 'after_retirement'
            when not placed.is_installed_on_known then 'undated_section'
            when placed.failed_on < placed.installed_on then 'before_installation'
        end as why_not
    from placed
    -- one row in all
    cross join settings.current as current
)

select
    job_id,
    loop_id,
    section_id,
    district_id,
    cable_class,
    failed_on,
    closed_on,
    case when is_installed_on_known then years_between(installed_on, failed_on) end as age_years,
    cause,
    failed_component,
    why_not is null as is_counted,
    why_not
from judged
