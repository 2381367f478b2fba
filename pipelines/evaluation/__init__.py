"""Evaluation: would the ranking have been right, and what would have fallen with nothing done?

Tables in: staging.sections, staging.test_shots, core.job_stages, core.section_exposure, and the history and failure
model that the ranking rests on. Tables out: step.TABLES.

backtest.py            what the ranking would have captured at past dates, beside the rules people use
backtest_summary.py    all past dates together, each failure counted once
rule_orders.py         in which order each rule picks, or what it flags
class_rates.py         the rates of a class that two rules go by
capture.py             how many failures lie on what a rule picks first
backtest_money.py      the same for the same money
forecast_score.py      past forecasts of a year beside what came
before_after.py        regression to the mean: what was to be expected with nothing done
cohorts.py             the sets of cable that before_after follows
commitments.py         what is written down with committed work, to judge it by later
follow_up.py           whether committed work was done, and what came of it
ranking_sensitivity.py how the top of the ranking depends on how the records are read
search_backtest.py     what the order of tests of search_sequence would have needed on past jobs
evaluate.py            runs them all over the same models of past dates
step.py                the only reading and writing
"""
