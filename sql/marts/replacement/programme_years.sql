-- One row is a year of the plan.
-- Reads: fitted.programme_years
-- Key: plan_year
-- Units: kilometres, minutes, money of the settings
-- Why: each year spends its budget on what the years before have left, and says how far from the best that may be
select
    plan_year,
    budget,
    budget_km,
    spent,
    loops,
    sections_replaced,
    replaced_km,
    sections_injected,
    injected_km,
    avoided_failures,
    avoided_customer_minutes,
    avoided_cost,
    net_benefit,
    sections_waiting,
    waiting_km,
    waiting_paying,
    gain_bound,
    gap
from fitted.programme_years
