-- One row is a district and calendar year, from the first year with a job to the last, with the customers it served.
-- Reads: core.job_stages, staging.districts, staging.customers_by_year
-- Key: district_id, year
-- Units: customers
-- Why: customers_by_year overrides the district's own figure; the denominator of the indices
with

years as (
    select unnest(generate_series(min(reported_year), max(reported_year))) as year
    from core.job_stages
)

select
    districts.district_id,
    years.year,
    coalesce(by_year.customers_served, districts.customers_served) as customers_served
from staging.districts as districts
-- every district in every year, on purpose
cross join years
-- district_id and year are the key of by_year
left join staging.customers_by_year as by_year
    on by_year.district_id = districts.district_id
    and by_year.year = years.year
