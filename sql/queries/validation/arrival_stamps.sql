-- One row is a closed job whose arrival has an hour, with its stamps and its district's distance from UTC at that moment.
-- Reads: staging.jobs, staging.loops, staging.districts
-- Key: job_id
-- Units: UTC, minutes
-- Why: a stamp off by the zone's distance from UTC was written by another clock
select
    jobs.job_id,
    jobs.source_file,
    jobs.dispatched_at,
    jobs.arrived_at,
    jobs.located_at,
    jobs.restored_at,
    (epoch(timezone('UTC', jobs.arrived_at)) - epoch(timezone(districts.timezone, jobs.arrived_at))) / 60.0
        as utc_offset_min
from staging.jobs as jobs
-- a job is of one loop and a loop of one district
inner join staging.loops as loops on loops.loop_id = jobs.loop_id
inner join staging.districts as districts on districts.district_id = loops.district_id
where contains(coalesce(jobs.date_only_columns, ''), 'arrived_at') is not true
