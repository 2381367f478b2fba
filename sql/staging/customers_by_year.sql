-- One row is a district and year.
-- Reads: raw.customers_by_year
-- Key: district_id, year
-- Units: metres, UTC, percent of c (the dictionary)
-- Why: the row that arrived last stands for its key
select
    district_id,
    year,
    customers_served,
    load_id,
    source_file,
    row_number
from raw.customers_by_year
qualify row_number() over (partition by district_id, year order by load_sequence desc) = 1
