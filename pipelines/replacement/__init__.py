"""Replacement: which sections and loops to replace first, what it buys, and why anyone should believe it.

Tables in: core.section_exposure, core.failures, core.job_stages, staging.loops, and the failure model of survival.
Tables out: fitted.section_ranking, loop_ranking, group_ranking, programme, backtest, backtest_calibration
and backtest_differences, replacement_figures, which sql/marts/replacement presents.

ranking.py     rank limits and groups that cannot be told apart, from the posterior, without draws
money.py       what a failure costs, what replacing buys, the failure rate at which it pays
programme.py   the sections to replace under a budget, as an integer programme
backtest.py    what the ranking would have caught at past dates, beside the rules people use
reasons.py     why a loop or section ranks where it does, in words and numbers
step.py        the only reading and writing
"""
