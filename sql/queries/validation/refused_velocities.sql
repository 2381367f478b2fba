-- One row is a job kept out for a velocity out of range, with that velocity and the usual one of its instrument.
-- Reads: raw.findings, raw.quarantined_rows, raw.jobs, staging.jobs
-- Key: job_id, value, usual_pct
-- Units: percent of c
-- Why: what the same instrument usually stands on tells which slip was made
with

last_loaded as (
    select
        job_id,
        instrument_id
    from raw.jobs
    qualify row_number() over (partition by job_id order by load_sequence desc) = 1
),

usual as (
    select
        instrument_id,
        median(velocity_setting_pct) as usual_pct
    from staging.jobs
    group by instrument_id
)

select
    split_part(quarantined.key, ' / ', 1) as job_id,
    findings."value",
    usual.usual_pct
from raw.findings as findings
-- a row is quarantined once; a value refused several times is listed once
inner join raw.quarantined_rows as quarantined
    on quarantined.load_id = findings.load_id
    and quarantined.file = findings.file
    and quarantined.row_number = findings.row_number
    and quarantined."table" = findings."table"
-- one row a job, one an instrument
left join last_loaded on last_loaded.job_id = split_part(quarantined.key, ' / ', 1)
left join usual on usual.instrument_id = last_loaded.instrument_id
where findings.rule = 'velocity_out_of_range'
    and findings."table" = 'jobs'
    and quarantined.released_by is null
group by split_part(quarantined.key, ' / ', 1), findings."value", usual.usual_pct
