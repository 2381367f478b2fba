"""Ranking: which sections and loops fail most per kilometre, how sure that is, and what a failure there costs.

Tables in: core.section_exposure, core.failures, core.job_stages, staging.jobs, staging.loops, the rankings kept in raw,
and the failure model of survival. Tables out: step.TABLES; sql/marts/ranking adds the places along a loop.

rankings.py         sections, loops, half-loops and districts ranked, put together from forecast, money and limits
rank_limits.py      rank limits and groups that cannot be told apart, from the posterior, without draws
costs.py            prices; what a failure costs, what replacing buys, the failure rate at which it pays
reasons.py          why a loop ranks where it does, in words and numbers
rank_changes.py     which loops moved since the last ranking, and why
ranking_history.py  keeps the rankings to compare with
search_sequence.py  where to test first on an isolated half-loop, by the same chances
search_orders.py    the order of tests that costs least, and what any order costs
step.py             the only reading and writing
"""
