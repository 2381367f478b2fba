-- One row is a section to be replaced or injected in a year of the plan.
-- Reads: fitted.programme
-- Key: section_id
-- Units: metres, minutes, money of the settings
-- Why: the work that avoids the most cost within each year's budget, loops mobilised once a year
select
    loop_id,
    section_id,
    length_m,
    cost,
    avoided_failures,
    avoided_customer_minutes,
    net_benefit,
    programme_order,
    avoided_cost,
    mobilising_cost,
    plan_year,
    action
from fitted.programme
