-- One row is an answer that corrections may move
-- Reads: fitted.correction_effects
-- Key: answer, group_name
-- Units: minutes, percent (the answer says which)
-- Why: whoever decides on corrections should see what they do to the answers before and after
select
    answer,
    group_name,
    value_standing,
    value_without_applied,
    value_with_slips,
    value_with_joins
from fitted.correction_effects
