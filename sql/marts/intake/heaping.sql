-- One row is a column of a file, and a place where its values may gather
-- Reads: fitted.heaping
-- Key: table, column, file, heap
-- Units: percent
-- Why: a rounded stamp or distance is no error to be mended, but a stage of minutes cannot be finer than its stamps
select
    "table",
    "column",
    file,
    heap,
    values_given,
    values_heaped,
    heaped_pct,
    heaped_lo,
    heaped_hi,
    by_chance_pct,
    rounded_pct,
    is_heaped
from fitted.heaping
