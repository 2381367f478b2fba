-- One row is a section to be replaced under the budget.
-- Reads: fitted.programme
-- Key: section_id
-- Units: metres, minutes, money of the settings
-- Why: sections that avoid the most cost within the budget, loops mobilised once
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
    mobilising_cost
from fitted.programme
