-- One row is a year, with the jobs reported in it that wait in quarantine and what they could add to the indices at most.
-- Reads: raw.quarantined_rows, staging.jobs, core.customers_served_by_year, settings.current
-- Key: year
-- Units: customers, minutes and interruptions per customer served
-- Why: the most that rows kept out can hide: every customer out for restoration.longest_accepted_days. A row whose year
-- or customers cannot be read is counted and bounds nothing; a totals row among jobs is one of them
with

named as (
    select
        row_hash,
        as_received('job_id', headers, cells, read_as) as job_id,
        as_received('reported_at', headers, cells, read_as) as reported_at,
        as_received('customers_interrupted', headers, cells, read_as) as customers,
        coalesce(json_extract_string(read_as, '$.source.decimal'), '.') as decimal_mark
    from raw.quarantined_rows
    where "table" = 'jobs' and released_by is null
),

-- the same row may wait of several loads; a job that stands in another revision is in the indices already
jobs as (
    select
        coalesce(named.job_id, named.row_hash) as job,
        max(served.year) as year,
        max(served.customers_served) as customers_served,
        max(try_cast(
            replace(regexp_replace(named.customers, if(named.decimal_mark = ',', '[. ]', '[, ]'), '', 'g'), ',', '.')
            as double
        )) as customers
    from named
    anti join staging.jobs as standing on standing.job_id = named.job_id
    -- one row a year
    left join core.customers_served_by_year as served
        on served.year = try_cast(regexp_extract(named.reported_at, '(^|[^0-9])((?:19|20)[0-9]{2})([^0-9]|$)', 2) as bigint)
    group by coalesce(named.job_id, named.row_hash)
)

select
    jobs.year,
    count(*) as jobs,
    count(*) filter (where jobs.year is null or jobs.customers is null) as jobs_not_bounded,
    (sum(jobs.customers) filter (where jobs.year is not null))::bigint as customers_interrupted,
    sum(jobs.customers) filter (where jobs.year is not null) / nullif(max(jobs.customers_served), 0)
        as saifi_added_at_most,
    sum(jobs.customers * 1440 * current.restoration_longest_accepted_days) filter (where jobs.year is not null)
        / nullif(max(jobs.customers_served), 0) as saidi_added_at_most_min
from jobs
-- settings.current is one row
cross join settings.current as current
group by jobs.year
