-- One row is a single figure of money or of the programme.
-- Reads: fitted.replacement_figures
-- Key: figure
-- Units: as each figure says
-- Why: the page prints where each figure of money comes from
select
    figure,
    amount,
    explained
from fitted.replacement_figures
