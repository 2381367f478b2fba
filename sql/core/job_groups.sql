-- One row is a closed job with the name of its group in every grouping.
-- Reads: core.job_stages
-- Key: job_id
-- Units: none
-- Why: one spelling of every group name, for the fitted limits and the marts alike; crews written in several ways are one crew
select
    job_id,
    'all' as "all",
    coalesce(district_id, 'unknown') as district,
    coalesce(method, 'unknown') as method,
    coalesce(nullif(upper(regexp_replace(trim(crew_id), '[\s_./-]+', '-', 'g')), ''), 'unknown') as crew,
    coalesce(cable_class, 'unknown') as cable_class,
    strftime(reported_month, '%Y-%m') as month,
    reported_year as year
from core.job_stages
