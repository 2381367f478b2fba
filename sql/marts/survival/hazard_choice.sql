-- One row is a form of the hazard that was tried.
-- Reads: fitted.survival_choices
-- Key: hazard, penalty
-- Units: failures
-- Why: the form is chosen on later years than it was fitted on
select
    hazard,
    penalty,
    log_likelihood,
    expected,
    observed,
    is_chosen
from fitted.survival_choices
