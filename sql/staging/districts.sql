-- One row is a district.
-- Reads: raw.districts
-- Key: district_id
-- Units: metres, UTC, percent of c (the dictionary)
-- Why: the row that arrived last stands for its key
select
    district_id,
    name,
    timezone,
    recorded_from,
    customers_served,
    load_id,
    source_file,
    row_number
from raw.districts
qualify row_number() over (partition by district_id order by load_sequence desc) = 1
