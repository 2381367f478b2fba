-- One row is a job in use whose velocity was taken out as out of range, with that velocity and the usual one of its instrument.
-- Reads: raw.findings, staging.jobs
-- Key: job_id, value, usual_pct
-- Units: percent of c
-- Why: what the same instrument usually stands on tells which slip was made
with

usual as (
    select
        instrument_id,
        median(velocity_setting_pct) as usual_pct
    from staging.jobs
    group by instrument_id
)

select
    jobs.job_id,
    findings."value",
    usual.usual_pct
from raw.findings as findings
-- a job stands by one row; a correction of it is a row of its own
inner join staging.jobs as jobs
    on jobs.load_id = findings.load_id
    and jobs.source_file = findings.file
    and jobs.row_number = findings.row_number
-- one row an instrument
left join usual on usual.instrument_id = jobs.instrument_id
where findings.rule = 'velocity_out_of_range'
    and findings."table" = 'jobs'
    and jobs.velocity_setting_pct is null
