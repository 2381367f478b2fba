"""Replacement: which sections and loops to replace first, what it buys, and why anyone should believe it.

Tables in: core.section_exposure, core.failures, core.job_stages, and the failure model of the survival topic.
Tables out: fitted.section_ranking, fitted.loop_ranking, fitted.programme, fitted.backtest, fitted.backtest_calibration
and the tables beside them that sql/marts/replacement presents.

ranking.py     rank limits and groups that cannot be told apart, from the posterior, without draws
money.py       what a failure costs, what replacing buys, the failure rate at which it pays
programme.py   the sections to replace under a budget, as an integer programme
backtest.py    what the ranking would have caught at past dates, beside the rules people use
reasons.py     why a loop or section ranks where it does, in words and numbers
step.py        the only reading and writing
"""
