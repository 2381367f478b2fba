-- One row is a date that stands in the register for a date nobody knew.
-- Reads: staging.sections
-- Key: installed_on
-- Units: sections
-- Why: register audit. No such cable was laid in 1900; 1 January 1970 is day zero of many computer clocks,
-- and is taken for a default only where it towers over every other day within three years
with

dates as (
    select
        installed_on,
        count(*) as sections
    from staging.sections
    where installed_on is not null
    group by installed_on
),

rivals as (
    select
        candidates.installed_on,
        candidates.sections,
        coalesce(max(others.sections), 0) as sections_on_the_fullest_other_day
    from dates as candidates
    -- multiplies a candidate by the days around it; grouped back to one row
    left join dates as others
        on
            others.installed_on <> candidates.installed_on
            and abs(others.installed_on - candidates.installed_on) <= 3 * 366
    where candidates.installed_on in (date '1900-01-01', date '1970-01-01')
    group by candidates.installed_on, candidates.sections
)

select
    installed_on,
    sections
from rivals
where
    installed_on = date '1900-01-01'
    or (sections >= 10 and sections > 4 * sections_on_the_fullest_other_day)
