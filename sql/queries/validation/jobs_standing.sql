-- One row is a closed job with when it was reported and when it first arrived.
-- Reads: staging.jobs, raw.jobs
-- Key: job_id
-- Units: metres, seconds
-- Why: of jobs entered twice the one that arrived first stands, of jobs opened again the one reported first
with

arrivals as (
    select
        job_id,
        min(load_sequence) as arrival
    from raw.jobs
    group by job_id
)

select
    jobs.job_id,
    jobs.loop_id,
    jobs.section_id,
    jobs.test_terminal_id,
    jobs.crew_id,
    jobs.dug_distance_m,
    epoch(jobs.reported_at) as reported_s,
    arrivals.arrival
from staging.jobs as jobs
-- each job arrived first once
inner join arrivals on arrivals.job_id = jobs.job_id
