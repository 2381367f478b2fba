-- One row is an amount of money for the first year, spent as well as can be.
-- Reads: fitted.cost_curve
-- Key: curve_point
-- Units: minutes, money of the settings
-- Why: what one more failure avoided costs as the budget grows
select
    curve_point,
    spent,
    loops,
    sections_replaced,
    sections_injected,
    avoided_failures,
    avoided_customer_minutes,
    avoided_cost,
    net_benefit,
    cost_per_failure_avoided,
    marginal_cost_per_failure_avoided,
    marginal_return
from fitted.cost_curve
