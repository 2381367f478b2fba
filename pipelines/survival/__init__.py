"""How does each type of cable fail with age, and which sections and loops fail more than their type?

Reads core.section_exposure and core.failures; writes the tables of step.py. Failures recur, enter late
(records begin after the cable was laid) and are counted per kilometre. Rates by age with exact Poisson
limits; mean cumulative failures with robust limits; a power law per class by maximum likelihood; gamma-Poisson
multipliers for sections and loops.
"""
