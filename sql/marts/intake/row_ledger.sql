-- One row is a file of jobs, a figure, and one reason why rows of that file are in or out of it.
-- Reads: raw.files, raw.jobs, raw.job_clusters, staging.jobs, core.job_stages, core.failures, core.locating_readings
-- Key: batch, file, figure, reason
-- Units: rows
-- Why: every row of every file is counted in or out of every figure; for each figure they sum to the rows read
with

files as (
    select *
    from raw.files
    where "table" = 'jobs'
),

figures as (
    select unnest(['restoration', 'survival', 'locating']) as figure
),

source_rows as (
    select
        job_id,
        load_id,
        source_file,
        row_number() over (partition by job_id order by revision desc nulls last, load_sequence desc) as place
    from raw.jobs
    -- rows that corrections made stand for the source row they correct
    semi join files on raw.jobs.load_id = files.load_id and raw.jobs.source_file = files.file
),

joined_jobs as (
    select job_id
    from raw.job_clusters
    where cluster_decision = 'join'
    group by job_id
),

in_locating as (
    select
        job_id,
        bool_or(is_usable) as is_usable,
        min(unusable_because) as unusable_because
    from core.locating_readings
    where job_id is not null
    group by job_id
),

verdicts as (
    select
        source_rows.load_id,
        source_rows.source_file,
        figures.figure,
        case
            when source_rows.place > 1 then 'a later row of the job stands'
            when closed_jobs.job_id is null and joined_jobs.job_id is not null then 'joined with another job by decision'
            when closed_jobs.job_id is null then 'the job is not closed'
            when figures.figure = 'restoration'
                then case when in_restoration.job_id is null then 'not among the jobs judged by the as-of date' end
            when figures.figure = 'survival'
                then case
                    when in_survival.job_id is null then 'not among the failures judged by the as-of date'
                    when not in_survival.is_counted then in_survival.why_not
                end
            when in_locating.job_id is null then 'no reading of a distance'
            when not in_locating.is_usable then in_locating.unusable_because
        end as reason
    from source_rows
    -- each row is judged once for every figure
    cross join figures
    -- the five tables joined hold a row a job at most
    left join staging.jobs as closed_jobs on closed_jobs.job_id = source_rows.job_id
    left join joined_jobs on joined_jobs.job_id = source_rows.job_id
    left join core.job_stages as in_restoration on in_restoration.job_id = source_rows.job_id
    left join core.failures as in_survival on in_survival.job_id = source_rows.job_id
    left join in_locating on in_locating.job_id = source_rows.job_id
),

kept_rows as (
    select
        load_id,
        source_file as file,
        figure,
        coalesce(reason, 'counted') as reason,
        count(*) as source_rows
    from verdicts
    group by load_id, source_file, figure, coalesce(reason, 'counted')
),

rows_in_raw as (
    select
        load_id,
        source_file as file,
        count(*) as source_rows
    from source_rows
    group by load_id, source_file
),

other_rows as (
    select
        files.load_id,
        files.file,
        figures.figure,
        unnest(
            ['in quarantine', 'already loaded, unchanged', 'an earlier state of the job, not taken']
        ) as reason,
        unnest([
            files.quarantined,
            files.unchanged,
            files.new + files.revised + files.superseded - coalesce(rows_in_raw.source_rows, 0)
        ]) as source_rows
    from files
    -- each file is listed once for every figure
    cross join figures
    -- one row a load and file
    left join rows_in_raw on rows_in_raw.load_id = files.load_id and rows_in_raw.file = files.file
),

all_rows as (
    from kept_rows
    union all by name
    from other_rows
    where source_rows > 0
)

select
    load_id as batch,
    file,
    figure,
    reason,
    reason = 'counted' as is_counted,
    source_rows::bigint as source_rows
from all_rows
