-- One row is a group of jobs: times to locate and to restore with limits, customers, minutes and indices.
-- Reads: core.job_stages, core.job_groups, core.customers_served, core.customers_served_by_year, marts.restoration_stages
-- Key: grouped_by, group_name
-- Units: minutes, customers; indices per customer served
-- Why: DEVELOPERS.md, Definitions; the indices are those of IEEE Std 1366 on cable faults alone
with

jobs as (
    select
        job_groups.* exclude (configuration, year),
        job_groups.year::varchar as year,
        job_stages.* exclude (job_id, cable_class, method)
    from core.job_stages as job_stages
    -- one row a job on both sides
    inner join core.job_groups as job_groups on job_groups.job_id = job_stages.job_id
),

grouped as (
    select
        case
            when grouping("all") = 0 then 'all'
            when grouping(district) = 0 then 'district'
            when grouping(method) = 0 then 'method'
            when grouping(crew) = 0 then 'crew'
            when grouping(cable_class) = 0 then 'cable_class'
            when grouping(month) = 0 then 'month'
            else 'year'
        end as grouped_by,
        coalesce("all", district, method, crew, cable_class, month, year) as group_name,
        count(*) as jobs,
        count(*) filter (where configuration = 'radial') as radial_jobs,
        count(*) filter (where arrive_to_locate_min is null) as jobs_without_locate,
        count(*) filter (where report_to_restore_min is null) as jobs_without_restore,
        count(*) filter (where customer_minutes is null) as jobs_without_customers,
        count(*) filter (where is_restoration_doubted) as jobs_restoration_doubted,
        sum(customers_interrupted)::bigint as customers_interrupted,
        exact_sum(customer_minutes) as customer_minutes,
        exact_sum(case when customer_minutes is not null then customer_minutes_naive end) as customer_minutes_naive,
        sum(customers_sustained)::bigint as customers_sustained,
        exact_sum(customer_minutes_sustained) as customer_minutes_sustained
    from jobs
    group by grouping sets (("all"), (district), (method), (crew), (cable_class), (month), (year))
),

-- a mean over years is known only where every year's figure is
served_by_district as (
    select
        district_id,
        case when count(*) = count(customers_served) then avg(customers_served) end as customers_served
    from core.customers_served
    group by district_id
),

served_by_all as (
    select case when count(*) = count(customers_served) then avg(customers_served) end as customers_served
    from core.customers_served_by_year
),

with_denominator as (
    select
        grouped.*,
        case grouped.grouped_by
            when 'year' then served_by_year.customers_served
            when 'month' then served_by_year.customers_served
            when 'district' then served_by_district.customers_served
            else served_by_all.customers_served
        end as index_customers
    from grouped
    -- year is the key; a month takes the customers of its year
    left join core.customers_served_by_year as served_by_year
        on grouped.grouped_by in ('month', 'year')
        and served_by_year.year::varchar = left(grouped.group_name, 4)
    -- district_id is the key of served_by_district
    left join served_by_district
        on grouped.grouped_by = 'district' and served_by_district.district_id = grouped.group_name
    -- served_by_all is one row
    cross join served_by_all
)

select
    groups.grouped_by,
    groups.group_name,
    groups.jobs,
    locate.mean_min as mean_time_to_locate_min,
    locate.mean_lo as mean_time_to_locate_lo,
    locate.mean_hi as mean_time_to_locate_hi,
    locate.median_min as median_time_to_locate_min,
    locate.p90_min as p90_time_to_locate_min,
    restore.mean_min as mean_time_to_restore_min,
    restore.mean_lo as mean_time_to_restore_lo,
    restore.mean_hi as mean_time_to_restore_hi,
    restore.median_min as median_time_to_restore_min,
    restore.p90_min as p90_time_to_restore_min,
    groups.customers_interrupted,
    groups.customer_minutes,
    groups.customer_minutes_sustained / nullif(groups.index_customers, 0) as saidi_min,
    groups.customers_sustained / nullif(groups.index_customers, 0) as saifi,
    groups.customer_minutes_sustained / nullif(groups.customers_sustained, 0) as caidi_min,
    groups.index_customers,
    groups.customers_sustained,
    groups.customer_minutes_sustained,
    groups.customer_minutes_naive,
    groups.radial_jobs,
    groups.jobs_without_locate,
    groups.jobs_without_restore,
    groups.jobs_without_customers,
    groups.jobs_restoration_doubted
from with_denominator as groups
-- grouped_by, group_name and stage are the key of the limits
left join marts.restoration_stages as locate
    on locate.grouped_by = groups.grouped_by
    and locate.group_name = groups.group_name
    and locate.stage = 'arrive_to_locate'
-- grouped_by, group_name and stage are the key of the limits
left join marts.restoration_stages as restore
    on restore.grouped_by = groups.grouped_by
    and restore.group_name = groups.group_name
    and restore.stage = 'report_to_restore'
