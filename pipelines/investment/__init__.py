"""Investment: what to replace, inject or leave under a budget, year by year, and what one more failure avoided costs.

Tables in: what the ranking made of the fleet, and the failure model of survival. Tables out: step.TABLES.

options.py             what may be done to a section in a year, what it costs and avoids
programme.py           the best work of all years under their budgets: an integer programme with a proven bound
decisions.py           what engineers have decided, and what of it a plan can honour
projects.py            loops near one another that share one mobilising
plan.py                what to replace, inject and leave, year by year
lifetime.py            what cable costs over its life as it grows older, and in which year it is best replaced
section_options.py     every section: what replacing and injecting return, the best year, why it waits
fleet_draws.py         limits of any list of sections: draws of the posterior
weigh.py               replacing, injecting and waiting side by side, on any list of sections
trajectory.py          failures a year over twenty years, by budget
cost_curve.py          what one more failure avoided costs as the budget grows
scenarios.py           what the plan becomes under other settings, and which of them moved it
tables.py              puts the tables of money together
step.py                the only reading and writing
"""
