-- One row is all: the local day of the last report loaded.
-- Reads: staging.jobs, staging.loops, staging.districts
-- Key: last_report_on
-- Units: dates of the district's own zone
-- Why: where the settings name no as-of date, the figures stand on this day
select max(cast(jobs.reported_at at time zone districts.timezone as date)) as last_report_on
from staging.jobs as jobs
-- a job is of one loop and a loop of one district
inner join staging.loops as loops on loops.loop_id = jobs.loop_id
inner join staging.districts as districts on districts.district_id = loops.district_id
