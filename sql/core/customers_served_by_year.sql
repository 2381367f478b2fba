-- One row is a calendar year, from the first with a job to the last, with the customers served by all districts.
-- Reads: core.customers_served
-- Key: year
-- Units: customers
-- Why: a sum over districts is known only where every district's figure is
select
    year,
    case when count(*) = count(customers_served) then sum(customers_served) end::bigint as customers_served
from core.customers_served
group by year
