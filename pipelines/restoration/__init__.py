"""Where do the minutes of an interruption go, and what would save them?

Tables in: core.job_stages, core.job_groups, core.restoration_blocks and what they were made from.
Tables out: marts.restoration_*, fitted.closing_lag, fitted.major_event_threshold; sql/marts/restoration joins the rest.
Methods: each module names its own sources.

    stages.py           lengths of all stages and clocks in all groupings
    limits.py           limits of means, quantiles and shares, over storms and days
    periods.py          are the stages of one period longer than those of another?
    comparison.py       districts, crews and methods once their jobs are made alike
    closing_delay.py    how much of the latest weeks is on file, and what their mean will be
    trend.py            months on an individuals chart
    control_limits.py   the limits and signals of that chart
    search_effort.py    tests used against the least that halving needs
    abnormal.py         days away from the normal open point, second faults to be expected in them
    what_if.py          customer-minutes that a change would have saved
    major_events.py     days that are marked as major events
    step.py             the only module here that reads and writes tables
"""
