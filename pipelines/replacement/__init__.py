"""Replacement: which sections and loops to replace first, what it buys, and why anyone should believe it.

Tables in: core.section_exposure, core.failures, core.job_stages, staging.jobs, staging.loops, staging.sections, the
rankings kept in raw, and the failure model of survival. Tables out: step.TABLES, which sql/marts/replacement presents.

ranking.py     rank limits and groups that cannot be told apart, from the posterior, without draws
money.py       what a failure costs, what replacing buys, the failure rate at which it pays
programme.py   the best work under one budget, as an integer programme with a proven bound
relaxation.py  the same with the budget priced instead of kept: the bound
filling.py     a choice within the budget, made from the relaxation's
options.py     what may be done to a section in a year, what it costs and avoids
plan.py        what to replace, inject and leave, year by year, and how far from the best plan that may be
cost_curve.py  what one more failure avoided costs as the budget grows
moved_inputs.py what becomes of the first year when an input is wrong
backtest.py    what the ranking would have caught at past dates, beside the rules people use
capture.py     in which order a rule picks, and how much lies on what it picks first
backtest_money.py the same for the same money
belief.py      puts together what lets a reader judge the ranking
forecast_score.py past forecasts of a year beside what came
before_after.py what fell by itself, for the sets of picked_sets.py
sensitivity.py what the head of the ranking hangs on
churn.py       which loops moved and why; kept_rankings.py keeps the rankings to compare with
reasons.py     why a loop or section ranks where it does, in words and numbers
step.py        the only reading and writing
"""
