-- One row is a cable class with its exposure and its failures, over all ages.
-- Reads: core.section_exposure, core.failures
-- Key: cable_class
-- Units: kilometre-years, failures
-- Why: enough to weigh the sections of one loop against one another
with

exposure as (
    select
        cable_class,
        -- summed in one order: a sum of floats depends on it, and the same input must give the same bytes
        coalesce(list_sum(list(exposure_km_years order by section_id)), 0) as km_years
    from core.section_exposure
    where cable_class is not null
    group by cable_class
)

select
    exposure.cable_class,
    any_value(exposure.km_years) as km_years,
    count(failures.job_id)::double as failures
from exposure
-- many failures to a class, counted back to it
left join core.failures as failures on failures.cable_class = exposure.cable_class and failures.is_counted
group by exposure.cable_class
