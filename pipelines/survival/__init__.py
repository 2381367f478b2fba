"""How does each type of cable fail with age, and which sections and loops fail more than their type?

Reads core.section_exposure and core.failures; writes the tables of step.py. Failures recur, enter late
(records begin after the cable was laid) and are counted per kilometre. Rates by age with exact Poisson
limits; mean cumulative failures with robust limits; a power law per class by maximum likelihood; gamma-Poisson
multipliers for sections and loops.

history.py              what is known of a fleet at a date; what counts as a failure, and whose it is
observation_windows.py  ages between which each section was observed, and its ages at failures
missing_dates.py        sections without an installation date, spread over likely years
integer_codes.py        numbers for names: they sort, join and count faster
chunks.py               windows added up some at a time
rates.py                how often each class fails, by age, with exact limits
mean_cumulative.py      mean cumulative failures per km
vintages.py             the same by decade of laying
installation_years.py   which year of laying fails unlike the years around it
kaplan_meier.py         share of sections without a recorded failure
power_law.py            the power law of one class, by maximum likelihood
trend.py                tests of trend and of fit
curves.py               the power laws of all classes at once
cells.py                exposure and failures by pattern and year of age
hazard.py               the regression on age and kind of cable
kinds.py                curves of all kinds of cable, before any frailty
model_selection.py      which form of the hazard foretells later years best
frailty.py              how much worse than its class is a unit, at one grain
frailty_tree.py         sections in their half-loops and loops, as arrays
hierarchical_frailty.py the same at three grains at once
evidence.py             which failures speak for the frailty, the level of a class, a section's ends
treatment.py            what is left of the failures of injected cable
model.py                the failure model: curve times frailty, and its forecasts
cox.py                  hazard ratios with limits robust to loops
attribute_effects.py    what neutral, installation, vintage and district do
splices.py              how often splices fail
audit.py                faults of the register, and what each moves
completeness.py         which districts have early years not on record
panels.py               late entry, first failures, fit of the power law, for the page
step.py                 the only reading and writing
"""
