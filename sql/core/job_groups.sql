-- One row is a closed job with the name of its group in every grouping.
-- Reads: core.job_stages, core.storm_days
-- Key: job_id
-- Units: none
-- Why: one name of every group for the fitted limits and the marts alike; a crew written in several ways is one crew
with

jobs as (
    select
        *,
        -- TF-1, tf 1, TF01 and TF_1 are one: letters and numbers without separators and leading zeros
        regexp_replace(regexp_replace(upper(crew_id), '[^A-Z0-9]+', '', 'g'), '([A-Z])0+([1-9])', '\1\2', 'g') as crew_key
    from core.job_stages
),

spellings as (
    select
        crew_key,
        crew_id,
        count(*) as jobs
    from jobs
    where crew_key <> ''
    group by crew_key, crew_id
),

-- the spelling used most, the first in the alphabet among equals
usual_spelling as (
    select
        crew_key,
        trim(crew_id) as crew
    from spellings
    qualify row_number() over (partition by crew_key order by jobs desc, crew_id) = 1
)

select
    jobs.job_id,
    'all' as "all",
    coalesce(jobs.district_id, 'unknown') as district,
    coalesce(jobs.method, 'unknown') as method,
    coalesce(usual_spelling.crew, 'unknown') as crew,
    coalesce(jobs.cable_class, 'unknown') as cable_class,
    strftime(jobs.reported_month, '%Y-%m') as month,
    jobs.reported_year as year,
    coalesce(jobs.configuration, 'unknown') as configuration,
    case
        when jobs.configuration = 'radial' then 'radial'
        when jobs.sections_on_loop = 0 then 'unknown'
        when jobs.sections_on_loop <= 4 then '1 to 4 sections'
        when jobs.sections_on_loop <= 8 then '5 to 8 sections'
        when jobs.sections_on_loop <= 12 then '9 to 12 sections'
        else '13 sections and more'
    end as loop_size,
    -- days from a day before all records: below zero where the day is one of a storm's
    case
        when storm_days.storm_from is null then date_diff('day', date '0001-01-01', jobs.reported_on)
        else -date_diff('day', date '0001-01-01', storm_days.storm_from)
    end as cluster
from jobs
-- one row a key
left join usual_spelling on usual_spelling.crew_key = jobs.crew_key
-- one row a day
left join core.storm_days as storm_days on storm_days.reported_on = jobs.reported_on
