-- One row is a job: failures a year to be expected of its whole loop on the day of the report.
-- Reads: core.job_stages, core.section_exposure, class_rates
-- Key: job_id
-- Units: failures a year
-- Why: a second failure on a loop that is not back to normal strands customers
select
    job_stages.job_id,
    coalesce(list_sum(list(class_rates.rate * sections.length_km order by sections.section_id)), 0)
        as loop_failures_per_year
from core.job_stages as job_stages
-- many sections to a job, summed back to it
left join core.section_exposure as sections
    on sections.loop_id = job_stages.loop_id
    and in_service_on(job_stages.reported_on, sections.in_service_from, sections.retired_on)
-- one row a class
left join class_rates on class_rates.cable_class = sections.cable_class
group by job_stages.job_id
