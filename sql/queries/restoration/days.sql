-- One row is a day with a job: its SAIDI by sustained interruptions, and whether the source excludes it.
-- Reads: core.job_stages, core.customers_served_by_year
-- Key: reported_on
-- Units: minutes per customer served
-- Why: major event days are found among these days, IEEE Std 1366
select
    job_stages.reported_on,
    count(*) as jobs,
    sum(job_stages.customer_minutes_sustained) / nullif(any_value(served.customers_served), 0) as saidi_min,
    bool_or(job_stages.is_major_event) as is_flagged
from core.job_stages as job_stages
-- one row a year
left join core.customers_served_by_year as served on served.year = job_stages.reported_year
group by job_stages.reported_on
