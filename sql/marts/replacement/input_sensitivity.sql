-- One row is an input moved to a low and a high value.
-- Reads: fitted.input_sensitivity
-- Key: input
-- Units: money of the settings, each input in its own unit
-- Why: what becomes of the first year when an input is wrong
select
    input,
    input_standing,
    input_low,
    input_high,
    net_benefit,
    net_benefit_at_low,
    net_benefit_at_high,
    swing,
    sections_paying,
    sections_paying_at_low,
    sections_paying_at_high,
    programme_paying,
    programme_paying_at_low,
    programme_paying_at_high,
    share_kept_at_low,
    share_kept_at_high
from fitted.input_sensitivity
