-- One row is a district.
-- Reads: raw.districts
-- Key: district_id
-- Units: metres, UTC, percent of c (the dictionary)
-- Why: the row that arrived last stands for its key
with

rows_loaded as (
    select
        district_id,
        name,
        timezone,
        recorded_from,
        customers_served,
        batch_id,
        source_file,
        row_number,
        load_sequence
    from raw.districts
),

latest as (
    select
        district_id,
        name,
        timezone,
        recorded_from,
        customers_served,
        batch_id,
        source_file,
        row_number
    from rows_loaded
    qualify row_number() over (partition by district_id order by load_sequence desc) = 1
)

select
    district_id,
    name,
    timezone,
    recorded_from,
    customers_served,
    batch_id,
    source_file,
    row_number
from latest
