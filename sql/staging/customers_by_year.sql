-- One row is a district and year.
-- Reads: raw.customers_by_year
-- Key: district_id, year
-- Units: metres, UTC, percent of c (the dictionary)
-- Why: the row that arrived last stands for its key
with

rows_loaded as (
    select
        district_id,
        year,
        customers_served,
        batch_id,
        source_file,
        row_number,
        load_sequence
    from raw.customers_by_year
),

latest as (
    select
        district_id,
        year,
        customers_served,
        batch_id,
        source_file,
        row_number
    from rows_loaded
    qualify row_number() over (partition by district_id, year order by load_sequence desc) = 1
)

select
    district_id,
    year,
    customers_served,
    batch_id,
    source_file,
    row_number
from latest
