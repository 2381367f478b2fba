-- One row is one thing that a rule measured of a file of a load, in the bounds or beyond
-- Reads: raw.file_results
-- Key: batch, table, file, rule, column, year
-- Units: as the rule says
-- Why: what no single row can tell is kept with its load, so that its trend can be seen
select
    load_id as batch,
    "table",
    file,
    rule,
    severity,
    coalesce("column", '') as "column",
    year,
    rows_measured,
    measured,
    allowed,
    message
from raw.file_results
